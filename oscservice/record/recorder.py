"""The recorder: the journal while it can be written, memory while it can't, and the journal again once it can.

All events of an open session are in memory too, so that it can be written whole when the journal is there again. While
there is no fault, events are on the disk before `append` returns.
"""

from __future__ import annotations

import itertools
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from oscservice.errors import InputError, JournalDamagedError, JournalError, JournalUnavailableError
from oscservice.record.event_chain import (
    EventRow,
    Record,
    SessionRow,
    begins_with,
    body_text,
    chained,
    first_link,
    is_same_session,
    object_in,
    storable,
    utc_text,
)
from oscservice.record.job_entries import JobEntry, JobRecord, job_lines, next_entry
from oscservice.record.job_sheet import JobChange
from oscservice.record.journal import Journal, default_path
from oscservice.record.session_files import lines
from oscservice.sentences.plural import counted

WAIT_S = 0.25
"""Time to wait for another process that is writing, in seconds. The daemon does nothing else meanwhile."""

REOPENED_EVERY = 5
"""After so many tries the file is opened again: one that was opened while it was read-only stays read-only."""

_PASSING = (JournalUnavailableError, JournalDamagedError)


@dataclass
class _SessionInMemory:
    """A session that was begun or resumed here, with all its events, and what is to be added to its job sheet: each
    time (text in UTC), author and change."""

    session: SessionRow
    rows: list[EventRow] = field(default_factory=list)
    job: list[tuple[str, str, JobChange]] = field(default_factory=list)

    @property
    def last_hash(self) -> str:
        return self.rows[-1].hash if self.rows else first_link(self.session.origin)

    def job_record(self) -> JobRecord:
        """Return what is to be added to the job sheet as if nothing had been written on it."""
        entries: list[JobEntry] = []
        for at_utc, by, change in self.job:
            entries.append(next_entry(self.session, entries, change.to_body(), at_utc, by, ""))
        return JobRecord(self.session.id, self.session.origin, self.session.started_utc, tuple(entries))

    def record(self) -> Record:
        return Record(replace(self.session, closed_utc=None, seal=None), tuple(self.rows))


class Recorder:
    """A journal that never fails for a reason that may pass.

    Args:
        journal: an open journal, or None if it can't be opened for now.
        path: where the journal is.
        fault: the reason why it can't be written for now, or empty.

    Attributes:
        fault: the same, now. It stays until `try_again` has written everything.
        notes: lines for a person; `take_notes` returns these and the journal's.
    """

    def __init__(self, journal: Journal | None, path: Path, fault: str = "") -> None:
        self.fault = fault
        self.notes: list[str] = []
        self.path = path
        self._journal = journal
        self._damaged = False
        self._failed = 0
        self._sessions: dict[str, _SessionInMemory] = {}
        self._renamed: dict[str, str] = {}

    @classmethod
    def open(cls, path: str | os.PathLike[str] | None = None) -> Self:
        """Open a journal, by default the user's own. A damaged one is repaired, an older one migrated.

        Raises JournalError where waiting does not help: a newer journal, another program's file, a damaged file without
        sessions' files beside it, a place where no file can be.
        """
        where = default_path() if path is None else Path(path)
        try:
            return cls(Journal.open_repaired(where, WAIT_S), where)
        except JournalUnavailableError as error:
            return cls(None, where, str(error))

    @classmethod
    def of(cls, journal: Journal) -> Self:
        """Return a recorder for a journal that is open."""
        return cls(journal, journal.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the journal. What could not be written is lost, unless it was `rescued`."""
        if self._journal is not None:
            self._journal.close()

    @property
    def unwritten(self) -> int:
        """The number of events that may be in memory only."""
        return sum(len(memory.rows) for memory in self._sessions.values()) if self.fault else 0

    def rescued(self) -> str:
        """Write what is in memory to a temporary file, for `sessions import`. Return one line with its place."""
        try:
            descriptor, name = tempfile.mkstemp(prefix="oscservice-", suffix=".jsonl")
            with open(descriptor, "w", encoding="utf-8") as file:
                for memory in self._sessions.values():
                    file.writelines(f"{line}\n" for line in lines(memory.record()))
                    file.writelines(f"{line}\n" for line in job_lines(memory.job_record()))
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            lost = f"{counted(self.unwritten, 'event')} in memory lost: {self.fault}"
            return f"{lost}; a copy can't be written either ({error.strerror})"
        return f"{self.fault}; what was in memory is in {name}: `oscservice sessions import {name}` brings it back"

    def take_notes(self) -> list[str]:
        """Return the lines for a person that were not taken yet, and forget them."""
        if self._journal is not None:
            self.notes += self._journal.notes
            self._journal.notes.clear()
        taken, self.notes = self.notes, []
        return taken

    # The methods of a journal

    def new_session(self, instrument_name: str, label: str, now: datetime, identity: str = "") -> str:
        """As `Journal.new_session`."""
        if self._journal is not None and not self.fault:
            try:
                session_id = self._journal.new_session(instrument_name, label, now, identity)
                self._sessions[session_id] = _SessionInMemory(self._journal.record(session_id).session)
                return session_id
            except _PASSING as error:
                self._fall_back(error)
        day = f"{now:%Y-%m-%d}"
        session_id = next(name for n in itertools.count(1) if (name := f"{day}-{n}") not in self._sessions)
        name = storable(instrument_name)
        row = (session_id, name, storable(label), utc_text(now), None, 0, storable(identity) or name, session_id)
        self._sessions[session_id] = _SessionInMemory(SessionRow(*row))
        return session_id

    def claim(self, session_id: str) -> None:
        """As `Journal.claim`."""
        if session_id in self._sessions:
            return
        journal = self._working_journal()
        journal.claim(session_id)
        try:
            record = journal.record(session_id)
        except BaseException:
            journal.release(session_id)
            raise
        self._sessions[session_id] = _SessionInMemory(record.session, list(record.events))

    def release(self, session_id: str) -> None:
        """As `Journal.release`."""
        self._sessions.pop(session_id, None)
        if self._journal is not None:
            self._journal.release(session_id)

    def append(self, session_id: str, events: Sequence[tuple[str, dict[str, Any]]], at_utc: str) -> int:
        """As `Journal.append`; while there is a fault the events are in memory when this returns."""
        bodies = [(at_utc, kind, body_text(kind, body)) for kind, body in events]
        self.claim(session_id)
        memory = self._sessions[session_id]
        rows = chained(memory.last_hash, len(memory.rows) + 1, bodies)
        if self._journal is not None and not self.fault:
            try:
                self._journal.extend(session_id, rows)
            except _PASSING as error:
                self._fall_back(error)
        memory.rows += rows
        return len(memory.rows)

    def add_to_job(self, session_id: str, change: JobChange, at_utc: str, by: str) -> None:
        """As `JobBook.add`; while there is a fault the entry of an open session is in memory when this returns."""
        memory = self._sessions.get(session_id)
        if self._journal is not None and not self.fault:
            try:
                self._journal.jobs.add(session_id, change, at_utc, by)
                return
            except _PASSING as error:
                self._fall_back(error)
        if memory is None:
            raise JournalUnavailableError(self.fault)
        memory.job.append((at_utc, by, change))

    def seal(self, session_id: str, at_utc: str) -> None:
        """As `Journal.seal`."""
        memory = self._sessions.get(session_id)
        if memory is None:
            self._working_journal().seal(session_id, at_utc)
            return
        memory.session = replace(memory.session, closed_utc=at_utc)
        if self._journal is not None and not self.fault:
            try:
                self._journal.seal(session_id, at_utc)
                del self._sessions[session_id]
            except _PASSING as error:
                self._fall_back(error)

    def events(self, session_id: str) -> list[tuple[int, str, str, dict[str, Any]]]:
        """As `Journal.events`."""
        memory = self._sessions.get(session_id)
        if memory is None:
            return self._working_journal().events(session_id)
        return [(row.seq, row.at_utc, row.kind, object_in(row.body) or {}) for row in memory.rows]

    def sessions(self) -> list[SessionRow]:
        """As `Journal.sessions`; while there is a fault, the sessions in memory."""
        if self._journal is not None and not self.fault:
            try:
                return self._journal.sessions()
            except _PASSING as error:
                self._fall_back(error)
        return [memory.session for memory in reversed(self._sessions.values())]

    def open_sessions(self) -> list[SessionRow]:
        """As `Journal.open_sessions`; none while there is a fault."""
        if self._journal is None or self.fault:
            return []
        try:
            return self._journal.open_sessions()
        except _PASSING as error:
            self._fall_back(error)
            return []

    def open_elsewhere(self, session_id: str) -> bool:
        """As `Journal.open_elsewhere`."""
        return self._journal is not None and self._journal.open_elsewhere(session_id)

    # From memory to the journal

    def try_again(self) -> dict[str, str]:
        """While there is a fault, try to write everything in memory, in order; then the fault is cleared.

        Return the sessions that got another name, since the journal has another session of theirs: old to new.
        """
        if self.fault:
            try:
                self._open()
                for memory in list(self._sessions.values()):
                    self._catch_up(memory)
                self.fault = ""
                self._failed = 0
            except JournalError as error:
                self._failed += 1
                self._fall_back(error)
        renamed, self._renamed = self._renamed, {}
        return renamed

    def _working_journal(self) -> Journal:
        if self._journal is None or self.fault:
            raise JournalUnavailableError(self.fault)
        return self._journal

    def _fall_back(self, error: JournalError) -> None:
        self.fault = str(error)
        self._damaged = self._damaged or isinstance(error, JournalDamagedError)

    def _open(self) -> None:
        """Open the journal's file, or the one that now has its name."""
        if self._journal is None:
            self._journal = Journal.open_repaired(self.path, WAIT_S)
        elif self._damaged or not self._journal.is_there() or self._failed % REOPENED_EVERY == REOPENED_EVERY - 1:
            self._damaged = True  # until it is open again
            self._journal.reopen_repaired(WAIT_S)
            self._damaged = False

    def _catch_up(self, memory: _SessionInMemory) -> None:
        """Write the events of a session that the journal lacks."""
        assert self._journal is not None
        own = memory.session
        there = self._recorded_part(self._journal, memory)
        if there is None:
            name = self._journal.put(memory.record(), claim=True)
            if name != own.id:
                self._rename(memory, name)
        elif not there.session.closed:
            self._journal.extend(own.id, memory.rows[len(there.events) :])
        while memory.job:
            at_utc, by, change = memory.job[0]
            try:
                self._journal.jobs.add(memory.session.id, change, at_utc, by)
            except InputError as error:
                self.notes.append(f"session {memory.session.id}: {error}")
            del memory.job[0]
        if own.closed_utc is not None:
            if there is None or not there.session.closed:
                self._journal.seal(memory.session.id, own.closed_utc)
            del self._sessions[memory.session.id]

    def _recorded_part(self, journal: Journal, memory: _SessionInMemory) -> Record | None:
        """Return the journal's record of a session, if it is the beginning, or all, of what is in memory."""
        if memory.session.id not in {row.id for row in journal.sessions()}:
            return None
        there = journal.record(memory.session.id)
        same = is_same_session(there.session, memory.session) and begins_with(memory.rows, there.events)
        whole = len(there.events) == len(memory.rows) or not there.session.closed
        return there if same and whole else None

    def _rename(self, memory: _SessionInMemory, name: str) -> None:
        old = memory.session.id
        memory.session = replace(memory.session, id=name)
        del self._sessions[old]
        self._sessions[name] = memory
        self._renamed[old] = name
        self.notes.append(f"session {old} is recorded as {name}: that name was taken")
