"""The writer of kept sound: what can't be written waits, within bounds; limits hold; other files are not touched."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from oscservice.hearing.listener import Quiet
from oscservice.record import sound_writer as kept_writer
from oscservice.record.kept_sound import (
    MEGABYTE,
    Stretch,
    file_name,
    flac,
    folder_of,
    sessions_in,
    stretch,
    too_much,
    too_old,
    unpacked,
)
from oscservice.record.session_lock import SessionLock
from oscservice.record.sound_writer import FAILING, FULL, KEPT, MOST_WAITING, SoundWriter

DAY = date(2026, 11, 25)
SESSION = "2026-11-25-1"


def sound(seed: int, seconds: float = 0.2) -> Stretch:
    samples = np.random.default_rng(seed).uniform(-0.5, 0.5, round(48000 * seconds)).astype(np.float32)
    made = stretch(samples, 48000, 0.1, Quiet())
    assert made is not None
    return made


SIZE = len(flac(sound(0), "x"))


def wait_for(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20.0
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def files(journal: Path) -> list[str]:
    folder = folder_of(journal)
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def older(journal: Path, session: str, count: int = 2, seconds: float = 0.2) -> list[str]:
    """Files of an earlier session."""
    made = [sound(n, seconds) for n in range(count)]
    for n, one in enumerate(made):
        path = folder_of(journal) / session / file_name(n, one.sound)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(flac(one))
    return [f"{session}/{file_name(n, one.sound)}" for n, one in enumerate(made)]


@pytest.fixture
def journal(tmp_path):
    return tmp_path / "j.sqlite3"


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(kept_writer, "_AGAIN_S", 0.02)


def writer_of(journal: Path, most_mb: int = 2000, most_days: int = 0) -> SoundWriter:
    writer = SoundWriter(journal, most_mb, most_days, lambda: DAY)
    writer.start()
    return writer


def test_sounds_are_written_one_file_each_and_are_whole(journal):
    writer, made = writer_of(journal), [sound(n) for n in range(3)]
    for seq, one in zip((12, 15, 20), made, strict=True):
        writer.keep(SESSION, seq, one, "a test")
    writer.close()
    assert files(journal) == [f"{SESSION}/{file_name(s, m.sound)}" for s, m in zip((12, 15, 20), made, strict=True)]
    for name, one in zip(files(journal), made, strict=True):
        assert unpacked((folder_of(journal) / name).read_bytes())[0].tolist() == one.samples.tolist()
    assert (writer.state, writer.take_notes()) == (KEPT, [])
    assert folder_of(journal).stat().st_mode & 0o077 == 0, "nobody else may listen"


def test_one_that_was_never_started_can_be_closed(journal):
    writer = SoundWriter(journal, 10, 0)
    writer.close()
    assert writer.take_notes() == []


def test_an_unwritable_folder_is_reported_once_and_its_sound_written_later(journal, quick):
    folder_of(journal).write_text("in the way")
    writer = writer_of(journal)
    for seq in range(3):
        writer.keep(SESSION, seq, sound(seq), "a test")
    wait_for(lambda: writer.state == FAILING)
    time.sleep(0.1)
    (line,) = writer.take_notes()
    assert line.startswith("sound can't be kept for now, and the session goes on without: ")
    assert str(folder_of(journal)) in line
    folder_of(journal).unlink()
    wait_for(lambda: writer.state == KEPT)
    writer.close()
    assert len(files(journal)) == 3, "what waited is written"
    assert writer.take_notes() == ["sound is kept again"]


def test_a_disk_that_fills_up_leaves_no_half_file(journal, quick, monkeypatch):
    full = threading.Event()
    full.set()

    def no_room(descriptor: int) -> None:
        if full.is_set():
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(kept_writer.os, "fsync", no_room)
    writer = writer_of(journal)
    writer.keep(SESSION, 1, sound(1), "a test")
    wait_for(lambda: writer.state == FAILING)
    wait_for(lambda: files(journal) == [])
    full.clear()
    wait_for(lambda: writer.state == KEPT)
    writer.close()
    assert len(files(journal)) == 1


def test_waiting_sounds_are_limited_and_lost_ones_counted(journal, quick):
    folder_of(journal).write_text("in the way")
    writer = writer_of(journal)
    writer.keep(SESSION, 0, sound(0, 0.01), "a test")
    wait_for(lambda: writer.state == FAILING)
    for seq in range(1, MOST_WAITING + 5):
        writer.keep(SESSION, seq, sound(seq, 0.01), "a test")
    folder_of(journal).unlink()
    wait_for(lambda: writer.state == KEPT)
    writer.close()
    assert len(files(journal)) == MOST_WAITING
    assert writer.take_notes()[-1] == "sound is kept again; that of 5 readings is lost"


def test_sound_that_could_not_be_written_is_reported_at_the_end(journal, quick):
    folder_of(journal).write_text("in the way")
    writer = writer_of(journal)
    for seq in range(3):
        writer.keep(SESSION, seq, sound(seq), "a test")
    writer.close()
    assert writer.take_notes()[-1].startswith("the sound of 3 readings is not kept: ")


def test_a_session_that_gets_another_name_takes_its_own_files_along(journal):
    mine = older(journal, "2026-11-25-7")
    theirs = older(journal, SESSION)
    writer = writer_of(journal)
    writer.keep(SESSION, 30, sound(30), "a test")
    writer.renamed(SESSION, "2026-11-25-2")
    writer.keep("2026-11-25-2", 33, sound(33), "a test")
    writer.close()
    own = [f"2026-11-25-2/{file_name(seq, sound(seq).sound)}" for seq in (30, 33)]
    assert files(journal) == sorted([*theirs, *own, *mine])


# Limits


def test_the_oldest_sessions_are_deleted_first_and_this_is_reported(journal):
    for session in ("2026-09-09-2", "2026-09-09-10", "2026-10-01-1"):
        older(journal, session, count=2, seconds=2.0)
    held = {one.session: one.size for one in sessions_in(folder_of(journal))}
    assert list(held) == ["2026-09-09-2", "2026-09-09-10", "2026-10-01-1"], "by day and number, not by letters"
    each = held["2026-10-01-1"]
    most_mb = (2 * each + 2 * SIZE) // MEGABYTE
    assert each > MEGABYTE / 2
    writer = writer_of(journal, most_mb)
    writer.keep(SESSION, 1, sound(1), "a test")
    writer.close()
    left = [one.session for one in sessions_in(folder_of(journal))]
    assert left[-1] == SESSION
    assert "2026-09-09-2" not in left
    assert sum(one.size for one in sessions_in(folder_of(journal))) <= most_mb * MEGABYTE
    (line,) = [one for one in writer.take_notes() if "deleted" in one]
    assert line.startswith("kept sound of session 2026-09-09-2")
    assert line.endswith(f"more than {most_mb} MB would be kept")
    assert not (folder_of(journal) / "2026-09-09-2").exists()


def test_sound_of_the_open_session_is_never_deleted_and_new_sound_is_kept_if_it_fits(journal):
    writer = writer_of(journal, most_mb=1)
    for seq in range(6):
        writer.keep(SESSION, seq, sound(seq, 2.0), "a test")
    wait_for(lambda: writer.state == FULL)
    writer.close()
    (session,) = sessions_in(folder_of(journal))
    assert 0 < session.size <= MEGABYTE
    assert [line for line in writer.take_notes() if "no more sound" in line] == [
        f"no more sound of session {SESSION} is kept: 1 MB are full (--keep-audio-mb)"
    ]


def test_the_next_session_deletes_older_sound(journal):
    writer = writer_of(journal, most_mb=1)
    for seq in range(6):
        writer.keep(SESSION, seq, sound(seq, 2.0), "a test")
    wait_for(lambda: writer.state == FULL)
    writer.keep("2026-11-25-2", 1, sound(1, 4.0), "a test")
    wait_for(lambda: writer.state == KEPT)
    writer.close()
    assert [one.session for one in sessions_in(folder_of(journal))] == ["2026-11-25-2"]


def test_a_session_that_another_process_writes_is_not_deleted(journal):
    older(journal, "2026-09-09-1", count=3, seconds=3.0)
    lock = SessionLock(journal, "2026-09-09-1")
    writer = writer_of(journal, most_mb=1, most_days=3)
    writer.keep(SESSION, 1, sound(1), "a test")
    wait_for(lambda: writer.state == FULL)
    writer.close()
    lock.release()
    assert [one.session for one in sessions_in(folder_of(journal))] == ["2026-09-09-1"]


def test_sound_that_is_too_old_is_deleted_at_the_start(journal):
    for session in ("2026-10-25-1", "2026-11-14-9", "2026-11-15-1"):
        older(journal, session)
    for name in ("notes of mine", "2026-10-25-0", "2026-10-25-01"):
        (folder_of(journal) / name).mkdir()
    mine = folder_of(journal) / "2026-11-14-9" / "mine.txt"
    mine.write_text("not to be touched")
    writer = writer_of(journal, most_days=10)
    writer.close()
    assert [one.session for one in sessions_in(folder_of(journal)) if one.size] == ["2026-11-15-1"]
    assert mine.read_text() == "not to be touched"
    for name in ("notes of mine", "2026-10-25-0", "2026-10-25-01"):  # names of no session
        assert (folder_of(journal) / name).is_dir()
    (line,) = writer.take_notes()
    assert line.startswith("kept sound of session 2026-10-25-1 to 2026-11-14-9 deleted (")
    assert line.endswith("it was older than 10 days")


def test_without_a_limit_of_days_nothing_is_too_old(journal):
    older(journal, "1999-01-01-1")
    found = sessions_in(folder_of(journal))
    assert too_old(found, DAY, 0) == []
    assert too_old(found, DAY, 1) == found
    assert too_much(found, 0, {"1999-01-01-1"}) == []


def test_a_half_written_file_is_counted_and_deleted_with_its_session(journal):
    older(journal, "2026-10-25-1")
    half = folder_of(journal) / "2026-10-25-1" / f"{file_name(9, sound(9).sound)}.part"
    half.write_bytes(b"x" * 100)
    (found,) = sessions_in(folder_of(journal))
    assert half in found.files
    writer = writer_of(journal, most_days=10)
    writer.close()
    assert sessions_in(folder_of(journal)) == []
