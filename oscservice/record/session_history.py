"""An instrument's sessions in the journal, and its state after each."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from oscservice.errors import JournalError, JournalUnavailableError
from oscservice.instrument.spec import Instrument
from oscservice.record.event_chain import SessionRow
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.session import events as ev
from oscservice.session.replay import fold
from oscservice.session.session_results import summary_of
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import State
from oscservice.session.vocabulary import Ending

SEALED = (Ending.PROVED, Ending.PARTLY_PROVED)
"""Endings of a set-up that a quick check can be compared with."""


def state_of(journal: Journal | Recorder, session: str) -> State:
    """Return the last state of a session. Raises JournalError: no such session, or one that can't be read."""
    rows = journal.events(session)
    try:
        return fold(event for _, event in _read(rows))
    except Exception as error:  # a body may have values that no version of this program has written
        raise _unreadable(session, error) from None


def events_of(journal: Journal | Recorder, session: str) -> list[tuple[int, ev.Event]]:
    """Return all events of a session with their numbers, in order. Raises JournalError as ``state_of``."""
    rows = journal.events(session)
    try:
        return [(number, event) for number, (_, event) in enumerate(_read(rows), 1)]
    except ValueError as error:
        raise _unreadable(session, error) from None


def _unreadable(session: str, error: Exception) -> JournalError:
    what = " ".join(str(error).split())[:200] or type(error).__name__
    return JournalError(f"session {session} can't be read ({what}); its events are left as they are")


def timed_events(journal: Journal | Recorder, session: str) -> list[tuple[str, ev.Event]]:
    """Return every event of a session in order, with the time at which it was recorded (text in UTC). Raises
    JournalError: no such session."""
    return list(_read(journal.events(session)))


def _read(rows: Iterable[tuple[int, str, str, dict[str, Any]]]) -> Iterator[tuple[str, ev.Event]]:
    for _, at_utc, kind, body in rows:
        yield at_utc, ev.from_body(kind, body)


def sessions_of(journal: Journal | Recorder, instrument: str) -> Iterator[tuple[SessionRow, State]]:
    """Yield the sessions of an instrument, given by its identity or its name, the newest first. Sessions that can't be
    read are left out. Raises JournalError."""
    for row in journal.sessions():
        if instrument in (row.instrument, row.identity):
            try:
                state = state_of(journal, row.id)
            except JournalError:
                continue
            if state.instrument is not None:
                yield row, state


def last_sealed(
    journal: Journal | Recorder, identity: str, instrument: Instrument | None = None
) -> SetupSummary | None:
    """Return the instrument's state after its last set-up that was proved or partly proved; None if there is none.

    With an ``instrument`` it is the last set-up in that tuning, or in any if there is none. Quick checks don't count.
    Raises JournalError, also if only sessions in memory can be searched and none is found.
    """
    newest: SessionRow | None = None
    for row in journal.sessions():
        begun = _sealed_set_up(journal, row) if row.closed and row.identity == identity else None
        if begun is not None and (instrument is None or _tuned_alike(begun, instrument)):
            return summary_of(state_of(journal, row.id), row.id)
        newest = newest or (None if begun is None else row)
    if isinstance(journal, Recorder) and journal.fault:
        raise JournalUnavailableError(journal.fault)
    return None if newest is None else summary_of(state_of(journal, newest.id), newest.id)


def _sealed_set_up(journal: Journal | Recorder, row: SessionRow) -> dict[str, Any] | None:
    """Return how a sealed set-up began, by two of its events: folding those of many quick checks would be slow; None
    for any other session."""
    try:
        bodies = {kind: body for _, _, kind, body in journal.events(row.id)}
    except JournalError:
        return None
    begun, closed = bodies.get(ev.SessionBegun.__name__, {}), bodies.get(ev.SessionClosed.__name__, {})
    return begun if begun and not begun.get("against") and closed.get("outcome") in SEALED else None


def _tuned_alike(begun: dict[str, Any], instrument: Instrument) -> bool:
    """Return True if a session began with these notes and offsets."""
    try:
        strings = Instrument.from_json(begun["instrument"]).strings
    except (KeyError, ValueError):
        return False
    return [(s.note, s.offset_cents) for s in strings] == [(s.note, s.offset_cents) for s in instrument.strings]
