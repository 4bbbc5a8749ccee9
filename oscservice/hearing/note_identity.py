"""Identification of a note: its string and place, by pitch, by stiffness, and by the pluck that was asked for.

Bayes' rule over these candidates: every string open, at its 12th-fret harmonic and at the places it may be stopped; the
pluck that was asked for; and none of these. The same pitch on two strings differs in B. A 12th-fret harmonic and fret
12 of one string are alike, since both sound half the string: only the pluck that was asked for decides between them.

Deviations are in cents from the nominal pitch of a place, + sharp.
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
"""Prior odds of the pluck that was asked for against any other open string (common practice, no source)."""

NEW_STRING_CENTS = -900.0
"""Lowest pitch of a new string that is followed while it is tuned up."""

ASKED_SD_CENTS = 120.0
"""Pitch of an open string that is being tuned, 1 sd (assumed)."""

FARTHEST_CENTS = 320.0
"""A candidate is within this of its nominal pitch, or of where it is known to be; a new string may be lower."""

_OTHER_SD_CENTS = 60.0  # pitch of an open string that nothing is known of, 1 sd (assumed)
_FRETTED_SD_CENTS = 25.0  # stopped note from its open string, saddle not set (common practice, no source)
_HEARING_CENTS = 8400.0  # a sound that is none of the candidates may be anywhere in seven octaves
_NOTHING_ODDS = 0.1  # prior odds of none of the candidates against one open string (assumed)
_HARMONIC_ODDS = 0.05  # of a harmonic that was not asked for (assumed: few play one unasked)
_OTHER_FRET_ODDS = 0.1  # of a stopped note on another string than the one asked for (assumed)
_MISPLACED_SHARE = 0.03  # share of strings that may be anywhere within reach (assumed)


@dataclass(frozen=True)
class KnownString:
    """Knowledge of a string before the note.

    Attributes
    ----------
    cents : float
        Open pitch from its nominal pitch, + sharp.
    sd_cents : float
        Its standard deviation.
    stiffness : Stiffness | None
        Ln B from its readings; None for that of the instrument file.
    """

    cents: float = 0.0
    sd_cents: float = _OTHER_SD_CENTS
    stiffness: Stiffness | None = None


@dataclass(frozen=True)
class Assignment:
    """A string and a place that a note may be.

    Attributes
    ----------
    string : int
        Its number, from 1.
    place : Place
        Where it is stopped.
    cents : float
        Deviation of the note from the nominal pitch of the place, + sharp.
    probability : float
        0 to 1.
    """

    string: int
    place: Place
    cents: float
    probability: float


@dataclass(frozen=True)
class NoteIdentity:
    """Every string and place that a note may be, the most probable first, and the probability of none of them.

    The probabilities sum to 1.
    """

    likely: tuple[Assignment, ...]
    nothing: float

    @property
    def best(self) -> Assignment | None:
        """The most probable string and place; None when none of them is more probable."""
        return self.likely[0] if self.likely and self.likely[0].probability > self.nothing else None

    @property
    def rival(self) -> Assignment | None:
        """The second most probable string and place."""
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
    """Return the strings and places that a note may be, each with its probability.

    The pitch of a candidate is normal about the known pitch of its open string, 25 cents (1 sd) wider when stopped; a
    share of 3 % is anywhere within reach. The density of its B is ``inharmonicity.stiffness_likelihood``. A wrong B
    does not outweigh a clear pitch: a share of 10 % are outliers, and a B that fits doesn't support a stopped string
    whose pitch is far off. A sound that is none of the candidates has any pitch within seven octaves, and any B.

    Parameters
    ----------
    instrument : Instrument
        The instrument.
    f1_hz : float
        First partial in Hz.
    inharmonicity, inharmonicity_se : float, optional
        B of the note and its standard error; with an infinite one B is ignored.
    asked : tuple[int, Place] | None, optional
        String and place that the technician was asked to pluck.
    only_string : int | None, optional
        Number of the only string on this channel, if each string has its own.
    also : Sequence[Place], optional
        Places besides the open string where any string may be stopped.
    known : Mapping[int, KnownString] | None, optional
        String number -> what is known of it. A string that is missing is within 60 cents (1 sd) of its nominal pitch,
        or within 120 if it was asked for open, since it is being tuned.
    asked_from_cents : float, optional
        Lowest deviation of the pluck that was asked for, - flat. Otherwise candidates are within 320 cents of their
        nominal pitch, or of where their string is known to be.
    asked_odds : float, optional
        Prior odds of the pluck that was asked for against any other open string.

    Returns
    -------
    NoteIdentity
        The candidates and the probability of none.
    """
    numbers = range(1, len(instrument.strings) + 1) if only_string is None else (only_string,)
    places = [(n, place) for n in numbers for place in dict.fromkeys((OPEN, HARMONIC, *also))]
    if asked is not None and asked[0] in numbers and asked not in places:
        places.append(asked)
    log_b = log_stiffness(inharmonicity, inharmonicity_se)
    scored: list[tuple[float, Assignment]] = []
    for number, place in places:
        cents = cents_between(f1_hz, instrument.place_hz(number, place))
        string = (known or {}).get(number) or KnownString(
            sd_cents=ASKED_SD_CENTS if asked == (number, OPEN) else _OTHER_SD_CENTS
        )
        lowest = asked_from_cents if asked == (number, place) else -FARTHEST_CENTS
        lowest = min(lowest, string.cents - FARTHEST_CENTS)
        highest = max(FARTHEST_CENTS, string.cents + FARTHEST_CENTS)
        if not lowest <= cents <= highest:
            continue
        sd = math.hypot(string.sd_cents, _FRETTED_SD_CENTS if place.kind == "fret" else 0.0)
        near = math.exp(-0.5 * ((cents - string.cents) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))
        there, misplaced = (1.0 - _MISPLACED_SHARE) * near, _MISPLACED_SHARE / (highest - lowest)
        stiffness = string.stiffness or expected_stiffness(instrument, number)
        b_fits = stiffness_likelihood(log_b, stiffness_at_place(stiffness, place, cents))
        # An open string that is being tuned may be anywhere. A stopped one follows its open string: where its pitch is
        # far off, a B that fits is no support.
        if place != OPEN and there < misplaced:
            b_fits = outlier_likelihood(log_b)
        score = _prior_odds(number, place, asked, asked_odds) * (there + misplaced) * b_fits
        scored.append((score, Assignment(number, place, cents, 0.0)))
    scored.sort(key=lambda item: (-item[0], abs(item[1].cents), item[1].string))
    nothing = _NOTHING_ODDS / _HEARING_CENTS * stiffness_likelihood(log_b, None)
    total = nothing + math.fsum(score for score, _ in scored)
    likely = tuple(Assignment(one.string, one.place, one.cents, score / total) for score, one in scored)
    return NoteIdentity(likely, nothing / total)


def _prior_odds(number: int, place: Place, asked: tuple[int, Place] | None, asked_odds: float) -> float:
    """Return the prior odds of a string and place against any open string that was not asked for."""
    if asked == (number, place):
        return asked_odds
    if place == OPEN:
        return 1.0
    if place == HARMONIC:
        return _HARMONIC_ODDS
    return 1.0 if asked is None or asked[0] == number else _OTHER_FRET_ODDS
