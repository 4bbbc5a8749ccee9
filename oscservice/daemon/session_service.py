"""The current session and its journal, always in step; and the switch for listening.

Events are committed before the new state is visible, so whatever was announced survives the process.

The switch decides if readings are used. It is valid in every phase, so that a recording program can set it before any
session. It is no step of a session: ``undo`` takes back the technician's last step, also where a take was recorded
after it.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

from oscservice.errors import JournalError
from oscservice.instrument.spec import Instrument
from oscservice.record.event_chain import SessionRow, utc_text
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.record.session_history import last_sealed, state_of
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import LastTime, impossible
from oscservice.session.decide import decide
from oscservice.session.figures import NO_FIGURES, Figures, figures
from oscservice.session.inspection import instrument_as_left
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase

log = logging.getLogger(__name__)


NOT_LISTENING = "not listening"


def last_session(journal: Journal | Recorder, instrument: Instrument) -> LastTime | None:
    """Return the instrument at the begin and at the end of its last closed set-up; None if there was no set-up.

    A session that can't be read is skipped.
    """
    try:
        rows = [row for row in journal.sessions() if row.closed and row.identity == instrument.identity]
    except JournalError as error:
        log.warning("what changed since the last session is unknown: %s", error)
        return None
    for row in rows:
        try:
            state = state_of(journal, row.id)
            begun = next(body for _, _, kind, body in journal.events(row.id) if kind == ev.SessionBegun.__name__)
        except (JournalError, StopIteration) as error:
            log.warning("session %s is skipped: %s", row.id, error)
            continue
        if state.instrument is not None and state.against is None:  # a quick check changes and measures nothing
            return LastTime(Instrument.from_json(begun["instrument"]), instrument_as_left(state))
    return None


def wall_clock() -> datetime:
    """Return the time now, in UTC."""
    return datetime.now(UTC)


class SessionService:
    """Carries out commands on one session at a time.

    A session whose process died after its last event and before it was sealed is sealed at the start.

    Args:
        journal: where events are committed. A recorder goes on in memory where a journal raises JournalError.
        now: returns the wall clock time.

    Attributes:
        state: the state of the session.
        session_id: its name in the journal; empty before the first session.
        last_seq: number of the last event that was committed here.
    """

    def __init__(self, journal: Journal | Recorder, now: Callable[[], datetime] = wall_clock) -> None:
        self._journal = journal
        self._now = now
        self.state = State()
        self._figures = NO_FIGURES
        self._switched_on = True
        self.session_id = ""
        self.last_seq = 0
        for row in journal.open_sessions():
            with contextlib.suppress(JournalError):  # another process has it, or it can't be read
                if any(kind == ev.SessionClosed.__name__ for _, _, kind, _ in journal.events(row.id)[-1:]):
                    journal.seal(row.id, utc_text(self._now()))

    def with_history(self, command: cm.Begin) -> cm.Begin:
        """Return the command with today's date and the instrument's last session."""
        today = self._now().astimezone().date().isoformat()
        return replace(command, day=today, last_time=last_session(self._journal, command.instrument))

    def carry_out(self, command: cm.Command) -> list[ev.Event]:
        """Decide, commit, and only then change the state; return the events.

        Raises:
            Refused, Ignored: the command is not possible, or readings are not used now; nothing has changed.
            JournalError: the events could not be written; nothing has changed.
        """
        if isinstance(command, cm.Hear) and not self._switched_on:
            raise cm.Ignored(NOT_LISTENING)
        step = decide(self.state, command)
        events, after = step.events, step.state
        if not events:
            return []
        session_id, at_utc = self.session_id, utc_text(self._now())
        bodies = [ev.to_body(event) for event in events]
        if isinstance(command, cm.Begin | cm.Quick):
            instrument = command.instrument
            session_id = self._journal.new_session(instrument.name, after.label, self._now(), instrument.identity)
            try:
                self.last_seq = self._journal.append(session_id, bodies, at_utc)
            except BaseException:
                self._journal.release(session_id)  # it stays empty, and is never resumed
                raise
        else:
            self.last_seq = self._journal.append(session_id, bodies, at_utc)
        self.session_id, self.state = session_id, after
        if after.phase is Phase.CLOSED:
            self._seal(at_utc)
        return events

    @property
    def listening(self) -> bool:
        """True if readings are used. A session of an older journal can be off by itself."""
        return self._switched_on and self.state.listening

    def listen(self, on: bool) -> str:
        """Use readings from now on, or not; return a line for a person, empty if nothing changed."""
        changed = on != self._switched_on or (on and not self.state.listening)
        self._switched_on = on
        if on and not self.state.listening:
            self.carry_out(cm.Listen(True))
        return "" if not changed else "listening" if on else NOT_LISTENING

    def figures(self) -> Figures:
        """Return the figures of the state; only those that changed since the last call are calculated."""
        if self._figures.state is not self.state:
            self._figures = figures(self.state, self._figures)
        return self._figures

    def _seal(self, at_utc: str) -> None:
        """Seal the session. Its events are on the disk; if sealing fails, the next start seals it."""
        try:
            self._journal.seal(self.session_id, at_utc)
        except JournalError as error:
            log.warning("session %s is closed but could not be marked so yet: %s", self.session_id, error)

    def resumable(self) -> SessionRow | None:
        """Return the newest open session that no process works on, or None."""
        free = (row for row in self._open_sessions() if row.id != self.session_id)
        return next((row for row in free if not self._journal.open_elsewhere(row.id)), None)

    def last_sealed(self, instrument: Instrument) -> SetupSummary | None:
        """Return how the last sealed set-up of an instrument left it, if possible in this tuning, or None. Raises
        JournalError."""
        return last_sealed(self._journal, instrument.identity, instrument)

    def retry_recording(self) -> bool:
        """Try to write what is in memory only; return False if there was nothing to write."""
        if not isinstance(self._journal, Recorder) or not self._journal.fault:
            return False
        renamed = self._journal.try_again()
        self.session_id = renamed.get(self.session_id, self.session_id)
        return True

    def _open_sessions(self) -> list[SessionRow]:
        return [row for row in self._journal.open_sessions() if row.events]

    def resume(self, session_id: str) -> None:
        """Continue an open session at its last step.

        Raises:
            Refused: another session is open here, or there is no such open session.
            JournalError: another process has the session, or its events can't be read.
        """
        why_not = impossible(cm.Begin, self.state.phase)
        if why_not is not None:
            raise cm.Refused("phase", why_not)
        if all(row.id != session_id for row in self._open_sessions()):
            raise cm.Refused("missing", f"no open session is called {session_id!r}")
        self._journal.claim(session_id)
        try:
            self.state = state_of(self._journal, session_id)
        except BaseException:
            self._journal.release(session_id)
            raise
        self.session_id = session_id
