"""The last session of an instrument, looked up in the journal."""

from __future__ import annotations

import logging

from oscservice.errors import JournalError
from oscservice.instrument.spec import Instrument
from oscservice.record.history import state_of
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.session import events as ev
from oscservice.session.commands import LastTime

log = logging.getLogger(__name__)


def last_time(journal: Journal | Recorder, instrument: Instrument) -> LastTime | None:
    """The instrument as its last closed set-up had and left it; None for its first.

    A session that can't be read is passed over: the next may still go on without it.
    """
    try:
        rows = [row for row in journal.sessions() if row.closed and row.identity == instrument.identity]
    except JournalError as error:
        log.warning("what changed since the last session can't be told: %s", error)
        return None
    for row in rows:
        try:
            state = state_of(journal, row.id)
            begun = next(body for _, _, kind, body in journal.events(row.id) if kind == ev.SessionBegun.__name__)
        except (JournalError, StopIteration) as error:
            log.warning("session %s is passed over: %s", row.id, error)
            continue
        if state.instrument is not None and state.against is None:  # a quick check changes and measures nothing
            return LastTime(Instrument.from_json(begun["instrument"]), state.instrument)
    return None
