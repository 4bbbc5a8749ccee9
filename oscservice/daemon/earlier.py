"""The last session of an instrument, looked up in the journal."""

from __future__ import annotations

import logging

from oscservice.errors import JournalError
from oscservice.instrument.spec import Instrument
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.session import events as ev
from oscservice.session.commands import LastTime
from oscservice.session.evolve import fold

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
            bodies = journal.events(row.id)
            begun = next((body for _, _, kind, body in bodies if kind == ev.SessionBegun.__name__), None)
            if begun is None or begun.get("against"):  # a quick check changes nothing and measures nothing
                continue
            filed = Instrument.from_json(begun["instrument"])
            left = fold(ev.from_body(kind, body) for _, _, kind, body in bodies).instrument
        except Exception as error:  # whatever a body holds that no version of this program has written
            log.warning("session %s is passed over: %s", row.id, " ".join(str(error).split())[:200])
            continue
        return None if left is None else LastTime(filed, left)
    return None
