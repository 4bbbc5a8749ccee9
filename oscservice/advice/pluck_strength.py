"""The slope of a string's settled pitch over pluck strength, learnt from its plucks.

A vibration of amplitude a lengthens a string and raises its pitch by df/f = pi^2 kappa a^2 / (8 L^2). One plucking
force gives the same rise open and stopped, since the amplitude is proportional to the length. A reading removes that
glide, but on a real string a part is left, which rises with strength. ``Reading.strength_db`` is comparable between
open and stopped notes of one string, so this part can be learnt from its plucks and removed from both.

The part is modelled as linear in amplitude, ``cents = slope * 10^(strength_db / 20)``, not in power as the whole glide.
On 96 notes of a real guitar (12 pitches, four dynamics, two takes) amplitude fits the four lowest pitches, which depend
on strength most, better than power; over all twelve both fit equally well.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.hearing.student_t_fit import DEGREES, robust_weight

Floats = npt.NDArray[np.float64]

PRIOR_CENTS = 1.0
"""Rise of the settled pitch by a pluck of median strength, 1 sd about 0, before any pluck. Those 96 notes allow 0.8 to
2 (likelihood within a factor of e^2)."""

CARRIES_DB = 6.0
"""A slope learnt at one strength is not used for plucks further from it than this: the input gain was probably
changed."""

SCATTER_CENTS = 0.6
SCATTER_WEIGHT = 4.0
"""Scatter of single plucks expected before any pluck (1 sd), and its weight in plucks."""

DRIFT_CENTS = 1.0
WALK_CENTS = 0.15
"""Drift of a string from one pluck to the next, 1 sd: steady, and as a random walk."""

_ROUNDS = 30


@dataclass(frozen=True)
class Pluck:
    """One settled reading of a string.

    Attributes
    ----------
    place : Hashable
        Where the string was stopped; any value that differs between places.
    cents : float
        Settled pitch from any reference that is fixed for its place.
    se_cents : float
        Standard error (1 sd).
    strength_db : float
        How hard the string was plucked.
    order : float
        Number of the pluck. Equal numbers mean that the order is unknown, and no drift is fitted.
    """

    place: Hashable
    cents: float
    se_cents: float
    strength_db: float
    order: float = 0.0


@dataclass(frozen=True)
class Slope:
    """Slope of a string's settled pitch over strength.

    Attributes
    ----------
    cents : float
        Rise of the settled pitch by a pluck of ``reference_db`` above the softest possible one; 0 or more.
    se_cents : float
        Standard error (1 sd).
    reference_db : float
        The strength that ``cents`` is for.
    """

    cents: float
    se_cents: float
    reference_db: float

    def at(self, reference_db: float) -> Slope:
        """Return the same slope for another reference strength."""
        drive = amplitude(reference_db, self.reference_db)
        return Slope(self.cents * drive, self.se_cents * drive, reference_db)


def amplitude(strength_db: float, reference_db: float) -> float:
    """Return the amplitude of a pluck over that of one of ``reference_db``: 10^(dB / 20)."""
    return float(10.0 ** ((strength_db - reference_db) / 20.0))


def slope_for(strengths_db: Sequence[float], learnt: Slope | None) -> Slope:
    """Return the slope for the median of the strengths: the one learnt, or the prior.

    Raises
    ------
    ValueError
        No strength.
    """
    if not strengths_db:
        raise ValueError("a slope is stated at a strength; none was given")
    middle = float(np.median(strengths_db))
    if learnt is None or abs(middle - learnt.reference_db) > CARRIES_DB:
        return Slope(0.0, PRIOR_CENTS, middle)
    return learnt.at(middle)


def learn_slope(plucks: Sequence[Pluck], before: Slope | None = None) -> Slope | None:
    """Return a string's slope from its plucks; None where nothing is known.

    Robust least squares with a level for each place, drift in the order of plucks, scatter of unknown size, and a
    normal prior of the slope. Outliers weigh less (Student's t by iterated weights). A negative slope becomes 0. Plucks
    of equal strength leave the slope at its prior.
    Source: K. L. Lange, R. J. A. Little and J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881.

    Parameters
    ----------
    plucks : Sequence[Pluck]
        Plucks of one string; those whose strength is not finite are left out.
    before : Slope | None, optional
        Slope by earlier plucks; None for nothing.
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
        weight = robust_weight(square / (reading + scatter))
        evidence = max(0.0, len(used) - len(places) - 1.0)
        beyond = float(weight @ np.maximum(square - reading, 0.0)) * evidence / len(used)
        scatter = (SCATTER_WEIGHT * SCATTER_CENTS**2 + beyond) / (SCATTER_WEIGHT + evidence)
    # Weights by the plucks themselves overstate the information by (nu + 3) / (nu + 1).
    information = (np.linalg.inv(covariance) - precision) * (DEGREES + 1.0) / (DEGREES + 3.0)
    se = float(np.linalg.inv(information + precision)[-1, -1] ** 0.5)
    return Slope(max(0.0, float(best[-1])), se, known.reference_db)


def walk_covariance(order: Floats) -> Floats:
    """Return the covariance of a string's random walk.

    Parameters
    ----------
    order : ndarray of float64, shape (n,)
        Numbers of the plucks.

    Returns
    -------
    ndarray of float64, shape (n, n)
        Covariance in cents squared.
    """
    since = order - order.min()
    return np.asarray(WALK_CENTS**2 * np.minimum(since[:, None], since[None, :]))
