"""Which string, and where on it, a note is: by its pitch, by its stiffness, and by what was asked for.

Bayes' rule over every string open, the places it may be stopped at, the 12th-fret harmonics, what was asked for, and
none of these. The same pitch on two strings differs by B; a 12th-fret harmonic and fret 12 of one string don't: both
sound half the string, so only what was asked for tells them apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oscservice.hearing.inharmonicity import (
    Stiffness,
    expected_stiffness,
    log_stiffness,
    outlier_likelihood,
    stiffness_at_place,
    stiffness_likelihood,
)
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument

ASKED_ODDS = 20.0
"""How much likelier hands pluck what was asked for than any one other open string (common practice, no source)."""

NEW_STRING_CENTS = -900.0
"""A new string is followed from this far below its pitch while it is being tuned."""

ASKED_SD_CENTS = 120.0
"""How far an open string that is being tuned may be off, 1 sd."""

FARTHEST_CENTS = 320.0
"""Nothing is looked for further from its nominal pitch or where it is known to be, but a new string asked for."""

_OTHER_SD_CENTS = 60.0
_FRETTED_SD_CENTS = 25.0  # stopped note against its open string, saddle not set (common practice, no source)
_HEARING_CENTS = 8400.0  # a sound that is none of the candidates may be anywhere in seven octaves
_NOTHING_ODDS = 0.1
_HARMONIC_ODDS = 0.05  # nobody plays a harmonic, or stops another string, without being asked to
_OTHER_FRET_ODDS = 0.1
_MISPLACED_SHARE = 0.03  # strings that are not where they were, but anywhere within reach


@dataclass(frozen=True)
class KnownString:
    """What is known of a string before the note: where its open pitch should be, and its stiffness.

    Attributes:
        cents: from its nominal pitch, + sharp; sd_cents is 1 sd.
        stiffness: as learnt from its readings; None for what its build lets expect.
    """

    cents: float = 0.0
    sd_cents: float = _OTHER_SD_CENTS
    stiffness: Stiffness | None = None


@dataclass(frozen=True)
class Assignment:
    """A string and a place for a pitch, the deviation from its nominal pitch in cents, and how sure (0 to 1)."""

    string: int
    place: Place
    cents: float
    probability: float


@dataclass(frozen=True)
class NoteIdentity:
    """Every string and place a note may be, likeliest first, and the probability of none of them; 1 in all."""

    likely: tuple[Assignment, ...]
    nothing: float

    @property
    def best(self) -> Assignment | None:
        """The likeliest string and place; None if none of them is likelier than any."""
        return self.likely[0] if self.likely and self.likely[0].probability > self.nothing else None

    @property
    def rival(self) -> Assignment | None:
        """The second likeliest."""
        return self.likely[1] if len(self.likely) > 1 else None


def identify(
    instrument: Instrument,
    f1_hz: float,
    *,
    inharmonicity: float = 0.0,
    inharmonicity_se: float = math.inf,
    asked: tuple[int, Place] | None = None,
    only_string: int | None = None,
    also: Sequence[Place] = (),
    known: Mapping[int, KnownString] | None = None,
    asked_from_cents: float = -FARTHEST_CENTS,
    asked_odds: float = ASKED_ODDS,
) -> NoteIdentity:
    """Which string and place a note is, with a probability each.

    Args:
        f1_hz: first partial in Hz.
        inharmonicity, inharmonicity_se: B of the note and its standard error; an infinite error is no evidence.
        asked: string and place the technician was asked to pluck.
        only_string: the string whose own channel this is, if every string has one.
        also: places beside the open string that any string may be stopped at.
        known: what is known of each string, by number. Of one that is missing nothing but the instrument's word: an
            open string within 60 cents (1 sd) of its pitch, or 120 if it was asked for, since it is being tuned.
        asked_from_cents: how far below its nominal pitch what was asked for is still looked for; anything else is
            looked for within 320 cents, and above its nominal pitch what was asked for is too; a string that is known
            to be elsewhere, within as much of there as well.
        asked_odds: how much likelier what was asked for is than any one other open string, before the note is heard.

    The pitch of a candidate is normal about where its open string should be, 25 cents (1 sd) wider when stopped; 3 in
    100 are anywhere within reach instead. Its B: see ``stiffness``. A bad B can't outdo a clear pitch: one in ten is
    taken to be anything, and no B vouches for a stopped string where its pitch is nowhere near. What is none of the
    candidates has any pitch in seven octaves, and any B.
    """
    numbers = range(1, len(instrument.strings) + 1) if only_string is None else (only_string,)
    places = [(n, place) for n in numbers for place in dict.fromkeys((OPEN, HARMONIC, *also))]
    if asked is not None and asked[0] in numbers and asked not in places:
        places.append(asked)
    log_b = log_stiffness(inharmonicity, inharmonicity_se)
    scored: list[tuple[float, Assignment]] = []
    for number, place in places:
        cents = cents_between(f1_hz, instrument.place_hz(number, place))
        of_string = (known or {}).get(number) or KnownString(
            sd_cents=ASKED_SD_CENTS if asked == (number, OPEN) else _OTHER_SD_CENTS
        )
        lowest = asked_from_cents if asked == (number, place) else -FARTHEST_CENTS
        lowest = min(lowest, of_string.cents - FARTHEST_CENTS)
        highest = max(FARTHEST_CENTS, of_string.cents + FARTHEST_CENTS)
        if not lowest <= cents <= highest:
            continue
        sd = math.hypot(of_string.sd_cents, _FRETTED_SD_CENTS if place.kind == "fret" else 0.0)
        near = math.exp(-0.5 * ((cents - of_string.cents) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))
        there, astray = (1.0 - _MISPLACED_SHARE) * near, _MISPLACED_SHARE / (highest - lowest)
        stiffness = of_string.stiffness or expected_stiffness(instrument, number)
        b_fits = stiffness_likelihood(log_b, stiffness_at_place(stiffness, place, cents))
        # An open string may be anywhere, being tuned. A stopped one is where that puts it, and no B vouches for less.
        if place != OPEN and there < astray:
            b_fits = outlier_likelihood(log_b)
        score = _prior_odds(number, place, asked, asked_odds) * (there + astray) * b_fits
        scored.append((score, Assignment(number, place, cents, 0.0)))
    scored.sort(key=lambda item: (-item[0], abs(item[1].cents), item[1].string))
    nothing = _NOTHING_ODDS / _HEARING_CENTS * stiffness_likelihood(log_b, None)
    total = nothing + math.fsum(score for score, _ in scored)
    likely = tuple(Assignment(one.string, one.place, one.cents, score / total) for score, one in scored)
    return NoteIdentity(likely, nothing / total)


def _prior_odds(number: int, place: Place, asked: tuple[int, Place] | None, asked_odds: float) -> float:
    """How likely hands are to pluck this before anything is heard, against any one open string not asked for."""
    if asked == (number, place):
        return asked_odds
    if place == OPEN:
        return 1.0
    if place == HARMONIC:
        return _HARMONIC_ODDS
    return 1.0 if asked is None or asked[0] == number else _OTHER_FRET_ODDS
