"""The journal's SQLite file: its tables, its older schema, and its errors in one line.

A journal of schema 1 is migrated. It had no hashes: they are computed from the events as they are found, so edits made
before don't show.
"""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from oscservice.errors import JournalDamagedError, JournalError, JournalUnavailableError
from oscservice.record.event_chain import first_link, link, seal_of
from oscservice.record.session_files import free_name

_STEPS = (
    "ALTER TABLE sessions ADD COLUMN identity TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE sessions ADD COLUMN origin TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE sessions ADD COLUMN seal TEXT",
    "ALTER TABLE sessions ADD COLUMN cut TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE events ADD COLUMN hash TEXT NOT NULL DEFAULT ''",
    "UPDATE sessions SET identity = instrument, origin = id",
)


def to_schema_2(path: Path, database: sqlite3.Connection) -> None:
    """Migrate a journal of schema 1, all or nothing, and keep a copy of it beside it, named `*.v1.bak`.

    Raises sqlite3.Error; the journal is then as it was.
    """
    with transaction(database):
        if _pragma(database, "user_version") == 1:  # another process may have been quicker
            _copy(path, path.with_name(f"{path.name}.v1.bak"))
            _migrate(database)


def migrated_copy(database: sqlite3.Connection) -> sqlite3.Connection:
    """Return a migrated copy in memory of a journal of schema 1, which is closed and stays as it is."""
    copy = sqlite3.connect(":memory:", isolation_level=None)
    database.backup(copy)
    database.close()
    _migrate(copy)
    return copy


def _copy(path: Path, to: Path) -> None:
    half = to.with_name(f"{to.name}.part")
    half.unlink(missing_ok=True)
    source = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    copy = sqlite3.connect(half)
    try:
        source.backup(copy)
    finally:
        copy.close()
        source.close()
    os.replace(half, to)


def _migrate(database: sqlite3.Connection) -> None:
    for step in _STEPS:
        database.execute(step)
    rows = database.execute("SELECT id, instrument, label, started_utc, closed_utc FROM sessions").fetchall()
    for session_id, instrument, label, started_utc, closed_utc in rows:
        last, count = _add_hashes(database, session_id)
        if closed_utc is not None:
            seal = seal_of(last, count, instrument, label, started_utc, closed_utc)
            database.execute("UPDATE sessions SET seal = ? WHERE id = ?", (seal, session_id))
    database.execute("PRAGMA user_version = 2")


def _add_hashes(database: sqlite3.Connection, session_id: str) -> tuple[str, int]:
    """Add the hash of each event. Return the last hash and the number of events.

    An event that can't be read, and all events after it, keep an empty hash: the search for damage will find them.
    """
    last = first_link(session_id)
    events = "SELECT seq, at_utc, kind, body FROM events WHERE session = ? ORDER BY seq"
    rows = database.execute(events, (session_id,)).fetchall()
    for seq, at_utc, kind, text in rows:
        try:
            last = link(last, seq, at_utc, kind, json.loads(text))
        except (ValueError, TypeError):
            break
        database.execute("UPDATE events SET hash = ? WHERE session = ? AND seq = ?", (last, session_id, seq))
    return last, len(rows)


SCHEMA = 2
WAIT_S = 5.0
"""Default time to wait for another process that is writing, in seconds."""

APPLICATION_ID = 0x4F534331  # "OSC1": marks the file as ours, so that no other program's database is written to
_PASSING = {errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EMFILE, errno.ENFILE}
_PASSING_CODES = {
    *(sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY),
    *(sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_NOMEM),
}

_TABLES = (
    """CREATE TABLE sessions (
        id TEXT PRIMARY KEY,
        instrument TEXT NOT NULL,
        label TEXT NOT NULL,
        started_utc TEXT NOT NULL,
        closed_utc TEXT,
        closed INTEGER NOT NULL GENERATED ALWAYS AS (closed_utc IS NOT NULL) VIRTUAL,
        identity TEXT NOT NULL DEFAULT '',
        origin TEXT NOT NULL DEFAULT '',
        seal TEXT,
        cut TEXT NOT NULL DEFAULT ''
    )""",
    """CREATE TABLE events (
        session TEXT NOT NULL REFERENCES sessions (id),
        seq INTEGER NOT NULL,
        at_utc TEXT NOT NULL,
        kind TEXT NOT NULL,
        body TEXT NOT NULL,
        hash TEXT NOT NULL DEFAULT '',
        PRIMARY KEY (session, seq)
    ) WITHOUT ROWID""",
    f"PRAGMA application_id = {APPLICATION_ID}",
    f"PRAGMA user_version = {SCHEMA}",
)


def prepare_place(path: Path, readonly: bool) -> None:
    """Make the folder, or check that the file exists if it is only read. Raises JournalError."""
    try:
        if readonly and not path.exists():
            raise JournalError(f"there is no journal {path}: nothing has been recorded there yet")
        if path.is_dir():
            raise JournalError(f"the journal {path} is a folder: name a file in it")
        if not readonly:
            path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unusable(path, error) from None


def unusable(path: Path, error: OSError) -> JournalError:
    """Return the error for a refusal of the system: JournalUnavailableError if it may pass."""
    kind = JournalUnavailableError if error.errno in _PASSING else JournalError
    return kind(f"the journal {path} can't be opened ({error.strerror}): choose another place")


def open_database(path: Path, readonly: bool, wait_s: float = WAIT_S) -> sqlite3.Connection:
    """Return a connection to a journal of this schema, made if it is new, migrated if it is older.

    An older journal that is only read is migrated in memory and stays as it is. Raises JournalError.
    """
    with sqlite_errors(path):
        uri = f"{path.absolute().as_uri()}?mode={'ro' if readonly else 'rwc'}"
        database = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)
    database.text_factory = _text
    try:
        with sqlite_errors(path):
            if not readonly and _is_new(database):
                database.execute("PRAGMA page_size = 4096")
                _make_tables(database)
            _check(path, database)
            if _pragma(database, "user_version") == 1:
                if readonly:
                    database = migrated_copy(database)
                else:
                    to_schema_2(path, database)
            if not readonly:
                _write_ahead(database, wait_s)
                database.execute("PRAGMA synchronous = FULL")
                database.execute("PRAGMA foreign_keys = ON")
    except BaseException:
        database.close()
        raise
    return database


def _text(stored: bytes) -> str:
    """Return a text as it is stored, even if it is damaged: its hash will show that."""
    return stored.decode("utf-8", "backslashreplace")


@contextmanager
def transaction(database: sqlite3.Connection) -> Iterator[None]:
    """Make all of the changes in the block, or none after an error. Raises sqlite3.Error."""
    database.execute("BEGIN IMMEDIATE")
    try:
        yield
        database.execute("COMMIT")
    except BaseException:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise


@contextmanager
def sqlite_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors about the file into a JournalError."""
    try:
        yield
    except sqlite3.ProgrammingError:
        raise  # a mistake of ours, such as a call from another thread
    except UnicodeDecodeError:  # SQLite quotes damaged bytes in a message
        raise damaged(path, "its tables have names that are no text") from None
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or str(error) == "unsupported file format":
            raise damaged(path, str(error)) from None
        kind = JournalUnavailableError if code in _PASSING_CODES else JournalError
        advice = {
            sqlite3.SQLITE_BUSY: "another program holds it: wait for that to end",
            sqlite3.SQLITE_FULL: "make room on the disk",
        }.get(code, "see that the file and its folder can be read and written, or choose another place")
        raise kind(f"the journal {path} can't be used ({error}): {advice}") from None
    except OSError as error:
        raise unusable(path, error) from None


def damaged(path: Path, what: str) -> JournalDamagedError:
    advice = "move it away to begin a new one, or put back a copy"
    return JournalDamagedError(f"the journal {path} is damaged ({what}): {advice}")


def put_database_aside(path: Path) -> Path:
    """Rename a damaged database, with its write-ahead log, and return its name. It may be interrupted at any step: the
    log goes first, since SQLite would take it for that of a new file."""
    kept = name_for_damaged(path)
    try:
        log = path.with_name(f"{path.name}-wal")
        if log.exists():
            os.replace(log, kept.with_name(f"{kept.name}-wal"))
        path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
        os.replace(path, kept)
    except OSError as error:
        raise unusable(path, error) from None
    return kept


def name_for_damaged(path: Path) -> Path:
    """Return a free name beside a database for it, or for a copy, once damage was found."""
    return free_name(path, f"damaged-{datetime.now(UTC):%Y%m%dT%H%M%S}")


def _pragma(database: sqlite3.Connection, name: str) -> int:
    return int(database.execute(f"PRAGMA {name}").fetchone()[0])


def _is_new(database: sqlite3.Connection) -> bool:
    (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return tables == 0 and _pragma(database, "user_version") == 0


def _make_tables(database: sqlite3.Connection) -> None:
    with transaction(database):
        if _is_new(database):  # another process may have been quicker
            for statement in _TABLES:
                database.execute(statement)


def _check(path: Path, database: sqlite3.Connection) -> None:
    version, mark = _pragma(database, "user_version"), _pragma(database, "application_id")
    marked, tables = mark == APPLICATION_ID, _has_tables(database, version)
    if marked and version > SCHEMA:
        raise JournalError(
            f"the journal {path} has schema {version}, and this oscservice knows up to {SCHEMA}: "
            "use the newer oscservice that wrote it, or name another file"
        )
    if marked != tables:
        raise damaged(path, "its tables and its mark do not fit")
    if not marked:
        what = "not a session journal" if mark == 0 else "a database of another program"
        raise JournalError(f"{path} is {what}: name another file for the journal")
    (verdict,) = database.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        raise damaged(path, " ".join(str(verdict).split()))
    if database.execute("PRAGMA foreign_key_check").fetchone() is not None:
        raise damaged(path, "events whose session is missing")


def _has_tables(database: sqlite3.Connection, version: int) -> bool:
    """Return True when the tables are those of this schema; of the newest one for a number that no schema has."""
    first = version == 1
    old, new = ("id, instrument, label, started_utc, closed_utc", "identity, origin, seal, cut")
    try:
        database.execute(f"SELECT {old if first else f'{old}, {new}'} FROM sessions LIMIT 1").fetchone()
        database.execute(f"SELECT session, seq, at_utc, kind, body{'' if first else ', hash'} FROM events LIMIT 1")
        columns = [row[1] for row in database.execute("PRAGMA table_info(events)")]
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_ERROR:  # no such table, no such column
            return False
        raise
    return first != ("hash" in columns)


def _write_ahead(database: sqlite3.Connection, wait_s: float) -> None:
    """Switch to the write-ahead log. SQLite itself doesn't wait here until other processes are done."""
    until_s = time.monotonic() + wait_s
    while True:
        try:
            database.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until_s:
                raise
            time.sleep(0.02)
