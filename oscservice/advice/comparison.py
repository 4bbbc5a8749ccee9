"""How far a stopped note stands from where the open string puts it, and how well that is known: one place at a time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from oscservice.advice.evidence import PluckReading, ambiguity
from oscservice.advice.hand import Hand
from oscservice.advice.joint import Flag, joint_errors
from oscservice.hearing.strength import Slope
from oscservice.instrument.pitch import HARMONIC, Place

__all__ = [
    "FEWEST_PLUCKS",
    "SCATTER_LIMIT_CENTS",
    "UNEVEN_CENTS",
    "Comparison",
    "Flag",
    "HarmonicCheck",
    "combine",
    "compare",
    "harmonic_check",
    "harmonic_rise_cents",
    "ordered",
]

SCATTER_LIMIT_CENTS = 2.0
"""Scatter of one player's re-fretted plucks is 1 to 2 cents; beyond it the hand or a loose part is heard."""

FEWEST_PLUCKS = 3
"""Fewer stopped plucks than this are no ground for advice."""

EVEN_HAND = Hand(0.6, 4.0)
"""A hand whose open plucks scatter as its fretted ones do, before any is heard (assumed)."""

UNEVEN_CENTS = 1.0
"""A 12th-fret harmonic further than this from the open octave (stiffness allowed for) means an uneven string."""


@dataclass(frozen=True)
class Comparison:
    """Error of one place on one string.

    Attributes:
        error_cents: + sharp of the open string's equal-tempered place; of the first partials.
        se_cents: 1 sd: about 68 of 100 repeats lie within it of the truth.
        plucks: stopped plucks it rests on.
        scatter_cents: 1 sd of a single pluck.
        flags: what speaks against it.
        ambiguity_cents: the error by the string pitches less ``error_cents``; None when the readings don't tell.
        ambiguity_se_cents: its standard error (1 sd).
    """

    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    flags: tuple[Flag, ...] = ()
    ambiguity_cents: float | None = None
    ambiguity_se_cents: float = 0.0

    @property
    def string_error_cents(self) -> float | None:
        """The error by the string pitches."""
        return None if self.ambiguity_cents is None else self.error_cents + self.ambiguity_cents


@dataclass(frozen=True)
class HarmonicCheck:
    """12th-fret harmonic against the open octave, stiffness allowed for.

    Attributes:
        deviation_cents: + harmonic sharp.
        se_cents: 1 sd.
        plucks: harmonics it rests on.
        uneven: the deviation is larger than the limit: no saddle will cure this string.
    """

    deviation_cents: float
    se_cents: float
    plucks: int
    uneven: bool


def compare(
    readings: Sequence[PluckReading],
    fret: int,
    hand: Hand = EVEN_HAND,
    slope: Slope | None = None,
) -> Comparison:
    """Error of ``fret`` from bracketed readings in the order they were plucked.

    Readings at other places only count as time passing. Where there are four stopped plucks or more, one reading more
    than 4 sd off what the others say is left out and flagged.

    Args:
        readings: of one string, at one position of its saddle.
        fret: the fret compared with the open string.
        hand: what is known of how its plucks scatter.
        slope: what was learnt before of the string's pitch against strength.

    Raises:
        ValueError: no open reading, none at that fret, or a reading that isn't finite.
    """
    return _compare(readings, Place("fret", fret), 100.0 * fret, hand, slope)


def harmonic_check(
    readings: Sequence[PluckReading],
    inharmonicity: float,
    limit_cents: float = UNEVEN_CENTS,
    scatter_prior_cents: float = 0.35,
) -> HarmonicCheck:
    """Harmonic minus open octave minus what stiffness explains: 1200 log2 sqrt((1 + 4B) / (1 + B)).

    The touched harmonic is the second partial of f_k = k f0 sqrt(1 + B k^2), the open reading the first (H. Fletcher,
    J. Acoust. Soc. Am. 36 (1964) 203).

    Args:
        readings: open and harmonic, in the order they were plucked.
        inharmonicity: B of the open string.
        limit_cents: deviation beyond which the string is uneven.
        scatter_prior_cents: scatter of single plucks expected before any is heard, 1 sd; nothing is fretted here.

    Raises:
        ValueError: no open or no harmonic reading, or a reading that isn't finite.
    """
    target_cents = 1200.0 + harmonic_rise_cents(inharmonicity)
    found = _compare(readings, HARMONIC, target_cents, Hand(scatter_prior_cents, 4.0), None)
    return HarmonicCheck(found.error_cents, found.se_cents, found.plucks, abs(found.error_cents) > limit_cents)


def harmonic_rise_cents(inharmonicity: float) -> float:
    """Cents by which stiffness raises the 12th-fret harmonic over the open octave, for B of the open string (as in
    ``harmonic_check``)."""
    return 600.0 * math.log2((1.0 + 4.0 * inharmonicity) / (1.0 + inharmonicity))


def combine(first: Comparison, second: Comparison) -> Comparison:
    """Two independent comparisons of one saddle position as one, weighted by their variances."""
    weights = np.array([first.se_cents**-2, second.se_cents**-2])
    error = float(weights @ [first.error_cents, second.error_cents] / weights.sum())
    plucks = first.plucks + second.plucks
    squares = first.plucks * first.scatter_cents**2 + second.plucks * second.scatter_cents**2
    scatter = math.sqrt(squares / plucks)
    flags = {*first.flags, *second.flags} - {Flag.FEW, Flag.SCATTERED}
    apart, apart_se = _combined_ambiguity(first, second)
    se = float(weights.sum() ** -0.5)
    return Comparison(error, se, plucks, scatter, ordered(flags, plucks, scatter), apart, apart_se)


def _combined_ambiguity(first: Comparison, second: Comparison) -> tuple[float | None, float]:
    told = [c for c in (first, second) if c.ambiguity_cents is not None]
    if len(told) < 2:
        return (told[0].ambiguity_cents, told[0].ambiguity_se_cents) if told else (None, 0.0)
    weights = np.array([max(c.ambiguity_se_cents, 1e-6) ** -2 for c in told])
    mean = float(weights @ [c.ambiguity_cents for c in told] / weights.sum())
    return mean, float(weights.sum() ** -0.5)


def _compare(
    readings: Sequence[PluckReading],
    place: Place,
    target_cents: float,
    hand: Hand,
    slope: Slope | None,
) -> Comparison:
    joint = joint_errors(readings, {place: target_cents}, hand, slope)
    error, se = joint.combined([1.0])
    plucks = joint.plucks[0]
    apart, apart_se = ambiguity(joint.used, place)
    return Comparison(error, se, plucks, joint.scatter, ordered(joint.flags, plucks, joint.scatter), apart, apart_se)


def ordered(flags: Iterable[Flag], plucks: int, scatter_cents: float) -> tuple[Flag, ...]:
    """The flags, and those that number of plucks and their scatter add, in the order of ``Flag``."""
    flags = set(flags)
    if plucks < FEWEST_PLUCKS:
        flags.add(Flag.FEW)
    if scatter_cents > SCATTER_LIMIT_CENTS:
        flags.add(Flag.SCATTERED)
    return tuple(flag for flag in Flag if flag in flags)
