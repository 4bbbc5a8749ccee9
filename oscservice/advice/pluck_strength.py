"""How a string's settled pitch depends on how hard it is plucked, learnt from the plucks that were heard.

A swing of amplitude a lengthens a string and raises its pitch by df/f = pi^2 kappa a^2 / (8 L^2), the same for one
plucking force open and stopped, since the swing is in proportion to the length. A reading follows that glide down and
takes it off, but not all of it on a real string: what is left rises with strength. ``Reading.strength_db`` compares
open and stopped notes of one string, so the rest can be learnt from a string's plucks and taken off both alike.

The rest is taken as linear in amplitude, ``cents = slope * 10^(strength_db / 20)``, not in power as the whole glide is:
on 96 notes of a real guitar (12 pitches, four dynamics, two takes) amplitude fits the four lowest pitches, which depend
on strength most, better than power does, and over all twelve the two fit alike.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PRIOR_CENTS = 1.0
"""What a middling pluck raises a string's settled pitch by, 1 sd about 0, before any is heard; those notes allow 0.8 to
2 (likelihood within a factor of e^2)."""

CARRIES_DB = 6.0
"""A slope learnt at one strength says nothing of plucks that are further from it than this: more likely the gain was
turned."""

SCATTER_CENTS = 0.6
SCATTER_WEIGHT = 4.0
"""Scatter of single plucks expected before any is heard (1 sd), and how many plucks' worth of evidence that is."""

DRIFT_CENTS = 1.0
WALK_CENTS = 0.15
"""A string's drift from one pluck to the next: steady and unsteady, 1 sd."""

_DEGREES = 4.0  # Student's t: a pluck that went wrong counts less
_ROUNDS = 30


@dataclass(frozen=True)
class Pluck:
    """One settled reading of a string.

    Attributes:
        place: where the string was stopped; anything that tells places apart.
        cents: settled pitch against anything that is fixed for its place.
        se_cents: its standard error (1 sd).
        strength_db: how hard it was plucked.
        order: its number in the row of plucks. Equal numbers: the order is not known, nothing is taken as drift.
    """

    place: Hashable
    cents: float
    se_cents: float
    strength_db: float
    order: float = 0.0


@dataclass(frozen=True)
class Slope:
    """A string's pitch against strength.

    Attributes:
        cents: what a pluck of ``reference_db`` raises the settled pitch by, above that of the softest; 0 or more.
        se_cents: its standard error (1 sd).
        reference_db: a strength.
    """

    cents: float
    se_cents: float
    reference_db: float

    def at(self, reference_db: float) -> Slope:
        """The same slope, stated for another strength."""
        drive = amplitude(reference_db, self.reference_db)
        return Slope(self.cents * drive, self.se_cents * drive, reference_db)


def amplitude(strength_db: float, reference_db: float) -> float:
    """Amplitude of a pluck as a multiple of one of ``reference_db``: 10^(dB / 20)."""
    return float(10.0 ** ((strength_db - reference_db) / 20.0))


def slope_for(strengths_db: Sequence[float], learnt: Slope | None) -> Slope:
    """What is known of the slope, stated at the middle one of the strengths: what was learnt, or the prior.

    Raises:
        ValueError: no strength.
    """
    if not strengths_db:
        raise ValueError("a slope is stated at a strength; none was given")
    middle = float(np.median(strengths_db))
    if learnt is None or abs(middle - learnt.reference_db) > CARRIES_DB:
        return Slope(0.0, PRIOR_CENTS, middle)
    return learnt.at(middle)


def learn_slope(plucks: Sequence[Pluck], before: Slope | None = None) -> Slope | None:
    """A string's slope from its plucks; None where nothing is known.

    Robust least squares with a level for each place, drift in the order of plucks, scatter of unknown size and a
    normal prior on the slope, outlying plucks weighing less (Student's t by iterated weights: Lange, Little & Taylor,
    J. Am. Stat. Assoc. 84 (1989) 881). The slope is cut off at 0. Plucks that are alike leave it at its prior.

    Args:
        plucks: of one string; ones whose strength is no number are left out.
        before: what was learnt from earlier plucks.
    """
    used = [p for p in plucks if math.isfinite(p.strength_db)]
    if not used:
        return before
    known = slope_for([p.strength_db for p in used], before)
    places = list(dict.fromkeys(p.place for p in used))
    order = np.array([p.order for p in used])
    y = np.array([p.cents for p in used])
    x = np.column_stack(
        [
            *[[float(p.place == place) for p in used] for place in places],
            order - order.mean(),
            [amplitude(p.strength_db, known.reference_db) for p in used],
        ]
    )
    expected = np.append(np.zeros(len(places) + 1), known.cents)
    precision = np.diag([*[0.0] * len(places), DRIFT_CENTS**-2, known.se_cents**-2])
    reading = np.array([p.se_cents for p in used]) ** 2
    walk = walk_covariance(order)
    scatter, weight = SCATTER_CENTS**2, np.ones(len(used))
    best, covariance = expected, np.zeros_like(precision)
    for _ in range(_ROUNDS):
        inverse = np.linalg.inv(walk + np.diag((reading + scatter) / weight))
        covariance = np.linalg.inv(x.T @ inverse @ x + precision)
        best = covariance @ (x.T @ inverse @ y + precision @ expected)
        square = (y - x @ best) ** 2
        weight = (_DEGREES + 1.0) / (_DEGREES + square / (reading + scatter))
        evidence = max(0.0, len(used) - len(places) - 1.0)
        beyond = float(weight @ np.maximum(square - reading, 0.0)) * evidence / len(used)
        scatter = (SCATTER_WEIGHT * SCATTER_CENTS**2 + beyond) / (SCATTER_WEIGHT + evidence)
    # Weights taken from the plucks themselves overstate what is known, by (nu + 3) / (nu + 1) (expected information).
    told = (np.linalg.inv(covariance) - precision) * (_DEGREES + 1.0) / (_DEGREES + 3.0)
    se = float(np.linalg.inv(told + precision)[-1, -1] ** 0.5)
    return Slope(max(0.0, float(best[-1])), se, known.reference_db)


def taken_to(plucks: Sequence[Pluck], strength_db: float, slope: Slope) -> list[Pluck]:
    """The plucks as they would have been at one strength; the slope's standard error goes into each one's.

    Ones whose strength is no number stay as they are.
    """
    found = []
    for p in plucks:
        if math.isfinite(p.strength_db):
            step = amplitude(strength_db, slope.reference_db) - amplitude(p.strength_db, slope.reference_db)
            se = math.hypot(p.se_cents, slope.se_cents * step)
            p = replace(p, cents=p.cents + slope.cents * step, se_cents=se, strength_db=strength_db)
        found.append(p)
    return found


def walk_covariance(order: Floats) -> Floats:
    """Covariance of a string's unsteady drift in cents squared, (n, n), over plucks numbered ``order``, (n,)."""
    since = order - order.min()
    return np.asarray(WALK_CENTS**2 * np.minimum(since[:, None], since[None, :]))
