"""The journal: every event of every session, in one SQLite file.

An event is on the disk before `append` returns (write-ahead log, synchronous FULL), so what was announced after that
survives the death of the process. Events are only ever added. Within a session they are numbered from 1 without gaps.
Times are texts as `utc_text` makes them.

A session being written is locked by a file beside the journal, and the lock goes with the process that holds it.
A Journal is used by one thread.
"""

from __future__ import annotations

import itertools
import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import platformdirs

from oscservice.errors import JournalError
from oscservice.record.database import damaged, open_database, prepare_place, told
from oscservice.record.lock import SessionLock


@dataclass(frozen=True)
class SessionRow:
    """One session as the journal lists it. `closed_utc` is None while it is open; `events` is how many it has."""

    id: str
    instrument: str
    label: str
    started_utc: str
    closed_utc: str | None
    events: int

    @property
    def closed(self) -> bool:
        return self.closed_utc is not None


def default_path() -> Path:
    """Where the journal is unless another path is given."""
    return platformdirs.user_data_path("oscservice", appauthor=False) / "journal.sqlite3"


def utc_text(now: datetime) -> str:
    """A moment as text in UTC, to the millisecond, such as 2026-11-25T09:30:00.250+00:00.

    Raises ValueError for a time without a zone.
    """
    if now.tzinfo is None:
        raise ValueError(f"a time without a zone: {now!r}")
    return now.astimezone(UTC).isoformat(timespec="milliseconds")


class Journal:
    """An open journal. Make one with `Journal.open`; close it, or use it as a context manager.

    Methods raise JournalError with one line when the file can't be read or written.
    """

    def __init__(self, path: Path, database: sqlite3.Connection, readonly: bool) -> None:
        self.path = path
        self._database = database
        self._readonly = readonly
        self._locks: dict[str, SessionLock] = {}

    @classmethod
    def open(cls, path: str | os.PathLike[str] | None = None, readonly: bool = False) -> Self:
        """Open the journal, by default the user's own, making file and folder if need be (unless `readonly`).

        Raises JournalError if the place can't be written, or the file is damaged, of a newer version, or no journal.
        """
        where = default_path() if path is None else Path(path)
        prepare_place(where, readonly)
        return cls(where, open_database(where, readonly), readonly)

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

    def new_session(self, instrument_name: str, label: str, now: datetime) -> str:
        """Begin a session and hold it. Its id is the day of `now` and a number, such as 2026-11-25-1."""
        started_utc = utc_text(now)
        self._check_writable()
        lock: SessionLock | None = None
        try:
            with self._transaction():
                session_id = self._free_id(f"{now:%Y-%m-%d}")
                self._database.execute(
                    "INSERT INTO sessions (id, instrument, label, started_utc) VALUES (?, ?, ?, ?)",
                    (session_id, _storable(instrument_name), _storable(label), started_utc),
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
        rows = [(kind, _to_json(kind, body)) for kind, body in events]
        self.claim(session_id)
        with self._transaction():
            last = self._last_seq(session_id)
            self._database.executemany(
                "INSERT INTO events (session, seq, at_utc, kind, body) VALUES (?, ?, ?, ?, ?)",
                [(session_id, seq, at_utc, kind, body) for seq, (kind, body) in enumerate(rows, last + 1)],
            )
        return last + len(rows)

    def events(self, session_id: str) -> list[tuple[int, str, str, dict[str, Any]]]:
        """All events of a session in order: (seq, at_utc, kind, body). Raises JournalError if it is unknown."""
        self._check_known(session_id)
        with told(self.path):
            rows = self._database.execute(
                "SELECT seq, at_utc, kind, body FROM events WHERE session = ? ORDER BY seq", (session_id,)
            ).fetchall()
        found = [(seq, at_utc, kind, _from_json(self.path, body)) for seq, at_utc, kind, body in rows]
        if [seq for seq, *_ in found] != list(range(1, len(found) + 1)):
            raise damaged(self.path, f"events of session {session_id} are missing")
        return found

    def sessions(self) -> list[SessionRow]:
        """All sessions, the newest first."""
        with told(self.path):
            return [
                SessionRow(*row)
                for row in self._database.execute(
                    "SELECT id, instrument, label, started_utc, closed_utc, "
                    "(SELECT count(*) FROM events WHERE session = id) FROM sessions ORDER BY rowid DESC"
                )
            ]

    def open_sessions(self) -> list[SessionRow]:
        """The sessions that are not closed, the newest first."""
        return [row for row in self.sessions() if not row.closed]

    def seal(self, session_id: str, at_utc: str) -> None:
        """Mark a session closed, for good, and give it up. Raises JournalError if it is closed already."""
        self.claim(session_id)
        with self._transaction():
            self._database.execute("UPDATE sessions SET closed_utc = ? WHERE id = ?", (at_utc, session_id))
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

    def _last_seq(self, session_id: str) -> int:
        (last,) = self._database.execute("SELECT max(seq) FROM events WHERE session = ?", (session_id,)).fetchone()
        return int(last or 0)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with told(self.path):
            self._database.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._database.execute("COMMIT")
            except BaseException:
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
                raise


def _storable(text: str) -> str:
    """The text with what is no character (a stray byte in a command's argument) written out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _to_json(kind: str, body: dict[str, Any]) -> str:
    try:
        return json.dumps(body, allow_nan=False, separators=(",", ":"))
    except ValueError as error:
        raise ValueError(f"event {kind!r} can't be recorded ({error}): {body!r}") from None


def _from_json(path: Path, text: str) -> dict[str, Any]:
    try:
        body = json.loads(text)
    except ValueError:
        body = None
    if not isinstance(body, dict):
        raise damaged(path, "an event can't be read")
    return body
