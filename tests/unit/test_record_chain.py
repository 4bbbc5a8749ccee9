"""Hashes, seals, and journals from before there were any."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from oscservice.errors import JournalError
from oscservice.record.database import SCHEMA
from oscservice.record.event_chain import edited, first_link, link, seal_of
from oscservice.record.journal import Journal

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
AT = "2026-11-25T09:30:00.250+00:00"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


def change(path: Path, statement: str, *values: object) -> None:
    """Edit the file as with a database browser."""
    with sqlite3.connect(path) as database:
        database.execute(statement, values)
    database.close()


def recorded(path: Path) -> str:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "label", NOW)
        journal.append(session, [("read", {"hz": 82.4}), ("read", {"hz": 110.0})], AT)
        journal.append(session, [("read", {"hz": 146.8})], AT)
        journal.seal(session, AT)
    return session


def found(path: Path, session: str) -> tuple[int, str] | None:
    with Journal.open(path, readonly=True) as journal:
        fault = edited(journal.record(session))
        return None if fault is None else (fault.seq, fault.what)


# --- the hashes, compared with a text written by hand ---


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def test_the_chain_is_as_on_the_reference_page(path: Path) -> None:
    with Journal.open(path) as journal:
        session = journal.new_session("plank", "Ä", NOW)
        journal.append(session, [("read", {"z": 1.5, "a": "ö"})], AT)
        record = journal.record(session)
    start = sha256(f'["oscservice-session-1","{session}"]')
    assert start == first_link(session)
    assert record.events[0].hash == sha256(f'["{start}",1,"{AT}","read",{{"a":"\\u00f6","z":1.5}}]')
    with Journal.open(path) as journal:
        journal.seal(session, AT)
        sealed = journal.record(session).session.seal
    last = record.events[0].hash
    assert sealed == sha256(f'["{last}",1,"plank","\\u00c4","2026-11-25T09:30:00.000+00:00","{AT}"]')


def test_sha_256_of_abc() -> None:
    """NIST FIPS 180-2, appendix B.1 (from memory): the digest of "abc"."""
    assert sha256("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_each_field_counts() -> None:
    start = first_link("2026-11-25-1")
    whole = (start, 1, AT, "read", {"hz": 1.0})
    others = [
        (first_link("2026-11-25-2"), *whole[1:]),
        (start, 2, *whole[2:]),
        (start, 1, "later", "read", {"hz": 1.0}),
        (start, 1, AT, "heard", {"hz": 1.0}),
        (start, 1, AT, "read", {"hz": -1.0}),
        (start, 1, AT, "read", {"hz": 1.0, "x": None}),
    ]
    hashes = {link(*one) for one in (whole, *others)}
    assert len(hashes) == 1 + len(others)
    sealed = ("h", 3, "plank", "label", AT, AT)
    assert seal_of(*sealed) != seal_of("h", 2, "plank", "label", AT, AT)
    with pytest.raises(ValueError, match="JSON"):
        link(start, 1, AT, "read", {"hz": float("nan")})


# --- an edit shows, and where ---


def test_unedited_records_are_as_recorded(path: Path) -> None:
    assert found(path, recorded(path)) is None


@pytest.mark.parametrize(
    ("statement", "place"),
    [
        ("UPDATE events SET body = '{\"hz\":82.5}' WHERE seq = 1", 1),
        ("UPDATE events SET body = '{\"hz\":110.5}' WHERE seq = 2", 2),
        ("UPDATE events SET at_utc = 'later' WHERE seq = 3", 3),
        ("UPDATE events SET kind = 'heard' WHERE seq = 2", 2),
        ("UPDATE events SET hash = '' WHERE seq = 2", 2),
        ("DELETE FROM events WHERE seq = 2", 2),
        ("DELETE FROM events WHERE seq = 3", 3),
        ("DELETE FROM events", 1),
        ("INSERT INTO events SELECT session, 4, at_utc, kind, body, hash FROM events WHERE seq = 3", 4),
        ("UPDATE events SET body = 'x' WHERE seq = 1", 1),
        ("UPDATE sessions SET label = 'another'", 4),
        ("UPDATE sessions SET closed_utc = '2026-11-26T00:00:00.000+00:00'", 4),
        ("UPDATE sessions SET seal = NULL", 4),
        ("UPDATE sessions SET origin = '2026-11-25-2'", 1),
    ],
)
def test_an_edit_shows_where_it_is(path: Path, statement: str, place: int) -> None:
    session = recorded(path)
    change(path, statement)
    fault = found(path, session)
    assert fault is not None
    assert fault[0] == place


def test_a_body_that_says_the_same_in_another_form_is_no_edit(path: Path) -> None:
    session = recorded(path)
    change(path, "UPDATE events SET body = '{ \"hz\": 8.24e1 }' WHERE seq = 1")
    assert found(path, session) is None


# --- schema 1 ---

SCHEMA_1 = """
CREATE TABLE sessions (
    id TEXT PRIMARY KEY, instrument TEXT NOT NULL, label TEXT NOT NULL, started_utc TEXT NOT NULL, closed_utc TEXT,
    closed INTEGER NOT NULL GENERATED ALWAYS AS (closed_utc IS NOT NULL) VIRTUAL
);
CREATE TABLE events (
    session TEXT NOT NULL REFERENCES sessions (id), seq INTEGER NOT NULL, at_utc TEXT NOT NULL, kind TEXT NOT NULL,
    body TEXT NOT NULL, PRIMARY KEY (session, seq)
) WITHOUT ROWID;
PRAGMA application_id = 1330856753;
PRAGMA user_version = 1;
INSERT INTO sessions (id, instrument, label, started_utc, closed_utc) VALUES
    ('2026-11-24-1', 'plank', 'old', '2026-11-24T09:30:00.000+00:00', '2026-11-24T10:30:00.000+00:00'),
    ('2026-11-25-1', 'bass', 'under way', '2026-11-25T09:30:00.000+00:00', NULL);
INSERT INTO events VALUES
    ('2026-11-24-1', 1, '2026-11-24T09:30:00.000+00:00', 'read', '{"hz":82.4}'),
    ('2026-11-24-1', 2, '2026-11-24T09:31:00.000+00:00', 'read', '{"hz":-0.0}'),
    ('2026-11-25-1', 1, '2026-11-25T09:30:00.000+00:00', 'read', '{"hz":41.2}');
"""


@pytest.fixture
def old(path: Path) -> Path:
    database = sqlite3.connect(path)
    database.executescript(f"PRAGMA journal_mode = WAL; {SCHEMA_1}")
    database.close()
    return path


def contents(journal: Journal) -> list[object]:
    rows = journal.sessions()
    listed = [(row.id, row.instrument, row.label, row.started_utc, row.closed_utc, row.events) for row in rows]
    return [*listed, *(repr(journal.events(row.id)) for row in rows)]


WANTED = [
    ("2026-11-25-1", "bass", "under way", "2026-11-25T09:30:00.000+00:00", None, 1),
    ("2026-11-24-1", "plank", "old", "2026-11-24T09:30:00.000+00:00", "2026-11-24T10:30:00.000+00:00", 2),
    "[(1, '2026-11-25T09:30:00.000+00:00', 'read', {'hz': 41.2})]",
    "[(1, '2026-11-24T09:30:00.000+00:00', 'read', {'hz': 82.4}), "
    "(2, '2026-11-24T09:31:00.000+00:00', 'read', {'hz': -0.0})]",
]


def test_a_journal_of_the_first_schema_is_migrated_and_a_copy_kept(old: Path) -> None:
    with Journal.open(old) as journal:
        assert contents(journal) == WANTED
        assert [edited(journal.record(row.id)) for row in journal.sessions()] == [None, None]
        assert [row.identity for row in journal.sessions()] == ["bass", "plank"]
        assert journal.append("2026-11-25-1", [("read", {"hz": 55.0})], AT) == 2
        assert edited(journal.record("2026-11-25-1")) is None
        new = journal.new_session("plank", "new", NOW)
        assert new == "2026-11-25-2"
        assert journal._database.execute("PRAGMA user_version").fetchone() == (SCHEMA,)
    copy = sqlite3.connect(old.with_name("journal.sqlite3.v1.bak"))
    assert copy.execute("PRAGMA user_version").fetchone() == (1,)
    assert copy.execute("SELECT count(*) FROM events").fetchone() == (3,)
    copy.close()
    with Journal.open(old) as journal:
        assert len(journal.sessions()) == 3


def test_the_first_schema_can_be_read_without_being_changed(old: Path) -> None:
    before = old.read_bytes()
    with Journal.open(old, readonly=True) as journal:
        assert contents(journal) == WANTED
    assert old.read_bytes() == before
    assert not list(old.parent.glob("*.bak"))


def test_a_migration_that_fails_halfway_changes_nothing(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> str:
        raise sqlite3.OperationalError("disk I/O error")

    with monkeypatch.context() as patched:
        patched.setattr("oscservice.record.database.seal_of", fails)
        with pytest.raises(JournalError, match="disk I/O error"):
            Journal.open(old)
    database = sqlite3.connect(old)
    assert database.execute("PRAGMA user_version").fetchone() == (1,)
    assert [row[1] for row in database.execute("PRAGMA table_info(events)")] == [
        *("session", "seq", "at_utc", "kind", "body")
    ]
    database.close()
    with Journal.open(old) as journal:
        assert contents(journal) == WANTED


def test_old_events_that_cannot_be_read_migrate_as_they_are(old: Path) -> None:
    change(old, "UPDATE events SET body = 'scratched' WHERE session = '2026-11-24-1' AND seq = 2")
    with Journal.open(old) as journal:
        assert json.loads(journal.record("2026-11-24-1").events[0].body) == {"hz": 82.4}
        assert journal.record("2026-11-24-1").events[1].body == "scratched"
        fault = edited(journal.record("2026-11-24-1"))
        assert fault is not None
        assert fault.seq == 2
        assert edited(journal.record("2026-11-25-1")) is None
