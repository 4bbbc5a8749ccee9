"""The journal: every event of every session, in one SQLite file.

An event is on the disk before `append` returns (write-ahead log, synchronous FULL), so what was announced after that
survives the death of the process. Events are only ever added. Within a session they are numbered from 1 without gaps,
and each has its hash after the one before (`record.chain`). Times are texts as `utc_text` makes them.

A session being written is locked by a file beside the journal, and the lock goes with the process that holds it.
A Journal is used by one thread.
"""

from __future__ import annotations

import itertools
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import platformdirs

from oscservice.errors import JournalError, JournalUnavailableError
from oscservice.record.database import WAIT_S, damaged, open_database, prepare_place, told
from oscservice.record.event_chain import (
    EventRow,
    Record,
    SessionRow,
    body_text,
    chained,
    first_link,
    object_in,
    seal_of,
    storable,
    utc_text,
)
from oscservice.record.session_lock import SessionLock

__all__ = ["Journal", "SessionRow", "default_path", "utc_text"]

_LISTED = (
    "id, instrument, label, started_utc, closed_utc, (SELECT count(*) FROM events WHERE session = id), "
    "identity, origin, seal, cut"
)


def default_path() -> Path:
    """Where the journal is unless another path is given."""
    return platformdirs.user_data_path("oscservice", appauthor=False) / "journal.sqlite3"


class Journal:
    """An open journal. Make one with `Journal.open`; close it, or use it as a context manager.

    Methods raise JournalError with one line when the file can't be read or written.
    """

    def __init__(self, path: Path, database: sqlite3.Connection, readonly: bool) -> None:
        self.path = path
        self._database = database
        self._readonly = readonly
        self._locks: dict[str, SessionLock] = {}
        self._file = _file_at(path)

    @classmethod
    def open(cls, path: str | os.PathLike[str] | None = None, readonly: bool = False, wait_s: float = WAIT_S) -> Self:
        """Open the journal, by default the user's own, making file and folder if need be (unless `readonly`).

        Another process that is writing is waited for by `wait_s`, now and later. An older journal is migrated.
        Raises JournalError if the place can't be written, or the file is damaged, of a newer version, or no journal.
        """
        where = default_path() if path is None else Path(path)
        prepare_place(where, readonly)
        return cls(where, open_database(where, readonly, wait_s), readonly)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file and give up the sessions held."""
        for held in list(self._locks.values()):
            held.release()
        self._locks.clear()
        self._database.close()

    def new_session(self, instrument_name: str, label: str, now: datetime, identity: str = "") -> str:
        """Begin a session and hold it. Its id is the day of `now` and a number, such as 2026-11-25-1.

        `identity` tells the instrument from others of that name; its name if empty.
        """
        started_utc = utc_text(now)
        self._check_writable()
        lock: SessionLock | None = None
        try:
            with self._transaction():
                session_id = self._free_id(f"{now:%Y-%m-%d}")
                self._database.execute(
                    "INSERT INTO sessions (id, instrument, label, started_utc, identity, origin) "
                    "VALUES (?, ?, ?, ?, ?, ?)",
                    (
                        *(session_id, storable(instrument_name), storable(label), started_utc),
                        *(storable(identity or instrument_name), session_id),
                    ),
                )
                lock = SessionLock(self.path, session_id)  # before anybody else can see the session
        except BaseException:
            if lock is not None:
                lock.release()
            raise
        self._locks[session_id] = lock
        return session_id

    def claim(self, session_id: str) -> None:
        """Hold an open session, so that nobody else may write to it, until it is sealed or released, or this journal
        is closed. Claiming it again does nothing.

        Raises JournalError if another process (or another Journal) holds it, if it is closed, or unknown.
        """
        if session_id in self._locks:
            return
        self._check_writable()
        self._check_known(session_id)  # before the id becomes part of a file name
        lock = SessionLock(self.path, session_id)
        try:
            if self._is_closed(session_id):  # asked under the lock: until then the holder could close it
                raise JournalError(f"session {session_id} is closed: it can be read, but not gone on with")
        except BaseException:
            lock.release()
            raise
        self._locks[session_id] = lock

    def release(self, session_id: str) -> None:
        """Let another process have the session; it stays open. Nothing happens if it isn't held."""
        held = self._locks.pop(session_id, None)
        if held is not None:
            held.release()

    def append(self, session_id: str, events: Sequence[tuple[str, dict[str, Any]]], at_utc: str) -> int:
        """Add events (kind, body), all or none, and return the last number when they are safely on the disk.

        A body is a JSON object: it comes back with floats exactly the same, tuples as lists and keys as strings. The
        session is claimed if it isn't held. With no events, the last number so far is returned (0: none).
        Raises JournalError, and ValueError for a body with NaN or infinity.
        """
        bodies = [(at_utc, kind, body_text(kind, body)) for kind, body in events]
        self.claim(session_id)
        with self._transaction():
            last = self._last(session_id)
            rows = chained(last.hash, last.seq + 1, bodies)
            self._insert(session_id, rows)
        return last.seq + len(rows)

    def events(self, session_id: str) -> list[tuple[int, str, str, dict[str, Any]]]:
        """All events of a session in order: (seq, at_utc, kind, body). Raises JournalError if it is unknown, or if
        events are missing or can't be read; whether they are as they were written, `rows.edited` tells."""
        found = []
        for wanted, row in enumerate(self.record(session_id).events, 1):
            if row.seq != wanted:
                raise damaged(self.path, f"events of session {session_id} are missing")
            body = object_in(row.body)
            if body is None:
                raise damaged(self.path, "an event can't be read")
            found.append((row.seq, row.at_utc, row.kind, body))
        return found

    def record(self, session_id: str) -> Record:
        """A session with its events as they are stored, whether they can be read or not. Raises JournalError."""
        with told(self.path):
            row = self._database.execute(f"SELECT {_LISTED} FROM sessions WHERE id = ?", (session_id,)).fetchone()
            if row is None:
                raise JournalError(f"there is no session {session_id!r} in the journal {self.path}")
            rows = self._database.execute(
                "SELECT seq, at_utc, kind, body, hash FROM events WHERE session = ? ORDER BY seq", (session_id,)
            ).fetchall()
        return Record(SessionRow(*row), tuple(EventRow(*row) for row in rows))

    def put(self, record: Record, hold: bool = False) -> str:
        """Add a whole session, all or nothing, and give its id: its own, or a free one if that is taken.

        Its events are written as they are. With `hold` it is held as `new_session` does.
        """
        self._check_writable()
        row = record.session
        lock: SessionLock | None = None
        try:
            with self._transaction():
                taken = self._database.execute("SELECT 1 FROM sessions WHERE id = ?", (row.id,)).fetchone()
                session_id = row.id if taken is None else self._free_id(row.started_utc[:10])
                self._database.execute(
                    "INSERT INTO sessions (id, instrument, label, started_utc, closed_utc, identity, origin, seal, cut)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        *(session_id, row.instrument, row.label, row.started_utc, row.closed_utc),
                        *(row.identity, row.origin, row.seal, row.cut),
                    ),
                )
                self._insert(session_id, record.events)
                lock = SessionLock(self.path, session_id) if hold and session_id not in self._locks else None
        except BaseException:
            if lock is not None:
                lock.release()
            raise
        if lock is not None:
            self._locks[session_id] = lock
        return session_id

    def extend(self, session_id: str, rows: Sequence[EventRow]) -> None:
        """Add events with the hashes they have; they have to follow the last one. Raises JournalError."""
        self.claim(session_id)
        with self._transaction():
            self._insert(session_id, rows)

    def cut(self, session_id: str, first_bad: int, why: str) -> None:
        """Take events away from number `first_bad` on, and mark the session, which is held or closed, as cut. Keep a
        copy before."""
        if not self._is_closed(session_id):
            self.claim(session_id)
        with self._transaction():
            self._database.execute("DELETE FROM events WHERE session = ? AND seq >= ?", (session_id, first_bad))
            self._database.execute("UPDATE sessions SET cut = ? WHERE id = ?", (why, session_id))

    def copy_to(self, path: Path) -> None:
        """Write a copy of the whole journal to a new file."""
        with told(path):
            copy = sqlite3.connect(path)
            try:
                self._database.backup(copy)
            finally:
                copy.close()

    def sessions(self) -> list[SessionRow]:
        """All sessions, the newest first."""
        with told(self.path):
            found = self._database.execute(f"SELECT {_LISTED} FROM sessions ORDER BY started_utc DESC, rowid DESC")
            return [SessionRow(*row) for row in found]

    def open_sessions(self) -> list[SessionRow]:
        """The sessions that are not closed, the newest first."""
        return [row for row in self.sessions() if not row.closed]

    def held_elsewhere(self, session_id: str) -> bool:
        """Whether another process, or another Journal, holds a session."""
        return session_id not in self._locks and SessionLock.is_held(self.path, session_id)

    def seal(self, session_id: str, at_utc: str) -> None:
        """Mark a session closed, for good, with the seal over it, and give it up. Raises JournalError if it is closed
        already."""
        self.claim(session_id)
        with self._transaction():
            row, last = self.record(session_id).session, self._last(session_id)
            seal = seal_of(last.hash, last.seq, row.instrument, row.label, row.started_utc, at_utc)
            self._database.execute(
                "UPDATE sessions SET closed_utc = ?, seal = ? WHERE id = ?", (at_utc, seal, session_id)
            )
        self.release(session_id)

    def _check_writable(self) -> None:
        if self._readonly:
            raise JournalError(f"{self.path} was opened for reading only: nothing can be recorded in it")

    def _check_known(self, session_id: str) -> None:
        with told(self.path):
            row = self._database.execute("SELECT 1 FROM sessions WHERE id = ?", (session_id,)).fetchone()
        if row is None:
            raise JournalError(f"there is no session {session_id!r} in the journal {self.path}")

    def _is_closed(self, session_id: str) -> bool:
        with told(self.path):
            (closed,) = self._database.execute("SELECT closed FROM sessions WHERE id = ?", (session_id,)).fetchone()
        return bool(closed)

    def _free_id(self, day: str) -> str:
        rows = self._database.execute("SELECT id FROM sessions WHERE id GLOB ?", (f"{day}-*",))
        taken = {session_id for (session_id,) in rows}
        return next(name for number in itertools.count(1) if (name := f"{day}-{number}") not in taken)

    def _last(self, session_id: str) -> EventRow:
        """The last event; before the first, number 0 with the hash that the chain begins with."""
        last = "SELECT seq, at_utc, kind, body, hash FROM events WHERE session = ? ORDER BY seq DESC LIMIT 1"
        row = self._database.execute(last, (session_id,)).fetchone()
        if row is not None:
            return EventRow(*row)
        (origin,) = self._database.execute("SELECT origin FROM sessions WHERE id = ?", (session_id,)).fetchone()
        return EventRow(0, "", "", "", first_link(origin))

    def _insert(self, session_id: str, rows: Sequence[EventRow]) -> None:
        self._database.executemany(
            "INSERT INTO events (session, seq, at_utc, kind, body, hash) VALUES (?, ?, ?, ?, ?, ?)",
            [(session_id, row.seq, row.at_utc, row.kind, row.body, row.hash) for row in rows],
        )

    def is_there(self) -> bool:
        """Whether the file is still where it was: one that was moved can be written, and nobody would ever read it."""
        return _file_at(self.path) == self._file

    def reopen(self, open_again: Callable[[], sqlite3.Connection]) -> None:
        """Open the file anew, or the one that has its name now; sessions held stay held. Raises what `open_again` does,
        and can then do nothing but be opened anew."""
        self._database.close()
        self._database = open_again()
        self._file = _file_at(self.path)

    def _check_there(self) -> None:
        if not self.is_there():
            raise JournalUnavailableError(f"the journal {self.path} is no longer where it was: put it back")

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._check_there()
        with told(self.path):
            self._database.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._database.execute("COMMIT")
            except BaseException:
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
                raise


def _file_at(path: Path) -> tuple[int, int] | None:
    """What tells the file with this name from every other one; None if there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
