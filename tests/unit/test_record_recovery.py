"""A damaged journal comes back up to the last good event of each session, and the damaged file is kept."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from oscservice.errors import JournalDamagedError, JournalError, JournalUnavailableError
from oscservice.record import recovery, wal
from oscservice.record.event_chain import edited
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.record.recovery import open_recovering, salvage
from oscservice.record.session_lock import SessionLock

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
AT = "2026-11-25T09:30:00.250+00:00"
PAGE = 4096

Events = dict[str, list[dict[str, Any]]]


def bodies(seed: int) -> list[dict[str, Any]]:
    """Events as a session has them: most of them short, some longer than a page."""
    draw = random.Random(seed)
    sizes = [9000, *(draw.choice([10, 40, 200, 1500]) for _ in range(59))]
    texts = [draw.randbytes(size // 2).hex() for size in sizes]
    return [{"n": n, "hz": draw.uniform(40, 400), "text": text} for n, text in enumerate(texts)]


def fill(path: Path, crash: bool = False) -> Events:
    """Two sessions, the first one sealed; with `crash` the file is left as a killed process leaves it."""
    place = path if not crash else path.with_name("live")
    written: Events = {}
    with Journal.open(place) as journal:
        for seed in (1, 2):
            session = journal.new_session("plank", f"label {seed}", NOW)
            written[session] = bodies(seed)
            for at in range(0, 60, 5):
                journal.append(session, [("read", body) for body in written[session][at : at + 5]], AT)
            if seed == 1:
                journal.seal(session, AT)
        if crash:
            for end in ("", "-wal"):
                shutil.copy(f"{place}{end}", f"{path}{end}")
    return written


def got(journal: Journal) -> Events:
    found = {}
    for row in journal.sessions():
        with contextlib.suppress(JournalError):
            found[row.id] = [body for *_, body in journal.events(row.id)]
    return found


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


# --- the file is left alone where there is nothing to do ---


@pytest.mark.parametrize("crash", [False, True])
def test_a_sound_journal_is_opened_as_it_is(path: Path, crash: bool) -> None:
    written = fill(path, crash)
    journal, notes = open_recovering(path, 1.0)
    with journal:
        assert notes == []
        assert got(journal) == written
    assert not list(path.parent.glob("*.damaged*"))


def test_what_is_no_journal_is_refused_and_left_alone(path: Path) -> None:
    path.write_bytes(b"my shopping list of 2026-11-25-1\n" * 500)
    with pytest.raises(JournalDamagedError):
        Recorder.open(path)
    assert path.read_bytes() == b"my shopping list of 2026-11-25-1\n" * 500
    assert [file.name for file in path.parent.iterdir()] == [path.name]


# --- everything is found again without SQLite's help ---


@pytest.mark.parametrize("crash", [False, True])
def test_salvage_finds_every_event(path: Path, crash: bool) -> None:
    written = fill(path, crash)
    if crash:
        assert Path(f"{path}-wal").stat().st_size > 100_000, "much of it stands in the log only"
    found = salvage(path)
    assert {record.session.id: len(record.events) for record in found} == dict.fromkeys(written, 60)
    assert [record.session.label for record in found] == ["label 1", "label 2"]
    assert [record.session.closed for record in found] == [True, False]
    assert [edited(record) for record in found] == [None, None]


def test_the_first_schema_is_salvaged_too(path: Path) -> None:
    database = sqlite3.connect(path)
    database.executescript(
        """CREATE TABLE sessions (id TEXT PRIMARY KEY, instrument TEXT NOT NULL, label TEXT NOT NULL,
        started_utc TEXT NOT NULL, closed_utc TEXT,
        closed INTEGER NOT NULL GENERATED ALWAYS AS (closed_utc IS NOT NULL) VIRTUAL);
        CREATE TABLE events (session TEXT NOT NULL REFERENCES sessions (id), seq INTEGER NOT NULL, at_utc TEXT NOT NULL,
        kind TEXT NOT NULL, body TEXT NOT NULL, PRIMARY KEY (session, seq)) WITHOUT ROWID;
        PRAGMA application_id = 1330856753; PRAGMA user_version = 1;
        INSERT INTO sessions (id, instrument, label, started_utc, closed_utc) VALUES
        ('2026-11-25-1', 'plank', 'old', '2026-11-25T09:30:00.000+00:00', '2026-11-25T10:30:00.000+00:00')"""
    )
    for n in range(1, 400):
        database.execute("INSERT INTO events VALUES ('2026-11-25-1', ?, ?, 'read', ?)", (n, AT, f'{{"n":{n}}}'))
    database.commit()
    database.close()
    data = bytearray(path.read_bytes())
    data[0:100] = b"\xff" * 100
    path.write_bytes(data)
    with Recorder.open(path) as recorder:
        assert "399 events of 1 sessions" in recorder.notes[0]
    with Journal.open(path) as journal:
        assert [body["n"] for *_, body in journal.events("2026-11-25-1")] == list(range(1, 400))
        assert edited(journal.record("2026-11-25-1")) is None


# --- damage, anywhere ---


def pages_of(path: Path, written: Events) -> dict[str, list[set[int]]]:
    """Which pages each event stands on, by looking for its text in the file; the file's own structure plays no part."""
    data = path.read_bytes()
    found: dict[str, list[set[int]]] = {}
    with Journal.open(path, readonly=True) as journal:
        for session in written:
            found[session] = []
            for event in journal.record(session).events:
                pieces = [event.body[at : at + 20] for at in range(0, len(event.body) - 19, 20)]
                places = [data.find(piece.encode()) for piece in (event.hash, *pieces)]
                assert places.count(-1) < len(places) // 2, "few pieces lie across the edge of a page"
                # A row that goes on elsewhere names that place at its end here.
                found[session].append({place // PAGE for place in places if place >= 0})
    return found


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Events]:
    path = tmp_path_factory.mktemp("sound") / "journal.sqlite3"
    return path, fill(path)


def recovered(path: Path) -> Events | None:
    """What a daemon has of it when it starts; None when it refuses in one line."""
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
        return None
    with Journal.open(path, readonly=True) as journal:
        return got(journal)


@contextlib.contextmanager
def copy_of(path: Path) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(shutil.copy(path, Path(folder) / "journal.sqlite3"))


def check(found: Events | None, written: Events, good: dict[str, int], left: bytes, path: Path) -> None:
    """No event from before the damage is missing, none is there that was not written."""
    if found is None:
        assert path.read_bytes() == left, "what is refused is left alone"
        return
    for session, wanted in written.items():
        have = found.get(session, [])
        assert have == wanted[: len(have)] or session == "2026-11-25-1", "a sealed record is left, its seal tells"
        assert len(have) >= good[session] or (not have and good[session] == 0), (session, len(have), good)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    place=st.one_of(st.integers(0, 99), st.integers(0, 10**6)),
    length=st.sampled_from([1, 1, 2, 30, 500, 5000]),
    flips=st.tuples(*[st.integers(1, 255)] * 4),
)
def test_bytes_changed_anywhere_lose_nothing_from_before_them(
    sound: tuple[Path, Events], place: int, length: int, flips: tuple[int, ...]
) -> None:
    original, written = sound
    pages = pages_of(original, written)
    with copy_of(original) as path:
        content = bytearray(path.read_bytes())
        start = place % len(content)
        for at in range(start, min(start + length, len(content))):
            content[at] ^= flips[at - start] if at < start + len(flips) else 0x5A
        path.write_bytes(content)
        hit = set(range(start // PAGE, (start + length) // PAGE + 1))
        good = {
            session: next((n for n, places in enumerate(events) if places & hit), len(events))
            for session, events in pages.items()
        }
        check(recovered(path), written, good, bytes(content), path)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kept=st.integers(0, 10**6))
def test_a_file_cut_short_anywhere_loses_nothing_from_before(sound: tuple[Path, Events], kept: int) -> None:
    original, written = sound
    pages = pages_of(original, written)
    with copy_of(original) as path:
        content = path.read_bytes()[: 1 + kept % (len(original.read_bytes()) - 1)]
        path.write_bytes(content)
        hit = set(range(len(content) // PAGE, len(original.read_bytes()) // PAGE + 1))
        good = {
            session: next((n for n, places in enumerate(events) if places & hit), len(events))
            for session, events in pages.items()
        }
        check(recovered(path), written, good, content, path)


@settings(max_examples=40, deadline=None)
@given(share=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_a_byte_changed_in_the_log_is_noticed_and_loses_nothing_from_before(share: float, flip: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite3"
        written = fill(path, crash=True)
        log = Path(f"{path}-wal")
        data = bytearray(log.read_bytes())
        at = int(share * len(data))
        data[at] ^= flip
        log.write_bytes(data)
        found = recovered(path)
        assert found is not None
        frame = (at - wal.HEADER) // (wal.FRAME_HEADER + PAGE)
        for session, wanted in written.items():
            have = found.get(session, [])
            assert have == wanted[: len(have)]
        # Frames are written one transaction after another: what stood in earlier ones is there.
        before = sum(len(have) for have in found.values())
        assert before >= committed_before(data, frame)


def committed_before(log: bytes, frame: int) -> int:
    """How many events an undamaged beginning of the log holds, as SQLite itself reads it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "j"
        path.write_bytes(b"")
        end = wal.HEADER + max(0, frame) * (wal.FRAME_HEADER + PAGE)
        pages: dict[int, bytes] = {}
        whole: dict[int, bytes] = {}
        for at in range(wal.HEADER, end, wal.FRAME_HEADER + PAGE):
            pages[int.from_bytes(log[at : at + 4], "big")] = log[at + wal.FRAME_HEADER : at + wal.FRAME_HEADER + PAGE]
            if log[at + 4 : at + 8] != bytes(4):
                whole = dict(pages)
        if not whole or 1 not in whole:
            return 0
        path.write_bytes(b"".join(whole.get(n, bytes(PAGE)) for n in range(1, max(whole) + 1)))
        database = sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            return int(database.execute("SELECT count(*) FROM events").fetchone()[0])
        except sqlite3.Error:
            return 0
        finally:
            database.close()


def test_the_log_s_checksum_is_sqlite_s(path: Path) -> None:
    """Held against the checksums that SQLite wrote, and against the rule of the format said step by step."""
    fill(path, crash=True)
    log = Path(f"{path}-wal").read_bytes()
    s0 = s1 = 0
    words = np.frombuffer(log[:24], "<u4").tolist()
    for first, second in zip(words[::2], words[1::2], strict=True):
        s0 = (s0 + first + s1) & 0xFFFFFFFF
        s1 = (s1 + second + s0) & 0xFFFFFFFF
    assert (s0, s1) == (int.from_bytes(log[24:28], "big"), int.from_bytes(log[28:32], "big"))
    assert not wal.damaged_log(path)


# --- what is said and kept ---


def test_it_says_so_in_one_line_and_keeps_the_damaged_file(path: Path) -> None:
    written = fill(path)
    data = bytearray(path.read_bytes())
    data[PAGE * 3 : PAGE * 6] = bytes(PAGE * 3)
    path.write_bytes(data)
    with Recorder.open(path) as recorder:
        (note,) = recorder.take_notes()
    assert "\n" not in note
    assert "recovered" in note
    (kept,) = path.parent.glob("*.damaged-*")
    assert str(kept) in note
    assert kept.read_bytes() == bytes(data)
    with Journal.open(path) as journal:
        for row in journal.sessions():
            assert row.events < 60 or row.id in note or not row.cut
            assert (row.cut != "") == (row.events < len(written[row.id]))


@pytest.mark.parametrize(
    ("statement", "last"),
    [
        ("UPDATE events SET body = 'x' WHERE session = ? AND seq = 31", 30),
        ("UPDATE events SET body = replace(body, '\"n\":41', '\"n\":42') WHERE session = ?", 41),
        ("DELETE FROM events WHERE session = ? AND seq = 11", 10),
        ("UPDATE events SET kind = x'00ff' WHERE session = ? AND seq = 1", 0),
    ],
)
def test_an_open_session_is_cut_after_its_last_good_event(path: Path, statement: str, last: int) -> None:
    written = fill(path)
    session = "2026-11-25-2"
    with sqlite3.connect(path) as database:
        database.execute(statement, (session,))
    database.close()
    with Recorder.open(path) as recorder:
        recorder.claim(session)
        (note,) = recorder.take_notes()
        assert f"session {session} was cut after event {last}" in note
        assert [body for *_, body in recorder.events(session)] == written[session][:last]
        assert recorder.append(session, [("read", {"after": 1})], AT) == last + 1
    with Journal.open(path, readonly=True) as journal:
        record = journal.record(session)
        assert (len(record.events), edited(record)) == (last + 1, None)
        assert record.session.cut
        assert got(journal)["2026-11-25-1"] == written["2026-11-25-1"]
    (kept,) = path.parent.glob("*.damaged-*")
    with Journal.open(kept, readonly=True) as journal:
        assert len(journal.record(session).events) >= last


@pytest.mark.parametrize("step", ["link", "replace", "fsync"])
def test_recovering_may_itself_be_interrupted(path: Path, step: str, monkeypatch: pytest.MonkeyPatch) -> None:
    written = fill(path, crash=True)
    log = Path(f"{path}-wal")
    data = bytearray(log.read_bytes())
    data[len(data) // 2] ^= 1
    log.write_bytes(data)
    real: Callable[..., Any] = getattr(os, step)
    calls = 0

    def dies(*arguments: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == (2 if step == "replace" else 1):
            raise KeyboardInterrupt
        return real(*arguments)

    with monkeypatch.context() as patched:
        patched.setattr(recovery.os, step, dies)
        with pytest.raises(KeyboardInterrupt):
            Recorder.open(path)
    found = recovered(path)
    assert found is not None
    assert all(found[session] == written[session][: len(found[session])] for session in found)
    assert sum(map(len, found.values())) > 30


def test_one_process_recovers_at_a_time(path: Path) -> None:
    fill(path)
    path.write_bytes(path.read_bytes()[:-PAGE])
    lock = SessionLock(path, "recovery")
    with pytest.raises(JournalUnavailableError, match="being recovered"):
        open_recovering(path, 0.1)
    with Recorder.open(path) as recorder:
        assert "being recovered" in recorder.fault
        lock.release()
        recorder.try_again()
        assert recorder.fault == ""
        assert len(recorder.open_sessions()) == 1
