"""The session journal: what is committed stays, and a journal that can't be used is refused in one line."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.errors import JournalError
from oscservice.record.database import SCHEMA
from oscservice.record.event_chain import utc_text
from oscservice.record.journal import Journal, default_path

NOW = datetime(2026, 11, 25, 10, 30, tzinfo=timezone(timedelta(hours=1)))
AT = utc_text(NOW)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "deep" / "folder" / "journal.sqlite3"


def one_line(error: pytest.ExceptionInfo[JournalError]) -> str:
    text = str(error.value)
    assert "\n" not in text
    return text


def test_events_come_back_in_order_numbered_from_1(path: Path) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "Ana's bass", NOW)
        assert journal.append(session, [("begun", {"label": "Ä"}), ("read", {"hz": 82.41})], AT) == 2
        assert journal.append(session, [], AT) == 2
        assert journal.append(session, [("read", {"places": [1, 2]})], "later") == 3
    with Journal.open(path, readonly=True) as journal:
        assert journal.events(session) == [
            (1, AT, "begun", {"label": "Ä"}),
            (2, AT, "read", {"hz": 82.41}),
            (3, "later", "read", {"places": [1, 2]}),
        ]


def test_sessions_are_named_by_day_and_listed_newest_first(path: Path) -> None:
    with Journal.open(path) as journal:
        first = journal.new_session("plank", "first", NOW)
        second = journal.new_session("plank", "second", NOW)
        third = journal.new_session("plank", "third", NOW + timedelta(days=1))
        assert (first, second, third) == ("2026-11-25-1", "2026-11-25-2", "2026-11-26-1")
        journal.append(second, [("read", {}), ("read", {})], AT)
        journal.seal(second, AT)
        assert [row.id for row in journal.sessions()] == [third, second, first]
        assert [row.id for row in journal.open_sessions()] == [third, first]
        row = journal.sessions()[1]
        assert (row.instrument, row.label, row.started_utc) == ("plank", "second", "2026-11-25T09:30:00.000+00:00")
        assert (row.closed, row.closed_utc, row.events) == (True, AT, 2)


def test_each_commit_is_flushed_to_the_disk(path: Path) -> None:
    with Journal.open(path) as journal:
        database = journal._database
        assert database.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert database.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
        assert database.execute("PRAGMA user_version").fetchone() == (SCHEMA,)


@settings(max_examples=40, deadline=None)
@given(
    bodies=st.lists(
        st.dictionaries(st.text(), st.floats(allow_nan=False, allow_infinity=False) | st.text() | st.integers()),
        min_size=1,
        max_size=4,
    )
)
def test_bodies_come_back_the_same_to_the_last_bit(bodies: list[dict[str, object]]) -> None:
    with tempfile.TemporaryDirectory() as folder, Journal.open(Path(folder) / "j") as journal:
        session = journal.new_session("plank", "", NOW)
        journal.append(session, [("x", body) for body in bodies], AT)
        back = [body for *_, body in journal.events(session)]
        assert back == bodies
        assert repr(back) == repr(bodies)  # -0.0 == 0.0, but they are not the same


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_an_event_that_is_not_finite_is_refused_and_none_of_its_batch_is_kept(path: Path, bad: float) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "", NOW)
        with pytest.raises(ValueError, match="'read' can't be recorded"):
            journal.append(session, [("begun", {}), ("read", {"hz": bad})], AT)
        assert journal.events(session) == []


def test_a_batch_that_fails_halfway_leaves_nothing_behind(path: Path) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "", NOW)
        with pytest.raises(JournalError, match="NOT NULL"):
            journal.append(session, [("begun", {}), (None, {})], AT)  # type: ignore[list-item]
        assert journal.append(session, [("begun", {})], AT) == 1


def test_a_label_with_a_stray_byte_is_kept_readable(path: Path) -> None:
    with Journal.open(path) as journal:
        journal.new_session("plank", os.fsdecode(b"caf\xe9"), NOW)
        assert journal.sessions()[0].label == "caf\\udce9"


def test_a_closed_session_takes_no_more_events(path: Path) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "", NOW)
        journal.append(session, [("begun", {})], AT)
        journal.seal(session, AT)
        for again in (lambda: journal.append(session, [("read", {})], AT), lambda: journal.seal(session, AT)):
            with pytest.raises(JournalError, match="is closed") as error:
                again()
            one_line(error)
        assert len(journal.events(session)) == 1


@pytest.mark.parametrize("name", ["2026-11-25-9", "", "../../x", "a\nb"])
def test_an_unknown_session_is_refused(path: Path, name: str) -> None:
    with Journal.open(path) as journal:
        for act in (lambda: journal.events(name), lambda: journal.append(name, [("x", {})], AT)):
            with pytest.raises(JournalError, match="there is no session") as error:
                act()
            one_line(error)
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_a_time_without_a_zone_is_refused(path: Path) -> None:
    with Journal.open(path) as journal, pytest.raises(ValueError, match="without a zone"):
        journal.new_session("plank", "", datetime(2026, 11, 25))
    assert utc_text(datetime(2026, 1, 2, tzinfo=UTC)) == "2026-01-02T00:00:00.000+00:00"


# --- one session, one process ---


def test_a_session_is_written_by_one_journal_at_a_time(path: Path) -> None:
    with Journal.open(path) as first, Journal.open(path) as second:
        session = first.new_session("plank", "", NOW)
        with pytest.raises(
            JournalError, match=rf"session {session} is open in another oscservice \(pid {os.getpid()}\)"
        ):
            second.append(session, [("read", {})], AT)
        other = second.new_session("plank", "", NOW)  # another session in the same file is free
        assert first.append(session, [("read", {})], AT) == second.append(other, [("read", {})], AT) == 1
        first.release(session)
        assert second.append(session, [("read", {})], AT) == 2
        with pytest.raises(JournalError, match="is open in another"):
            first.claim(session)
    assert not list(path.parent.glob("*.lock"))


CHILD = """
import sys
from datetime import UTC, datetime
from oscservice.record.journal import Journal
journal = Journal.open(sys.argv[1])
session = journal.new_session("plank", "", datetime.now(UTC))
print(session, flush=True)
while True:
    print(journal.append(session, [("read", {"hz": 82.4}), ("read", {"hz": 110.0})], "now"), flush=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize("lines", [1, 2, 3, 17, 50])
def test_a_killed_process_loses_nothing_it_announced_and_its_lock_ends(path: Path, lines: int) -> None:
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    session = child.stdout.readline().strip()
    told = [child.stdout.readline() for _ in range(lines)]
    with Journal.open(path) as journal, pytest.raises(JournalError, match=rf"\(pid {child.pid}\)"):
        journal.claim(session)
    child.send_signal(signal.SIGKILL)
    told += child.stdout.readlines()
    child.stdout.close()
    child.wait()
    last = max(int(line) for line in told if line.endswith("\n"))
    with Journal.open(path) as journal:
        kept = [seq for seq, *_ in journal.events(session)]
        assert kept == list(range(1, len(kept) + 1))
        assert len(kept) >= last
        assert len(kept) % 2 == 0  # no half of a transaction
        assert [row.id for row in journal.open_sessions()] == [session]
        assert journal.append(session, [("resumed", {})], AT) == len(kept) + 1


OPENER = """
import sys
from datetime import UTC, datetime
from oscservice.record.journal import Journal
sys.stdin.readline()
with Journal.open(sys.argv[1]) as journal:
    session = journal.new_session("plank", "", datetime(2026, 11, 25, tzinfo=UTC))
    for _ in range(10):
        journal.append(session, [("read", {})], "now")
    print(session)
"""


@pytest.mark.slow
def test_processes_may_make_and_fill_a_journal_together(path: Path) -> None:
    children = [
        subprocess.Popen(
            [sys.executable, "-c", OPENER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for _ in range(4)
    ]
    for child in children:
        assert child.stdin is not None
        child.stdin.write("go\n")
        child.stdin.flush()
    names = {child.communicate()[0].strip() for child in children}
    assert names == {f"2026-11-25-{number}" for number in range(1, 5)}
    with Journal.open(path, readonly=True) as journal:
        assert {row.id: row.events for row in journal.sessions()} == dict.fromkeys(names, 10)


# --- a journal that can't be used ---


def test_a_journal_of_a_newer_version_is_refused_naming_both(path: Path) -> None:
    Journal.open(path).close()
    with sqlite3.connect(path) as database:
        database.execute("PRAGMA user_version = 99")
    database.close()
    with pytest.raises(JournalError, match=rf"schema 99.* up to {SCHEMA}") as error:
        Journal.open(path)
    assert str(path) in one_line(error)


def test_another_programs_database_is_refused_and_not_changed(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE cats (name TEXT)")
    database.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="not a session journal") as error:
        Journal.open(path)
    one_line(error)
    assert path.read_bytes() == before


@pytest.mark.parametrize("readonly", [False, True])
def test_a_file_that_is_no_database_is_refused_and_not_changed(tmp_path: Path, readonly: bool) -> None:
    path = tmp_path / "journal.sqlite3"
    path.write_bytes(b"my shopping list\n" * 500)
    with pytest.raises(JournalError, match="is damaged") as error:
        Journal.open(path, readonly)
    assert str(path) in one_line(error)
    assert path.read_bytes() == b"my shopping list\n" * 500


def test_a_journal_damaged_in_the_middle_is_refused(path: Path) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "", NOW)
        journal.append(session, [("read", {"hz": float(n)}) for n in range(2000)], AT)
    data = bytearray(path.read_bytes())
    assert len(data) > 40_000
    data[20_000:30_000] = b"\xa5" * 10_000
    path.write_bytes(data)
    with pytest.raises(JournalError, match="is damaged") as error:
        Journal.open(path)
    one_line(error)


def test_events_that_went_missing_are_noticed(path: Path) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "", NOW)
        journal.append(session, [("read", {})] * 3, AT)
    with sqlite3.connect(path) as database:
        database.execute("DELETE FROM events WHERE seq = 2")
    database.close()
    with Journal.open(path) as journal, pytest.raises(JournalError, match="are missing"):
        journal.events(session)


def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a file, not a folder")
    for place in (tmp_path / "file" / "journal.sqlite3", tmp_path, Path("/proc/journal.sqlite3")):
        with pytest.raises(JournalError, match="journal") as error:
            Journal.open(place)
        assert str(place) in one_line(error)


def test_reading_only_makes_nothing_and_writes_nothing(path: Path) -> None:
    with pytest.raises(JournalError, match="there is no journal"):
        Journal.open(path, readonly=True)
    assert not path.parent.exists()
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "", NOW)
    with Journal.open(path, readonly=True) as journal:
        for act in (
            lambda: journal.append(session, [("read", {})], AT),
            lambda: journal.new_session("plank", "", NOW),
            lambda: journal.seal(session, AT),
        ):
            with pytest.raises(JournalError, match="reading only"):
                act()


def test_the_default_place_is_in_the_users_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_path() == tmp_path / "oscservice" / "journal.sqlite3"
    Journal.open().close()
    assert default_path().is_file()
