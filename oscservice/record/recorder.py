"""The recorder: the journal while it can be written, memory while it can't, and the journal again once it can.

What a session under way consists of is always held in memory too, so that it can be written whole, wherever the journal
is found again. While there is no fault, events are on the disk before `append` returns.
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

from oscservice.errors import JournalDamagedError, JournalError, JournalUnavailableError
from oscservice.record.event_chain import (
    EventRow,
    Record,
    SessionRow,
    body_text,
    chained,
    first_link,
    object_in,
    storable,
    utc_text,
)
from oscservice.record.journal import Journal, default_path
from oscservice.record.session_files import lines

WAIT_S = 0.25
"""How long another process that is writing is waited for: the daemon's loop stands still meanwhile."""

REOPENED_EVERY = 5
"""Every so many tries the file is opened anew: one opened while it could only be read stays so."""

_PASSING = (JournalUnavailableError, JournalDamagedError)


@dataclass
class _Held:
    """A session begun or taken up here."""

    session: SessionRow
    rows: list[EventRow] = field(default_factory=list)

    @property
    def last_hash(self) -> str:
        return self.rows[-1].hash if self.rows else first_link(self.session.origin)

    def record(self) -> Record:
        return Record(replace(self.session, closed_utc=None, seal=None), tuple(self.rows))


class Recorder:
    """What a journal does, without ever failing for a reason that may pass.

    Args:
        journal: an open journal, or None if it can't be opened for now.
        path: where the journal is.
        fault: why it can't be written for now; empty while it is.

    Attributes:
        fault: the same, now. A fault stands until `try_again` has written everything.
        notes: lines for a person that nobody has taken yet.
    """

    def __init__(self, journal: Journal | None, path: Path, fault: str = "") -> None:
        self.fault = fault
        self.notes: list[str] = []
        self.path = path
        self._journal = journal
        self._damaged = False
        self._failed = 0
        self._held: dict[str, _Held] = {}
        self._renamed: dict[str, str] = {}

    @classmethod
    def open(cls, path: str | os.PathLike[str] | None = None) -> Self:
        """Open a journal, by default the user's own; a damaged one is recovered, an older one migrated.

        Raises JournalError for what waiting does not mend: a newer journal, another program's file, or one of which
        nothing can be recovered, a place where no file can be.
        """
        where = default_path() if path is None else Path(path)
        try:
            return cls(Journal.open_repaired(where, WAIT_S), where)
        except JournalUnavailableError as error:
            return cls(None, where, str(error))

    @classmethod
    def of(cls, journal: Journal) -> Self:
        """A recorder on a journal that is open."""
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
        """How many events of sessions held may be in memory only."""
        return sum(len(held.rows) for held in self._held.values()) if self.fault else 0

    def rescued(self) -> str:
        """Write what is in memory only to a file for temporary ones, to be imported; where it is, in one line."""
        try:
            descriptor, name = tempfile.mkstemp(prefix="oscservice-", suffix=".jsonl")
            with open(descriptor, "w", encoding="utf-8") as file:
                for held in self._held.values():
                    file.writelines(f"{line}\n" for line in lines(held.record()))
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            return f"{self.unwritten} events in memory are lost ({error.strerror} for a copy either): {self.fault}"
        return f"{self.fault}; what was in memory is in {name}: `oscservice sessions import {name}` brings it back"

    def take_notes(self) -> list[str]:
        """The lines that nobody has taken yet."""
        if self._journal is not None:
            self.notes += self._journal.notes
            self._journal.notes.clear()
        taken, self.notes = self.notes, []
        return taken

    # What a keeper does with a journal

    def new_session(self, instrument_name: str, label: str, now: datetime, identity: str = "") -> str:
        """As `Journal.new_session`."""
        if self._journal is not None and not self.fault:
            try:
                session_id = self._journal.new_session(instrument_name, label, now, identity)
                self._held[session_id] = _Held(self._journal.record(session_id).session)
                return session_id
            except _PASSING as error:
                self._fall_back(error)
        day = f"{now:%Y-%m-%d}"
        session_id = next(name for n in itertools.count(1) if (name := f"{day}-{n}") not in self._held)
        name = storable(instrument_name)
        row = (session_id, name, storable(label), utc_text(now), None, 0, storable(identity) or name, session_id)
        self._held[session_id] = _Held(SessionRow(*row))
        return session_id

    def claim(self, session_id: str) -> None:
        """As `Journal.claim`; a damaged session is cut after its last good event, and a note says so."""
        if session_id in self._held:
            return
        journal = self._there()
        journal.claim(session_id)
        try:
            record = journal.record(session_id)
        except BaseException:
            journal.release(session_id)
            raise
        self._held[session_id] = _Held(record.session, list(record.events))

    def release(self, session_id: str) -> None:
        """As `Journal.release`."""
        self._held.pop(session_id, None)
        if self._journal is not None:
            self._journal.release(session_id)

    def append(self, session_id: str, events: Sequence[tuple[str, dict[str, Any]]], at_utc: str) -> int:
        """As `Journal.append`; while there is a fault the events are in memory when this returns."""
        bodies = [(at_utc, kind, body_text(kind, body)) for kind, body in events]
        self.claim(session_id)
        held = self._held[session_id]
        rows = chained(held.last_hash, len(held.rows) + 1, bodies)
        if self._journal is not None and not self.fault:
            try:
                self._journal.extend(session_id, rows)
            except _PASSING as error:
                self._fall_back(error)
        held.rows += rows
        return len(held.rows)

    def seal(self, session_id: str, at_utc: str) -> None:
        """As `Journal.seal`."""
        held = self._held.get(session_id)
        if held is None:
            self._there().seal(session_id, at_utc)
            return
        held.session = replace(held.session, closed_utc=at_utc)
        if self._journal is not None and not self.fault:
            try:
                self._journal.seal(session_id, at_utc)
                del self._held[session_id]
            except _PASSING as error:
                self._fall_back(error)

    def events(self, session_id: str) -> list[tuple[int, str, str, dict[str, Any]]]:
        """As `Journal.events`."""
        held = self._held.get(session_id)
        if held is None:
            return self._there().events(session_id)
        return [(row.seq, row.at_utc, row.kind, object_in(row.body) or {}) for row in held.rows]

    def sessions(self) -> list[SessionRow]:
        """As `Journal.sessions`; those held here while there is a fault."""
        if self._journal is not None and not self.fault:
            try:
                return self._journal.sessions()
            except _PASSING as error:
                self._fall_back(error)
        return [held.session for held in reversed(self._held.values())]

    def open_sessions(self) -> list[SessionRow]:
        """As `Journal.open_sessions`; none while there is a fault."""
        if self._journal is None or self.fault:
            return []
        try:
            return self._journal.open_sessions()
        except _PASSING as error:
            self._fall_back(error)
            return []

    def held_elsewhere(self, session_id: str) -> bool:
        """As `Journal.held_elsewhere`."""
        return self._journal is not None and self._journal.held_elsewhere(session_id)

    # There and back

    def try_again(self) -> dict[str, str]:
        """While there is a fault, try to write everything held, in order; then the fault is gone.

        Gives the sessions that had to take another name, since the journal has another of theirs: old to new.
        """
        if self.fault:
            try:
                self._find()
                for held in list(self._held.values()):
                    self._catch_up(held)
                self.fault = ""
                self._failed = 0
            except JournalError as error:
                self._failed += 1
                self._fall_back(error)
        renamed, self._renamed = self._renamed, {}
        return renamed

    def _there(self) -> Journal:
        if self._journal is None or self.fault:
            raise JournalUnavailableError(self.fault)
        return self._journal

    def _fall_back(self, error: JournalError) -> None:
        self.fault = str(error)
        self._damaged = self._damaged or isinstance(error, JournalDamagedError)

    def _find(self) -> None:
        """See that the journal is open, with the file that is there now."""
        if self._journal is None:
            self._journal = Journal.open_repaired(self.path, WAIT_S)
        elif self._damaged or not self._journal.is_there() or self._failed % REOPENED_EVERY == REOPENED_EVERY - 1:
            self._damaged = True  # whatever happens now, until it is open again
            self._journal.reopen_repaired(WAIT_S)
            self._damaged = False

    def _catch_up(self, held: _Held) -> None:
        """Write what the journal lacks of a session held."""
        assert self._journal is not None
        own = held.session
        there = self._same_there(self._journal, held)
        if there is None:
            name = self._journal.put(held.record(), claim=True)
            if name != own.id:
                self._rename(held, name)
        elif not there.session.closed:
            self._journal.extend(own.id, held.rows[len(there.events) :])
        if own.closed_utc is not None:
            if there is None or not there.session.closed:
                self._journal.seal(held.session.id, own.closed_utc)
            del self._held[held.session.id]

    def _same_there(self, journal: Journal, held: _Held) -> Record | None:
        """The journal's own record of a session held, if it is the same as far as it goes."""
        if held.session.id not in {row.id for row in journal.sessions()}:
            return None
        there = journal.record(held.session.id)
        begun = (there.session.origin, there.session.started_utc) == (held.session.origin, held.session.started_utc)
        same = all(a.hash == b.hash for a, b in zip(there.events, held.rows, strict=False))
        whole = len(there.events) == len(held.rows) or not there.session.closed
        return there if begun and same and whole and len(there.events) <= len(held.rows) else None

    def _rename(self, held: _Held, name: str) -> None:
        old = held.session.id
        held.session = replace(held.session, id=name)
        del self._held[old]
        self._held[name] = held
        self._renamed[old] = name
        self.notes.append(f"session {old} is recorded as {name}: that name was taken")
