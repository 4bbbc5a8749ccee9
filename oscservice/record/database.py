"""The SQLite file of the journal: its tables, and its troubles told in one line."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from oscservice.errors import JournalError

SCHEMA = 1
_APPLICATION_ID = 0x4F534331  # "OSC1": marks the file as ours, so that no other program's database is written to
_WAIT_S = 5.0  # for another process to finish its transaction

_TABLES = (
    """CREATE TABLE sessions (
        id TEXT PRIMARY KEY,
        instrument TEXT NOT NULL,
        label TEXT NOT NULL,
        started_utc TEXT NOT NULL,
        closed_utc TEXT,
        closed INTEGER NOT NULL GENERATED ALWAYS AS (closed_utc IS NOT NULL) VIRTUAL
    )""",
    """CREATE TABLE events (
        session TEXT NOT NULL REFERENCES sessions (id),
        seq INTEGER NOT NULL,
        at_utc TEXT NOT NULL,
        kind TEXT NOT NULL,
        body TEXT NOT NULL,
        PRIMARY KEY (session, seq)
    ) WITHOUT ROWID""",
    f"PRAGMA application_id = {_APPLICATION_ID}",
    f"PRAGMA user_version = {SCHEMA}",
)


def prepare_place(path: Path, readonly: bool) -> None:
    """Make the folder, or when `readonly` see that the file is there. Raises JournalError."""
    try:
        if readonly and not path.exists():
            raise JournalError(f"there is no journal {path}: nothing has been recorded there yet")
        if path.is_dir():
            raise JournalError(f"the journal {path} is a folder: name a file in it")
        if not readonly:
            path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise JournalError(f"the journal {path} can't be opened ({error.strerror}): choose another place") from None


def open_database(path: Path, readonly: bool) -> sqlite3.Connection:
    """A connection to a sound journal of this schema, made if it is new. Raises JournalError."""
    with told(path):
        uri = f"{path.absolute().as_uri()}?mode={'ro' if readonly else 'rwc'}"
        database = sqlite3.connect(uri, uri=True, timeout=_WAIT_S, isolation_level=None)
    try:
        with told(path):
            if not readonly and _is_new(database):
                _make_tables(database)
            _check(path, database)
            if not readonly:
                _write_ahead(database)
                database.execute("PRAGMA synchronous = FULL")
                database.execute("PRAGMA foreign_keys = ON")
    except BaseException:
        database.close()
        raise
    return database


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn SQLite's complaints about the file into a JournalError."""
    try:
        yield
    except sqlite3.ProgrammingError:
        raise  # our own mistake, such as another thread
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise damaged(path, str(error)) from None
        advice = {
            sqlite3.SQLITE_BUSY: "another program holds it: wait for that to end",
            sqlite3.SQLITE_FULL: "make room on the disk",
        }.get(code, "see that the file and its folder can be read and written, or choose another place")
        raise JournalError(f"the journal {path} can't be used ({error}): {advice}") from None


def damaged(path: Path, what: str) -> JournalError:
    return JournalError(f"the journal {path} is damaged ({what}): move it away to begin a new one, or put back a copy")


def _pragma(database: sqlite3.Connection, name: str) -> int:
    return int(database.execute(f"PRAGMA {name}").fetchone()[0])


def _is_new(database: sqlite3.Connection) -> bool:
    (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return tables == 0 and _pragma(database, "user_version") == 0


def _make_tables(database: sqlite3.Connection) -> None:
    database.execute("BEGIN IMMEDIATE")
    try:
        if _is_new(database):  # asked again: another process may have been quicker
            for statement in _TABLES:
                database.execute(statement)
        database.execute("COMMIT")
    except BaseException:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise


def _check(path: Path, database: sqlite3.Connection) -> None:
    version, mark = _pragma(database, "user_version"), _pragma(database, "application_id")
    if mark not in (_APPLICATION_ID, 0):
        raise JournalError(f"{path} is a database of another program: name another file for the journal")
    if version > SCHEMA:
        raise JournalError(
            f"the journal {path} has schema {version}, and this oscservice knows up to {SCHEMA}: "
            "use the newer oscservice that wrote it, or name another file"
        )
    if mark != _APPLICATION_ID or version < 1:
        raise JournalError(f"{path} is not a session journal: name another file for the journal")
    (verdict,) = database.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise damaged(path, " ".join(str(verdict).split()))


def _write_ahead(database: sqlite3.Connection) -> None:
    """Switch to the write-ahead log, for which SQLite itself doesn't wait until other processes are done."""
    until_s = time.monotonic() + _WAIT_S
    while True:
        try:
            database.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until_s:
                raise
            time.sleep(0.02)
