"""The session's keeper: the state in memory and its journal, always in step.

Events are committed before the new state is given out, so whatever was announced survives the process.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from oscservice.errors import JournalError
from oscservice.instrument.spec import Instrument
from oscservice.record.journal import Journal, utc_text
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.evolve import fold
from oscservice.session.machine import decide
from oscservice.session.state import State
from oscservice.session.words import Phase


def wall_clock() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


class Keeper:
    """Holds one session at a time.

    Args:
        journal: where events go.
        now: the wall clock.
    """

    def __init__(self, journal: Journal, now: Callable[[], datetime] = wall_clock) -> None:
        self._journal = journal
        self._now = now
        self.state = State()
        self.session_id = ""

    def carry_out(self, command: cm.Command) -> list[ev.Event]:
        """Decide, commit, and only then change the state; gives the events.

        Raises:
            Refused, Ignored: nothing has changed.
            JournalError: it could not be written; nothing has changed.
        """
        events = decide(self.state, command)
        if not events:
            return []
        after = fold(events, self.state)
        session_id = self.session_id
        if isinstance(command, cm.Begin):
            session_id = self._journal.new_session(command.instrument.name, command.label, self._now())
        at_utc = utc_text(self._now())
        self._journal.append(session_id, [ev.to_body(event) for event in events], at_utc)
        if after.phase is Phase.CLOSED:
            self._journal.seal(session_id, at_utc)
        self.session_id, self.state = session_id, after
        return events

    def offered(self) -> str:
        """Name of the newest open session other than the one held, or an empty text."""
        return next((row.id for row in self._journal.open_sessions() if row.id != self.session_id), "")

    def resume(self, session_id: str) -> None:
        """Go on with an open session at the step where it stands.

        Raises:
            Refused: a session is under way, or there is no such open session.
            JournalError: the session is held elsewhere, or its events can't be read.
        """
        if self.state.phase not in (Phase.IDLE, Phase.CLOSED):
            raise cm.Refused("phase", "a session is under way; finish or abandon it first")
        if all(row.id != session_id for row in self._journal.open_sessions()):
            raise cm.Refused("missing", f"no open session is called {session_id!r}")
        self._journal.claim(session_id)
        try:
            self.state = fold(ev.from_body(kind, body) for _, _, kind, body in self._journal.events(session_id))
        except (ValueError, KeyError) as error:
            self._journal.release(session_id)
            reason = f"session {session_id} can't be read ({error}); its events are left as they are"
            raise JournalError(reason) from None
        self.session_id = session_id

    @property
    def instrument(self) -> Instrument | None:
        """The instrument on the bench."""
        return self.state.instrument
