"""The journal: every event of every session, in one SQLite file, with a copy of each session in a file of JSON Lines.

An event is on the disk before `append` returns (write-ahead log, synchronous FULL): what was announced after that is
not lost when the process is killed. Events are only ever added. Within a session they are numbered from 1 without
gaps, and each has a hash that covers the one before (`event_chain`). Times are texts as `utc_text` makes them.

Events are committed to SQLite first, and then added to the session's file (`session_files`). A file that can't be
written is reported, and written with the next event or at the next start; nothing waits for it. If the process is
killed between the two, the file is one step behind. A file with more good events than the journal shows a loss: the
events are restored.

A session being written is locked by a file beside the journal, and the lock ends with the process.
A Journal is used by one thread.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import platformdirs

from oscservice.errors import JournalDamagedError, JournalError, JournalUnavailableError
from oscservice.record.database import (
    WAIT_S,
    damaged,
    name_for_damaged,
    open_database,
    prepare_place,
    put_database_aside,
    sqlite_errors,
    transaction,
)
from oscservice.record.event_chain import (
    EventRow,
    Record,
    SessionRow,
    begins_with,
    body_text,
    can_be_read,
    chained,
    edited,
    first_link,
    is_better,
    is_same_session,
    object_in,
    same_description,
    seal_of,
    storable,
    utc_text,
)
from oscservice.record.job_book import JobBook
from oscservice.record.session_files import SessionFiles
from oscservice.record.session_lock import SessionLock, repair_lock
from oscservice.sentences.plural import counted

_LISTED = (
    "id, instrument, label, started_utc, closed_utc, (SELECT count(*) FROM events WHERE session = id), "
    "identity, origin, seal, cut"
)
_COUNT = 5  # index of the number of events in these


def default_path() -> Path:
    """Return the path of the user's own journal."""
    return platformdirs.user_data_path("oscservice", appauthor=False) / "journal.sqlite3"


@dataclass(frozen=True)
class Imported:
    """The outcome of an import: the session's name here, `new`, `continued` or `here already`, its number of events."""

    id: str
    how: str
    events: int


class Journal:
    """An open journal. Make one with `Journal.open`; close it, or use it as a context manager.

    Methods raise JournalError with one line when the file can't be read or written.

    Attributes:
        files: the copies of the sessions.
        jobs: the job sheets of the sessions.
        notes: lines for a person about repairs, and about copies that can't be written; its reader empties it.
    """

    def __init__(self, path: Path, database: sqlite3.Connection, readonly: bool) -> None:
        self.path = path
        self.files = SessionFiles(path)
        self.jobs = JobBook(self)
        self.notes: list[str] = []
        self._not_copied: set[str] = set()
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

    @classmethod
    def open_repaired(cls, path: str | os.PathLike[str] | None = None, wait_s: float = WAIT_S) -> Self:
        """Open the journal for writing, and repair it from the sessions' files if need be.

        A damaged journal is put aside and built again. Sessions and events that are missing are restored; sessions
        without a complete file are copied. `notes` says what was restored. Raises JournalError as `open` does, and
        JournalDamagedError for a damaged file without a folder of sessions' files beside it.
        """
        where = default_path() if path is None else Path(path)
        database, put_aside = _open_or_put_aside(where, wait_s)
        journal = cls(where, database, readonly=False)
        try:
            journal._repair(put_aside)
        except BaseException:
            journal.close()
            raise
        return journal

    def reopen_repaired(self, wait_s: float) -> None:
        """Open the file with the journal's name again, as `open_repaired` does. Sessions stay claimed
        by those who claimed them. After an error nothing but another try is possible."""
        self._database.close()
        self._database, put_aside = _open_or_put_aside(self.path, wait_s)
        self._file = _file_at(self.path)
        self._repair(put_aside)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file and release the sessions."""
        for session_id in list(self._locks):
            self.release(session_id)
        self._database.close()

    def new_session(self, instrument_name: str, label: str, now: datetime, identity: str = "") -> str:
        """Begin a session and lock it. Its id is the day of `now` and a number, such as 2026-11-25-1.

        `identity` distinguishes the instrument from others of the same name; if empty, it is the name.
        """
        started_utc = utc_text(now)
        self.check_writable()
        lock: SessionLock | None = None
        try:
            with self.transaction():
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
        self._copy(session_id)
        return session_id

    def claim(self, session_id: str) -> None:
        """Lock an open session, so that nobody else may write to it, until it is sealed or released, or this journal
        is closed. Claiming it again does nothing.

        The session and its file are compared: events that the journal has lost are restored from the file. A session
        with a damaged event is cut before it if the file doesn't have it either. `notes` says so. Raises JournalError
        if another process (or another Journal) has the session, if it is closed, or unknown.
        """
        if session_id in self._locks:
            return
        self.check_writable()
        self.row(session_id)  # before the id becomes part of a file name
        lock = SessionLock(self.path, session_id)
        try:
            if self._is_closed(session_id):  # only under the lock: before, the holder could close it
                raise JournalError(f"session {session_id} is closed: it can be read, but not continued")
            self._reconcile(session_id)
        except BaseException:
            lock.release()
            raise
        self._locks[session_id] = lock

    def release(self, session_id: str) -> None:
        """Unlock a session for other processes; it stays open. Nothing happens if it isn't claimed."""
        lock = self._locks.pop(session_id, None)
        if lock is not None:
            self.files.forget(session_id)
            lock.release()

    def append(self, session_id: str, events: Sequence[tuple[str, dict[str, Any]]], at_utc: str) -> int:
        """Add events (kind, body), all or none, and return the last number when they are safely on the disk.

        A body is a JSON object: it comes back with floats exactly the same, tuples as lists and keys as strings. The
        session is claimed if need be. With no events, the last number so far is returned (0: none).
        Raises JournalError, and ValueError for a body with NaN or infinity.
        """
        bodies = [(at_utc, kind, body_text(kind, body)) for kind, body in events]
        self.claim(session_id)
        with self.transaction():
            last = self._last(session_id)
            rows = chained(last.hash, last.seq + 1, bodies)
            self._insert(session_id, rows)
        self._copy(session_id, rows)
        return last.seq + len(rows)

    def events(self, session_id: str) -> list[tuple[int, str, str, dict[str, Any]]]:
        """Return all events of a session in order: (seq, at_utc, kind, body). `event_chain.edited` finds changed ones.

        Raises JournalError if the session is unknown, or if events are missing or can't be read.
        """
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
        """Return a session with its events as they are stored, even if they can't be read. Raises JournalError."""
        with sqlite_errors(self.path):
            row = self.row(session_id)
            rows = self._database.execute(
                "SELECT seq, at_utc, kind, body, hash FROM events WHERE session = ? ORDER BY seq", (session_id,)
            ).fetchall()
        return Record(row, tuple(EventRow(*one) for one in rows))

    def row(self, session_id: str) -> SessionRow:
        """Return a session as the journal lists it. Raises JournalError: no such session, or it can't be read."""
        with sqlite_errors(self.path):
            row = self._database.execute(f"SELECT {_LISTED} FROM sessions WHERE id = ?", (session_id,)).fetchone()
        if row is None:
            raise JournalError(f"there is no session {session_id!r} in the journal {self.path}")
        return _session_row(row)

    def put(self, record: Record, claim: bool = False) -> str:
        """Add a whole session, all or nothing, and return its id: its own, or a free one if that is taken.

        Its events are written as they are. With `claim` it is locked, as `new_session` does.
        """
        self.check_writable()
        row = record.session
        lock: SessionLock | None = None
        try:
            with self.transaction():
                session_id = row.id if self._is_free(record) else self._free_id(row.started_utc[:10])
                self._insert_session(session_id, record)
                lock = SessionLock(self.path, session_id) if claim and session_id not in self._locks else None
        except BaseException:
            if lock is not None:
                lock.release()
            raise
        if lock is not None:
            self._locks[session_id] = lock
        self._reconcile(session_id)
        return session_id

    def import_session(self, record: Record) -> Imported:
        """Add a session from elsewhere, all or nothing.

        One that is here already is not changed. If the journal has its beginning, the rest is added. If another session
        has its name, it gets a free one. Raises JournalError.
        """
        row = record.session
        for known in self.sessions():
            if not is_same_session(known, row):
                continue
            own = self.record(known.id).events
            if begins_with(record.events, own) and not known.closed and not self.open_elsewhere(known.id):
                claimed = known.id in self._locks
                self.claim(known.id)
                own = self.record(known.id).events  # more of them, if some were restored
                if begins_with(record.events, own) and len(own) < len(record.events):
                    self.extend(known.id, record.events[len(own) :])
                    if row.closed_utc is not None:
                        self.seal(known.id, row.closed_utc)
                    self.release(known.id)
                    return Imported(known.id, "continued", len(record.events))
                if not claimed:
                    self.release(known.id)
            if begins_with(own, record.events):
                return Imported(known.id, "here already", len(own))
        return Imported(self.put(record), "new", len(record.events))

    def extend(self, session_id: str, rows: Sequence[EventRow]) -> None:
        """Add events with the hashes they have; they must follow the last one. Raises JournalError."""
        self.claim(session_id)
        with self.transaction():
            self._insert(session_id, rows)
        self._copy(session_id, rows)

    def sessions(self) -> list[SessionRow]:
        """Return all sessions, the newest first."""
        with sqlite_errors(self.path):
            found = self._database.execute(f"SELECT {_LISTED} FROM sessions ORDER BY started_utc DESC, rowid DESC")
            return [_session_row(row) for row in found]

    def open_sessions(self) -> list[SessionRow]:
        """Return the sessions that are not closed, the newest first."""
        return [row for row in self.sessions() if not row.closed]

    def open_elsewhere(self, session_id: str) -> bool:
        """Return True when another process, or another Journal, has the lock of a session."""
        return session_id not in self._locks and SessionLock.is_taken(self.path, session_id)

    def seal(self, session_id: str, at_utc: str) -> None:
        """Mark a session closed, for good, with the seal over it, and release it. Raises JournalError if it is closed
        already."""
        self.claim(session_id)
        with self.transaction():
            row, last = self.record(session_id).session, self._last(session_id)
            seal = seal_of(last.hash, last.seq, row.instrument, row.label, row.started_utc, at_utc)
            self._database.execute(
                "UPDATE sessions SET closed_utc = ?, seal = ? WHERE id = ?", (at_utc, seal, session_id)
            )
        self._copy(session_id)
        self.release(session_id)

    def check_writable(self) -> None:
        """Raise JournalError if the journal was opened for reading only."""
        if self._readonly:
            raise JournalError(f"{self.path} was opened for reading only: nothing can be recorded in it")

    def _is_closed(self, session_id: str) -> bool:
        with sqlite_errors(self.path):
            (closed,) = self._database.execute("SELECT closed FROM sessions WHERE id = ?", (session_id,)).fetchone()
        return bool(closed)

    def _free_id(self, day: str) -> str:
        rows = self._database.execute("SELECT id FROM sessions WHERE id GLOB ?", (f"{day}-*",))
        taken = {session_id for (session_id,) in rows}
        names = (f"{day}-{number}" for number in itertools.count(1))
        return next(name for name in names if name not in taken and not self.files.has(name))

    def _is_free(self, record: Record) -> bool:
        """Return True when neither the journal nor a file has another session of this name."""
        row = record.session
        if self._database.execute("SELECT 1 FROM sessions WHERE id = ?", (row.id,)).fetchone() is not None:
            return False
        if not self.files.has(row.id):
            return True
        copy = self.files.read(row.id)
        return copy is not None and is_same_session(copy.session, row)

    def _last(self, session_id: str) -> EventRow:
        """Return the last event; if there is none, number 0 with the hash that the chain begins with."""
        last = "SELECT seq, at_utc, kind, body, hash FROM events WHERE session = ? ORDER BY seq DESC LIMIT 1"
        row = self._database.execute(last, (session_id,)).fetchone()
        if row is not None:
            return EventRow(*row)
        (origin,) = self._database.execute("SELECT origin FROM sessions WHERE id = ?", (session_id,)).fetchone()
        return EventRow(0, "", "", "", first_link(origin))

    def _insert_session(self, session_id: str, record: Record) -> None:
        row = record.session
        self._database.execute(
            "INSERT INTO sessions (id, instrument, label, started_utc, closed_utc, identity, origin, seal, cut) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                *(session_id, row.instrument, row.label, row.started_utc, row.closed_utc),
                *(row.identity, row.origin, row.seal, row.cut),
            ),
        )
        self._insert(session_id, record.events)

    def _insert(self, session_id: str, rows: Sequence[EventRow]) -> None:
        self._database.executemany(
            "INSERT INTO events (session, seq, at_utc, kind, body, hash) VALUES (?, ?, ?, ?, ?, ?)",
            [(session_id, row.seq, row.at_utc, row.kind, row.body, row.hash) for row in rows],
        )

    def is_there(self) -> bool:
        """Return True when the file is still in its place. A moved one could be written, but would not be read."""
        return _file_at(self.path) == self._file

    def _check_there(self) -> None:
        if not self.is_there():
            raise JournalUnavailableError(f"the journal {self.path} is no longer where it was: put it back")

    @property
    def database(self) -> sqlite3.Connection:
        """The connection to the file."""
        return self._database

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Make all of the changes in the block, or none after an error. Raises JournalError."""
        self._check_there()
        with sqlite_errors(self.path), transaction(self._database):
            yield self._database

    # Journal and files

    def _copy(self, session_id: str, new_rows: Sequence[EventRow] = ()) -> None:
        """Bring a session's file up to the journal, by adding the new events where that is enough. A failure is
        noted once; what is behind is written as soon as that works again."""
        failed_before = bool(self._not_copied)
        self._not_copied.add(session_id)
        for name in sorted(self._not_copied):
            try:
                if name != session_id or not new_rows or not self.files.append(name, new_rows):
                    self.files.write(self.record(name))
            except (OSError, ValueError, TypeError) as error:
                if not failed_before:
                    why = error.strerror if isinstance(error, OSError) else " ".join(str(error).split())
                    self.notes.append(f"the journal is written, but not its copy in {self.files.folder}: {why}")
                return
            self._not_copied.discard(name)
        if failed_before:
            self.notes.append(f"the copy in {self.files.folder} is written again")

    def _reconcile(self, session_id: str) -> None:
        """Bring a session, which nobody else writes, and its file to the same events.

        What is good in the journal stays. Events that it has lost, or has damaged, are restored from the file. Without
        such a file a session is cut before its first damaged event, unless it is sealed and can be read: then the edit
        stays, and `verify` shows it.
        """
        own, copy = self.record(session_id), self._file_of(session_id)
        fault = edited(own)
        good = own.events if fault is None else own.events[: fault.seq - 1]
        if copy is not None and is_better(copy, own, good):
            only_added = fault is None and same_description(own.session, copy.session)
            kept = "" if only_added else f"; the journal as it was: {self._keep_copy()}"
            self._replace(session_id, copy)
            lost = f"{len(copy.events) - len(good)} of {counted(len(copy.events), 'event')}"
            self.notes.append(f"session {session_id}: {lost} were lost or damaged and are restored from its file{kept}")
        elif fault is not None and not (own.session.closed and can_be_read(own)):
            kept = f"the journal as it was: {self._keep_copy()}"
            self._cut(session_id, fault.seq, fault.what)
            self.notes.append(f"session {session_id} was cut after event {fault.seq - 1} ({fault.what}); {kept}")
        if copy is not None and not begins_with(self.record(session_id).events, copy.events):
            self.files.put_aside(session_id)
        self._copy(session_id)

    def _file_of(self, session_id: str) -> Record | None:
        """Return a session as its file has it; None if that can't be read."""
        try:
            return self.files.read(session_id)
        except OSError:
            return None

    def _replace(self, session_id: str, by: Record) -> None:
        row = by.session
        with self.transaction():
            self._database.execute("DELETE FROM events WHERE session = ?", (session_id,))
            self._database.execute(
                "UPDATE sessions SET instrument = ?, label = ?, started_utc = ?, closed_utc = ?, identity = ?, "
                "origin = ?, seal = ?, cut = ? WHERE id = ?",
                (
                    *(row.instrument, row.label, row.started_utc, row.closed_utc),
                    *(row.identity, row.origin, row.seal, row.cut, session_id),
                ),
            )
            self._insert(session_id, by.events)

    def _cut(self, session_id: str, first_bad: int, why: str) -> None:
        """Delete the events from number `first_bad` on, and mark the session as cut."""
        with self.transaction():
            self._database.execute("DELETE FROM events WHERE session = ? AND seq >= ?", (session_id, first_bad))
            self._database.execute("UPDATE sessions SET cut = ? WHERE id = ?", (why, session_id))

    def _keep_copy(self) -> Path:
        """Write a copy of the whole journal to a new file beside it, and return its name."""
        kept = name_for_damaged(self.path)
        with sqlite_errors(self.path):
            copy = sqlite3.connect(kept)
            try:
                self._database.backup(copy)
            finally:
                copy.close()
        return kept

    def _repair(self, put_aside: Path | None) -> None:
        """Bring journal and files to the same sessions; `put_aside` is the damaged journal that this one replaces.

        Files of closed sessions are not read unless the journal lacks the session, so this stays quick with many.
        """
        try:
            self.files.make_folder()
            # Listed before the journal: a session is in the journal before it has a file.
            files = self.files.list()
        except OSError as error:
            self.notes.append(f"the copy in {self.files.folder} can't be written ({error.strerror})")
            return
        rows = self.sessions()
        for row in rows:
            if row.id in self._locks:
                continue
            if not row.closed:
                with contextlib.suppress(JournalError, ValueError):  # open elsewhere, or a damaged name of no session
                    self.claim(row.id)
                    self.release(row.id)
            elif not files.get(row.id) or not can_be_read(self.record(row.id)):
                self._reconcile(row.id)
        missing = files.keys() - {row.id for row in rows} - self._locks.keys()
        restored = self._restore(missing) if missing else []
        self.jobs.repair([*rows, *restored])
        events = f"{counted(sum(row.events for row in restored), 'event')} of {counted(len(restored), 'session')}"
        cuts = [f"; session {row.id} ends after event {row.events}" for row in restored if row.cut]
        if put_aside is not None:
            what = f"the journal was damaged and is recovered: {events}{''.join(cuts)}"
            self.notes.append(f"{what}; the damaged file is kept as {put_aside}")
        elif restored:
            self.notes.append(f"{events} were missing in the journal and are restored from their files{''.join(cuts)}")

    def _restore(self, names: Iterable[str]) -> list[SessionRow]:
        """Add the sessions that only have a file, all or none, and return them."""
        restored = []
        with repair_lock(self.path), self.transaction():
            known = {(row.origin, row.started_utc) for row in self.sessions()}
            for name in sorted(names, key=lambda name: (name[:10], int(name[11:]))):
                copy = self._file_of(name)
                if copy is None:
                    self.notes.append(f"the file of session {name} in {self.files.folder} can't be read")
                elif (copy.session.origin, copy.session.started_utc) not in known and not self.open_elsewhere(name):
                    self._insert_session(name, copy)
                    restored.append(replace(copy.session, events=len(copy.events)))
        return restored


def _open_or_put_aside(path: Path, wait_s: float) -> tuple[sqlite3.Connection, Path | None]:
    """Open a journal's database for writing. A damaged one is renamed, and a new one made, if its sessions have files;
    the second value is then its name. Raises JournalError."""
    prepare_place(path, readonly=False)
    try:
        return open_database(path, readonly=False, wait_s=wait_s), None
    except JournalDamagedError:
        if not SessionFiles(path).folder.is_dir():
            raise
    with repair_lock(path):
        try:
            return open_database(path, readonly=False, wait_s=wait_s), None  # another process was quicker
        except JournalDamagedError:
            kept = put_database_aside(path)
        return open_database(path, readonly=False, wait_s=wait_s), kept


def _session_row(values: Sequence[Any]) -> SessionRow:
    """Return a row of the list of sessions, in which damage may have made bytes or numbers of texts."""

    def read(value: Any) -> Any:
        return value.decode("utf-8", "backslashreplace") if isinstance(value, bytes) else value and str(value)

    fields: list[Any] = [value if n == _COUNT else read(value) for n, value in enumerate(values)]
    return SessionRow(*fields)


def _file_at(path: Path) -> tuple[int, int] | None:
    """Return the numbers that identify the file with this name; None if there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
