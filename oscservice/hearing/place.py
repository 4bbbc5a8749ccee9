"""Which string, and where on it, a pitch belongs to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from oscservice.instrument.pitch import OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument

_ASKED_SD_CENTS = 120.0
_OTHER_SD_CENTS = 60.0
_ASKED_ODDS = 6.0
_FARTHEST_CENTS = 320.0
NEW_STRING_CENTS = -900.0
"""A new string is followed from this far below its pitch while it is being tuned."""


@dataclass(frozen=True)
class Assignment:
    """A string and a place for a pitch, the deviation from its nominal pitch in cents, and how sure (0 to 1)."""

    string: int
    place: Place
    cents: float
    probability: float


def assign(
    instrument: Instrument,
    f1_hz: float,
    asked: tuple[int, Place] | None = None,
    only_string: int | None = None,
    also: Sequence[Place] = (),
    asked_from_cents: float = -_FARTHEST_CENTS,
) -> Assignment | None:
    """The likeliest string and place for a pitch: what was asked for, or the open string it lies nearest.

    Args:
        f1_hz: first partial in Hz.
        asked: string and place the technician was asked to pluck; six times likelier than any other, and it may be
            further off (it is being tuned).
        only_string: the string whose own channel this is, if every string has one.
        also: places beside the open string that any string may be stopped at.
        asked_from_cents: how far below its nominal pitch what was asked for is still looked for.

    Returns:
        None when the pitch lies more than 320 cents from every candidate, but for ``asked_from_cents``.
    """
    numbers = range(1, len(instrument.strings) + 1) if only_string is None else (only_string,)
    candidates: list[tuple[int, Place, float, float]] = [
        (n, place, _OTHER_SD_CENTS, 1.0) for n in numbers for place in (OPEN, *also) if asked != (n, place)
    ]
    if asked is not None and asked[0] in numbers:
        candidates.append((*asked, _ASKED_SD_CENTS, _ASKED_ODDS))
    scored: list[tuple[float, Assignment]] = []
    for number, place, sd, odds in candidates:
        cents = cents_between(f1_hz, instrument.place_hz(number, place))
        lowest = asked_from_cents if asked == (number, place) else -_FARTHEST_CENTS
        if lowest <= cents <= _FARTHEST_CENTS:
            likelihood = odds / sd * math.exp(-0.5 * (cents / sd) ** 2)
            scored.append((likelihood, Assignment(number, place, cents, 0.0)))
    total = sum(score for score, _ in scored)
    if total <= 0.0:
        return None
    score, best = max(scored, key=lambda item: item[0])
    return Assignment(best.string, best.place, best.cents, score / total)
