"""A damaged journal is put aside and built again from the sessions' files, with every event that was committed."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from oscservice.errors import JournalDamagedError, JournalError, JournalUnavailableError
from oscservice.record.event_chain import Record, edited
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.record.session_files import SessionFiles, lines
from oscservice.record.session_lock import SessionLock

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
AT = "2026-11-25T09:30:00.250+00:00"
PAGE = 4096
SEALED, OPEN = "2026-11-25-1", "2026-11-25-2"

Events = dict[str, list[dict[str, Any]]]


def bodies(seed: int) -> list[dict[str, Any]]:
    """Return the bodies of a session's events: most are short, some are longer than a page."""
    draw = random.Random(seed)
    sizes = [9000, *(draw.choice([10, 40, 200, 1500]) for _ in range(59))]
    texts = [draw.randbytes(size // 2).hex() for size in sizes]
    return [{"n": n, "hz": draw.uniform(40, 400), "text": text} for n, text in enumerate(texts)]


WRITTEN: Events = {SEALED: bodies(1), OPEN: bodies(2)}


def fill(path: Path, crash: bool = False) -> Path:
    """Write two sessions, the first one sealed; with `crash` the files are as a killed process leaves them."""
    place = path if not crash else path.with_name("live")
    with Journal.open(place) as journal:
        for number, (session, written) in enumerate(WRITTEN.items(), 1):
            assert journal.new_session("plank", f"label {number}", NOW) == session
            for at in range(0, 60, 5):
                journal.append(session, [("read", body) for body in written[at : at + 5]], AT)
            if session == SEALED:
                journal.seal(session, AT)
        if crash:
            for end in ("", "-wal"):
                shutil.copy(f"{place}{end}", f"{path}{end}")
            shutil.copytree(f"{place}.sessions", f"{path}.sessions")
    if crash:
        place.unlink()
        shutil.rmtree(f"{place}.sessions")
    return path


def events_in(journal: Journal) -> Events:
    found = {}
    for row in journal.sessions():
        with contextlib.suppress(JournalError):
            found[row.id] = [body for *_, body in journal.events(row.id)]
    return found


def record_of(path: Path, session: str) -> Record:
    with Journal.open(path, readonly=True) as journal:
        return journal.record(session)


def overwrite(path: Path, start: int, content: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(start)
        file.write(content)


def change(path: Path, statement: str, *values: Any) -> None:
    with sqlite3.connect(path) as database:
        database.execute(statement, values)
    database.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


@pytest.fixture
def filled(path: Path) -> Path:
    return fill(path)


# --- the files ---


@pytest.mark.parametrize("crash", [False, True])
def test_a_sound_journal_is_not_changed_by_opening(path: Path, crash: bool) -> None:
    fill(path, crash)
    with Journal.open_repaired(path) as journal:
        assert journal.notes == []
        assert events_in(journal) == WRITTEN
    assert not list(path.parent.glob("*.damaged*"))
    assert sorted(file.name for file in SessionFiles(path).folder.iterdir()) == [
        f"{SEALED}.jsonl",
        f"{OPEN}.open.jsonl",
    ]


def test_the_file_of_a_closed_session_equals_its_export(filled: Path) -> None:
    with Journal.open(filled, readonly=True) as journal:
        exported = "".join(f"{line}\n" for line in lines(journal.record(SEALED)))
        assert (journal.files.folder / f"{SEALED}.jsonl").read_text() == exported
        assert journal.files.read(SEALED) == journal.record(SEALED)
        same = journal.files.read(OPEN)
        assert same == journal.record(OPEN)


def test_the_file_of_an_open_session_has_each_event_when_append_returns(path: Path) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "label", NOW)
        for n in range(1, 20):
            journal.append(session, [("read", {"n": n})], AT)
            assert SessionFiles(path).read(session) == journal.record(session)


def test_only_the_owner_can_read_the_files(filled: Path) -> None:
    folder = SessionFiles(filled).folder
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(file.stat().st_mode) for file in folder.iterdir()} == {0o600}


@pytest.mark.parametrize("name", ["../../x", "2026-11-25-1/../x", "/etc/passwd", "2026-11-25-0", "", "x\0"])
def test_an_impossible_session_name_is_not_used_in_a_path(filled: Path, name: str) -> None:
    files = SessionFiles(filled)
    record = record_of(filled, OPEN)
    before = sorted(filled.parent.rglob("*"))
    assert (files.has(name), files.read(name)) == (False, None)
    with pytest.raises(ValueError, match="no name"):
        files.write(Record(replace(record.session, id=name), record.events))
    assert sorted(filled.parent.rglob("*")) == before


def test_missing_session_files_are_written_from_the_journal(filled: Path) -> None:
    shutil.rmtree(SessionFiles(filled).folder)
    with Journal.open_repaired(filled) as journal:
        assert journal.notes == []
        assert events_in(journal) == WRITTEN
    filled.write_bytes(b"")
    with Journal.open_repaired(filled) as journal:
        assert events_in(journal) == WRITTEN
        assert [edited(journal.record(name)) for name in WRITTEN] == [None, None]


def test_files_of_closed_sessions_are_not_read_if_the_journal_is_sound(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Journal.open(path) as journal:
        for n in range(30):
            session = journal.new_session("plank", str(n), NOW)
            journal.append(session, [("read", {"n": n})], AT)
            if n < 28:
                journal.seal(session, AT)
    read: list[str] = []
    real = SessionFiles.read

    def counting(self: SessionFiles, session_id: str) -> Record | None:
        read.append(session_id)
        return real(self, session_id)

    monkeypatch.setattr(SessionFiles, "read", counting)
    with Journal.open_repaired(path) as journal:
        assert len(journal.sessions()) == 30
    assert sorted(read) == ["2026-11-25-29", "2026-11-25-30"]


def test_imported_sessions_have_files_and_new_names_are_free_in_journal_and_files(filled: Path) -> None:
    record = record_of(filled, SEALED)
    filled.unlink()
    with Journal.open(filled) as journal:  # without repairing: the names in the folder are taken
        assert journal.new_session("plank", "another", NOW) == "2026-11-25-3"
    with Journal.open_repaired(filled) as journal:
        assert journal.import_session(record).how == "here already"
        assert {row.id: row.label for row in journal.sessions()} == {
            SEALED: "label 1",
            OPEN: "label 2",
            "2026-11-25-3": "another",
        }
        assert sorted(journal.files.list()) == [SEALED, OPEN, "2026-11-25-3"]


# --- journal and files are brought to the same ---


@pytest.mark.parametrize("events", [0, 1, 30, 59])
@pytest.mark.parametrize("session", [SEALED, OPEN])
def test_a_file_that_lacks_events_is_completed(filled: Path, session: str, events: int) -> None:
    files = SessionFiles(filled)
    (file,) = files.folder.glob(f"{session}.*")
    first, *rest = file.read_text().splitlines(keepends=True)
    first = first.replace('"events": 60', '"events": 0')
    file.unlink()
    (files.folder / f"{session}.open.jsonl").write_text("".join([first, *rest[:events]]))
    with Journal.open_repaired(filled) as journal:
        assert journal.notes == []
        assert events_in(journal) == WRITTEN
        assert files.read(session) == journal.record(session)
    assert len(list(files.folder.iterdir())) == 2


@pytest.mark.parametrize("events", [0, 1, 30, 59])
@pytest.mark.parametrize("session", [SEALED, OPEN])
def test_events_that_the_journal_has_lost_are_restored(filled: Path, session: str, events: int) -> None:
    before = record_of(filled, session)
    change(filled, "DELETE FROM events WHERE session = ? AND seq > ?", session, events)
    change(filled, "UPDATE sessions SET closed_utc = NULL, seal = NULL WHERE id = ?", session)
    with Journal.open_repaired(filled) as journal:
        (note,) = journal.notes
        assert f"session {session}: {60 - events} of 60 events were lost or damaged and are restored" in note
        assert events_in(journal) == WRITTEN
        assert journal.record(session) == before
    assert not list(filled.parent.glob("*.damaged*")), "nothing was replaced"


@pytest.mark.parametrize(
    ("session", "statement"),
    [
        (OPEN, "UPDATE events SET body = 'x' WHERE session = ? AND seq = 31"),
        (OPEN, "UPDATE events SET body = replace(body, '\"n\":41', '\"n\":42') WHERE session = ?"),
        (OPEN, "UPDATE events SET kind = x'00ff' WHERE session = ? AND seq = 1"),
        (OPEN, "UPDATE events SET hash = '' WHERE session = ? AND seq = 1"),
        (OPEN, "DELETE FROM events WHERE session = ? AND seq = 11"),
        (OPEN, "DELETE FROM events WHERE session = ?"),
        (OPEN, "UPDATE sessions SET origin = '2026-11-25-9' WHERE id = ?"),
        (OPEN, "UPDATE sessions SET origin = x'00' WHERE id = ?"),
        (OPEN, "UPDATE sessions SET started_utc = 'x' WHERE id = ?"),
        (OPEN, "UPDATE sessions SET label = x'00ff' WHERE id = ?"),
        (OPEN, "UPDATE sessions SET closed_utc = x'00ff' WHERE id = ?"),
        (OPEN, "UPDATE sessions SET closed_utc = 'x', seal = 'y' WHERE id = ?"),
        (SEALED, "UPDATE events SET body = 'x' WHERE session = ? AND seq = 31"),
        (SEALED, "DELETE FROM events WHERE session = ? AND seq = 11"),
        (SEALED, "UPDATE sessions SET closed_utc = NULL WHERE id = ?"),
        (SEALED, "UPDATE sessions SET closed_utc = NULL, label = 'y' WHERE id = ?"),
    ],
)
def test_damage_that_sqlite_does_not_see_is_repaired(filled: Path, session: str, statement: str) -> None:
    before = {name: record_of(filled, name) for name in WRITTEN}
    change(filled, statement, session)
    with Recorder.open(filled) as recorder:
        (note,) = recorder.take_notes()
        assert f"session {session}: " in note
        assert "restored from its file" in note
        recorder.claim(OPEN)
        assert recorder.append(OPEN, [("read", {"after": 1})], AT) == 61
    with Journal.open(filled, readonly=True) as journal:
        assert journal.record(SEALED) == before[SEALED]
        assert journal.record(OPEN).events[:60] == before[OPEN].events
        assert edited(journal.record(OPEN)) is None
        assert all(journal.files.difference(journal.record(name)) == "" for name in WRITTEN)


@pytest.mark.parametrize(
    ("statement", "last"),
    [
        ("UPDATE events SET body = 'x' WHERE session = ? AND seq = 31", 30),
        ("UPDATE events SET body = replace(body, '\"n\":41', '\"n\":42') WHERE session = ?", 41),
        ("DELETE FROM events WHERE session = ? AND seq = 11", 10),
        ("UPDATE events SET kind = x'00ff' WHERE session = ? AND seq = 1", 0),
    ],
)
def test_an_open_session_without_its_file_is_cut_after_its_last_good_event(
    filled: Path, statement: str, last: int
) -> None:
    shutil.rmtree(SessionFiles(filled).folder)
    change(filled, statement, OPEN)
    with Recorder.open(filled) as recorder:
        recorder.claim(OPEN)
        (note,) = recorder.take_notes()
        assert f"session {OPEN} was cut after event {last}" in note
        assert [body for *_, body in recorder.events(OPEN)] == WRITTEN[OPEN][:last]
        assert recorder.append(OPEN, [("read", {"after": 1})], AT) == last + 1
    with Journal.open(filled, readonly=True) as journal:
        record = journal.record(OPEN)
        assert (len(record.events), edited(record)) == (last + 1, None)
        assert record.session.cut
        assert journal.files.read(OPEN) == record
        assert events_in(journal)[SEALED] == WRITTEN[SEALED]
    (kept,) = filled.parent.glob("*.damaged-*")
    with Journal.open(kept, readonly=True) as journal:
        assert len(journal.record(OPEN).events) >= last


def test_an_edited_sealed_session_and_its_file_are_not_changed(filled: Path) -> None:
    before = record_of(filled, SEALED)
    change(filled, "UPDATE events SET body = '{\"n\":42}' WHERE session = ? AND seq = 31", SEALED)
    with Journal.open_repaired(filled) as journal:
        assert journal.notes == []
        fault = edited(journal.record(SEALED))
        assert fault is not None
        assert fault.seq == 31
        assert journal.files.read(SEALED) == before
        assert journal.files.difference(journal.record(SEALED)) == "event 31 is not the same"


def test_a_file_of_another_session_with_the_same_name_is_put_aside(filled: Path) -> None:
    files = SessionFiles(filled)
    file = files.folder / f"{OPEN}.open.jsonl"
    others = b'{"format": "oscservice-session"}\nrubbish\n'
    for content in (others, (files.folder / f"{SEALED}.jsonl").read_bytes().replace(SEALED.encode(), OPEN.encode())):
        file.write_bytes(content)
        with Journal.open_repaired(filled) as journal:
            assert journal.notes == []
            assert files.read(OPEN) == journal.record(OPEN)


def test_a_file_is_written_again_once_the_disk_has_space(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Journal.open(path) as journal:
        first, second = (journal.new_session("plank", "", NOW) for _ in range(2))
        with monkeypatch.context() as patched:

            def full(descriptor: int) -> None:
                raise OSError(28, "No space left on device")

            patched.setattr(os, "fsync", full)
            for n in range(3):
                assert journal.append(first, [("read", {"n": n})], AT) == n + 1
            journal.append(second, [("read", {})], AT)
            journal.seal(second, AT)
        (note,) = journal.notes
        assert note.endswith("No space left on device")
        assert "\n" not in note
        assert journal.append(first, [("read", {"n": 3})], AT) == 4
        assert journal.notes[1:] == [f"the copy in {journal.files.folder} is written again"]
        assert [journal.files.read(name) for name in (first, second)] == [
            journal.record(name) for name in (first, second)
        ]


# --- damage, anywhere ---


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("sound") / "journal.sqlite3")


@pytest.fixture(scope="module")
def crashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("crashed") / "journal.sqlite3", crash=True)


@contextlib.contextmanager
def copy_of(path: Path) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "journals"
        shutil.copytree(path.parent, place)
        yield place / path.name


def check_nothing_is_lost(path: Path) -> bool:
    """Start as a daemon does, and check that every event is there. Return False if the file is refused in one line."""
    before = path.read_bytes()
    try:
        recorder = Recorder.open(path)
    except JournalError as error:
        complaint = str(error)
    else:
        complaint = recorder.fault
        with recorder:
            for row in recorder.open_sessions():
                recorder.claim(row.id)
                recorder.release(row.id)
    if complaint:
        assert "\n" not in complaint
        assert path.read_bytes() == before, "a refused file is not changed"
        return False
    with Journal.open(path, readonly=True) as journal:
        assert sorted(row.id for row in journal.sessions()) == sorted(WRITTEN)
        for session, wanted in WRITTEN.items():
            record = journal.record(session)
            if edited(record) is not None:
                assert session == SEALED, "an edit of a sealed session is left"
                copy = journal.files.read(session)
                assert copy is not None
                assert edited(copy) is None
                record = copy
            assert [row.kind for row in record.events] == ["read"] * 60
            assert [json.loads(row.body) for row in record.events] == wanted
            assert record.session.cut == ""
            assert record.session.closed == (session == SEALED)
    return True


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    place=st.one_of(st.integers(0, 99), st.integers(0, 10**6)),
    length=st.sampled_from([1, 1, 2, 30, 500, 5000, 10**7]),
    flips=st.tuples(*[st.integers(1, 255)] * 4),
)
@example(place=0, length=10**7, flips=(1, 1, 1, 1))
@example(place=100, length=10**7, flips=(1, 1, 1, 1))
@example(place=4049, length=30, flips=(1, 1, 1, 128))
def test_bytes_changed_anywhere_lose_nothing(sound: Path, place: int, length: int, flips: tuple[int, ...]) -> None:
    with copy_of(sound) as path:
        content = bytearray(path.read_bytes())
        start = place % len(content)
        end = min(start + length, len(content))
        for at in range(start, end):
            content[at] ^= flips[at - start] if at < start + len(flips) else 0x5A
        path.write_bytes(content)
        if not check_nothing_is_lost(path):
            assert start < 72, "only the file's own numbers say that it is another program's, or a newer one"


@pytest.mark.parametrize("page", range(12))
def test_a_page_of_zeros_loses_nothing(filled: Path, page: int) -> None:
    overwrite(filled, page * filled.stat().st_size // PAGE // 12 * PAGE, bytes(PAGE))
    assert check_nothing_is_lost(filled)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kept=st.integers(0, 10**6))
@example(kept=0)
@example(kept=1)
@example(kept=PAGE)
def test_a_file_cut_short_anywhere_loses_nothing(sound: Path, kept: int) -> None:
    with copy_of(sound) as path:
        path.write_bytes(path.read_bytes()[: kept % sound.stat().st_size])
        assert check_nothing_is_lost(path)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(share=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
@example(share=0.0, flip=1)
@example(share=1e-5, flip=255)
def test_a_byte_changed_in_the_log_loses_nothing(crashed: Path, share: float, flip: int) -> None:
    with copy_of(crashed) as path:
        log = Path(f"{path}-wal")
        data = log.read_bytes()
        assert len(data) > 100_000, "much of it is in the log only"
        at = int(share * len(data))
        overwrite(log, at, bytes([data[at] ^ flip]))
        assert check_nothing_is_lost(path)


@pytest.mark.parametrize("gone", [("",), ("-wal",), ("", "-wal")])
@pytest.mark.parametrize("empty", [False, True])
def test_the_database_or_its_log_deleted_or_emptied_loses_nothing(
    crashed: Path, gone: tuple[str, ...], empty: bool
) -> None:
    with copy_of(crashed) as path:
        for end in gone:
            Path(f"{path}{end}").unlink()
            if empty:
                Path(f"{path}{end}").touch()
        if not path.exists():
            Recorder.open(path).close()
        assert check_nothing_is_lost(path)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(0, 10**6), flip=st.integers(1, 255), session=st.sampled_from([SEALED, OPEN]))
def test_a_damaged_session_file_is_used_up_to_the_damage(sound: Path, place: int, flip: int, session: str) -> None:
    with copy_of(sound) as path:
        path.write_bytes(b"\xff" * 50_000)
        (file,) = SessionFiles(path).folder.glob(f"{session}.*")
        data = file.read_bytes()
        place %= len(data)
        before = data[:place].count(b"\n")
        overwrite(file, place, bytes([data[place] ^ flip]))
        damaged = file.read_bytes()
        with Recorder.open(path) as recorder:
            notes = recorder.take_notes()
        with Journal.open(path, readonly=True) as journal:
            found = events_in(journal)
            if before == 0 and session not in found:
                assert any(session in note for note in notes)
                assert file.read_bytes() == damaged
                return
            have = found[session]
            assert have == WRITTEN[session][: len(have)]
            assert len(have) >= before - 1
            if len(have) < 60:
                assert journal.record(session).session.cut
                assert f"session {session} ends after event {len(have)}" in notes[0]


@pytest.mark.parametrize("left", [0, 1, 50, -2, -1])
def test_a_torn_last_line_is_dropped(filled: Path, left: int) -> None:
    file = SessionFiles(filled).folder / f"{OPEN}.open.jsonl"
    *rest, last = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join([*rest, last[:left]]))
    filled.write_bytes(b"")
    with Journal.open_repaired(filled) as journal:
        assert events_in(journal) == {SEALED: WRITTEN[SEALED], OPEN: WRITTEN[OPEN][:59]}
        assert journal.record(OPEN).session.cut == ""
        assert journal.append(OPEN, [("read", {"after": 1})], AT) == 60
        assert journal.files.read(OPEN) == journal.record(OPEN)


def test_a_damaged_journal_without_files_is_refused_and_not_changed(path: Path) -> None:
    for make in (lambda: path.write_bytes(b"my shopping list of 2026-11-25-1\n" * 500), lambda: old_and_damaged(path)):
        make()
        before = path.read_bytes()
        with pytest.raises(JournalDamagedError):
            Recorder.open(path)
        assert path.read_bytes() == before
        assert [file.name for file in path.parent.iterdir()] == [path.name]
        path.unlink()


def old_and_damaged(path: Path) -> None:
    fill(path)
    shutil.rmtree(SessionFiles(path).folder)
    overwrite(path, 0, b"\xff" * 100)


# --- messages, kept files and locks ---


def test_a_recovery_is_reported_in_one_line_and_the_damaged_file_kept(filled: Path) -> None:
    overwrite(filled, PAGE * 3, bytes(PAGE * 3))
    damaged = filled.read_bytes()
    with Recorder.open(filled) as recorder:
        (note,) = recorder.take_notes()
    assert "\n" not in note
    assert "the journal was damaged and is recovered: 120 events of 2 sessions" in note
    (kept,) = filled.parent.glob("*.damaged-*")
    assert str(kept) in note
    assert kept.read_bytes() == damaged
    with Journal.open(filled) as journal:
        assert events_in(journal) == WRITTEN
        assert [edited(journal.record(name)) for name in WRITTEN] == [None, None]


@pytest.mark.parametrize("calls", range(1, 7))
@pytest.mark.parametrize("step", ["replace", "fsync"])
def test_an_interrupted_recovery_loses_nothing(
    path: Path, step: str, calls: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(path, crash=True)
    overwrite(path, 100, bytes(path.stat().st_size - 100))
    log = Path(f"{path}-wal")
    overwrite(log, 0, b"\xff" * log.stat().st_size)
    (SessionFiles(path).folder / f"{SEALED}.jsonl").rename(SessionFiles(path).folder / f"{SEALED}.open.jsonl")
    real: Callable[..., Any] = getattr(os, step)
    left = calls

    def dies(*arguments: Any) -> Any:
        nonlocal left
        left -= 1
        if left == 0:
            raise KeyboardInterrupt
        return real(*arguments)

    with monkeypatch.context() as patched:
        patched.setattr(os, step, dies)
        with contextlib.suppress(KeyboardInterrupt):
            Recorder.open(path).close()
    assert check_nothing_is_lost(path)


def test_one_process_recovers_at_a_time(filled: Path) -> None:
    filled.write_bytes(filled.read_bytes()[:-PAGE])
    lock = SessionLock(filled, "recovery")
    with pytest.raises(JournalUnavailableError, match="being recovered"):
        Journal.open_repaired(filled, 0.1)
    with Recorder.open(filled) as recorder:
        assert "being recovered" in recorder.fault
        lock.release()
        recorder.try_again()
        assert recorder.fault == ""
        assert len(recorder.open_sessions()) == 1


def test_a_session_locked_by_another_process_is_not_recovered(path: Path) -> None:
    with Journal.open(path) as first:
        mine = first.new_session("plank", "mine", NOW)
        first.append(mine, [("read", {"n": 1})], AT)
        path.unlink()
        Path(f"{path}-wal").unlink()
        with Journal.open_repaired(path) as second:
            assert second.sessions() == []
            assert second.new_session("plank", "another", NOW) == "2026-11-25-2"
    with Journal.open_repaired(path) as journal:
        assert {row.label for row in journal.sessions()} == {"mine", "another"}
