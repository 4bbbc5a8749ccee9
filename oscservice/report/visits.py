"""An instrument's sessions one after another, string by string: how each found it, and how it left it.

Cents + sharp, standard errors 1 sd, None for what was not heard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from oscservice.instrument.pitch import OPEN
from oscservice.record.remeasured import NumberedEvents, taken_back
from oscservice.record.rows import SessionRow
from oscservice.session import events as ev
from oscservice.session.changes import Side, unlike
from oscservice.session.standing import Standing, StringStanding
from oscservice.session.state import State
from oscservice.session.summing import open_se_cents, standing_of


@dataclass(frozen=True)
class StringVisit:
    """One string in one session.

    Attributes:
        standing: how it was left.
        open_found, open_left: the open string from its pitch, cents: as first heard, and as last heard.
        error_found, error_left: error at the fret told (``Visit.fret``), cents: before its saddle was first moved (None
            if it was not), and as it was left.
        inharmonicity: B.
    """

    standing: StringStanding
    open_found: Side | None
    open_left: Side | None
    error_found: Side | None
    error_left: Side | None
    inharmonicity: Side | None

    @property
    def string(self) -> int:
        """Its number."""
        return self.standing.string


@dataclass(frozen=True)
class Visit:
    """One session. ``fret``: the one that errors are told of; ``strings_fitted``: the day the strings it left were put
    on, as 2026-11-25, empty if not known; ``strings[0]`` is string 1."""

    session: str
    at: datetime
    quick: bool
    tolerance_cents: float
    fret: int | None
    strings_fitted: str
    strings: tuple[StringVisit, ...]


def visit(row: SessionRow, state: State, events: NumberedEvents, fret: int | None = None) -> Visit:
    """What one session found and left.

    Args:
        row: its line in the journal.
        state: its last state, in which something was begun.
        events: all its events with their numbers.
        fret: which fret's errors to tell; the one compared that is nearest to the twelfth if None.
    """
    standing = standing_of(state, row.id)
    fret = standing.check_fret if fret is None else fret
    found = {} if standing.quick else _first_heard(events)
    assert state.instrument is not None
    return Visit(
        session=row.id,
        at=datetime.fromisoformat(row.started_utc),
        quick=standing.quick,
        tolerance_cents=standing.tolerance_cents,
        fret=fret,
        strings_fitted=state.instrument.set_up.strings_fitted,
        strings=tuple(_string(standing, one, state, fret, found.get(one.string)) for one in standing.strings),
    )


def same_strings(before: Visit, after: Visit, string: int) -> bool:
    """Whether a string is, as far as is known, the very one that was on in an earlier session."""
    if before.strings_fitted != after.strings_fitted or string > min(len(before.strings), len(after.strings)):
        return False
    return not unlike(before.strings[string - 1].standing, after.strings[string - 1].standing)


def stiffness_since_new(visits: Sequence[Visit], string: int) -> list[Side | None]:
    """B of a string in each session, the oldest first, in per cent above the first one heard of the same string."""
    told: list[Side | None] = []
    first: tuple[Visit, Side] | None = None
    for one in visits:
        heard = one.strings[string - 1].inharmonicity if string <= len(one.strings) else None
        if heard is None or heard.value <= 0.0:
            told.append(None)
            continue
        if first is None or not same_strings(first[0], one, string):
            first = one, heard
            told.append(Side(0.0, 100.0 * heard.se / heard.value))
            continue
        ratio = heard.value / first[1].value
        se = 100.0 * ratio * math.hypot(heard.se / heard.value, first[1].se / first[1].value)
        told.append(Side(100.0 * (ratio - 1.0), se))
    return told


def _first_heard(events: NumberedEvents) -> dict[int, Side]:
    """Each string's first open reading that stands."""
    back = taken_back(events)
    found: dict[int, Side] = {}
    for seq, event in events:
        if isinstance(event, ev.ReadingTaken) and event.place == str(OPEN) and seq not in back:
            found.setdefault(event.string, Side(event.cents, open_se_cents(event.se_cents)))
    return found


def _string(standing: Standing, one: StringStanding, state: State, fret: int | None, found: Side | None) -> StringVisit:
    left = None if fret is None else one.at(fret)
    first = state.string(one.string).first
    moved = one.moves > 0 and first is not None and fret == state.fret
    return StringVisit(
        standing=one,
        open_found=found,
        open_left=None if one.open_cents is None else Side(one.open_cents, one.open_se_cents),
        error_found=Side(first.error_cents, first.se_cents) if moved and first is not None else None,
        error_left=None if left is None else Side(left.error_cents, left.se_cents),
        inharmonicity=None if one.inharmonicity is None else Side(one.inharmonicity, one.inharmonicity_se),
    )
