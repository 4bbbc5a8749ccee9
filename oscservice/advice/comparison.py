"""How far a stopped note stands from where the open string puts it, and how well that is known.

Readings of one string come in the order they were plucked, open and stopped in turn. Four things move them beside
the error itself: every pluck scatters, the string drifts, a hard pluck stands higher than a soft one, and the reading
has a doubt of its own. All four are in the model

    y_i = m + e [stopped] + drift t_i + walk(t_i) + slope a_i + scatter_i + reading_i          (cents)

with m and e free, t the place in the order, a wide prior on the drift, a slow random walk, a the amplitude of the pluck
(``hearing.strength``) and its slope as far as it is known, and scatter of unknown size. So open and stopped notes are
taken to the same strength: unlike ones cost standard error and don't shift the error, alike ones cost nothing.
A stopped note is thereby compared with the open notes on both sides of it, and open notes shared by two comparisons are
counted once. It is generalised least squares; the size of the scatter is averaged over (restricted likelihood and a
scaled inverse chi-squared prior), so that two plucks that happen to agree don't claim a hundredth of a cent.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, stdtrit

from oscservice.advice.evidence import PluckReading, ambiguity, rise, unbracketed, unlike
from oscservice.hearing.scatter import scattered
from oscservice.hearing.strength import DRIFT_CENTS, Slope, walk_covariance
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between

Floats = npt.NDArray[np.float64]

SCATTER_LIMIT_CENTS = 2.0
"""Scatter of one player's re-fretted plucks is 1 to 2 cents; beyond it the hand or a loose part is heard."""

FEWEST_PLUCKS = 3
"""Fewer stopped plucks than this are no ground for advice."""

OUTLIER_SD = 4.0
FEWEST_FOR_OUTLIER = 4

UNEVEN_CENTS = 1.0
"""A 12th-fret harmonic further than this from the open octave (stiffness allowed for) means an uneven string."""

_SCATTER_GRID = np.geomspace(0.05, 30.0, 60) ** 2


class Flag(StrEnum):
    """What speaks against a comparison."""

    SCATTERED = "scatter too large"
    FEW = "too few plucks"
    UNBRACKETED = "unbracketed"
    UNLIKE = "strengths unlike"
    OUTLIER = "one pluck discarded"
    CLIPPED = "the input clips"


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
    scatter_prior_cents: float = 0.6,
    prior_weight: float = 4.0,
    slope: Slope | None = None,
) -> Comparison:
    """Error of ``fret`` from bracketed readings in the order they were plucked.

    Readings at other places only count as time passing. Where there are four stopped plucks or more, one reading more
    than 4 sd off what the others say is left out and flagged.

    Args:
        readings: of one string, at one position of its saddle.
        fret: the fret compared with the open string.
        scatter_prior_cents: scatter of single plucks expected before any is heard, 1 sd.
        prior_weight: how many plucks' worth of evidence that expectation is.
        slope: what was learnt before of the string's pitch against strength.

    Raises:
        ValueError: no open reading, none at that fret, or a reading that isn't finite.
    """
    return _compare(readings, Place("fret", fret), 100.0 * fret, scatter_prior_cents, prior_weight, slope)


def harmonic_check(
    readings: Sequence[PluckReading],
    inharmonicity: float,
    limit_cents: float = UNEVEN_CENTS,
    scatter_prior_cents: float = 0.6,
) -> HarmonicCheck:
    """Harmonic minus open octave minus what stiffness explains: 1200 log2 sqrt((1 + 4B) / (1 + B)).

    The touched harmonic is the second partial of f_k = k f0 sqrt(1 + B k^2), the open reading the first (H. Fletcher,
    J. Acoust. Soc. Am. 36 (1964) 203).

    Args:
        readings: open and harmonic, in the order they were plucked.
        inharmonicity: B of the open string.
        limit_cents: deviation beyond which the string is uneven.
        scatter_prior_cents: as in ``compare``.

    Raises:
        ValueError: no open or no harmonic reading, or a reading that isn't finite.
    """
    stiff = 600.0 * math.log2((1.0 + 4.0 * inharmonicity) / (1.0 + inharmonicity))
    found = _compare(readings, HARMONIC, 1200.0 + stiff, scatter_prior_cents, 4.0, None)
    return HarmonicCheck(found.error_cents, found.se_cents, found.plucks, abs(found.error_cents) > limit_cents)


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
    return Comparison(error, se, plucks, scatter, _ordered(flags, plucks, scatter), apart, apart_se)


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
    prior_cents: float,
    prior_weight: float,
    learnt: Slope | None,
) -> Comparison:
    used = [(index, r) for index, r in enumerate(readings) if r.place in (OPEN, place)]
    for _, r in used:
        if not (math.isfinite(r.f1_hz) and r.f1_hz > 0.0 and math.isfinite(r.se_cents) and r.se_cents >= 0.0):
            raise ValueError(f"a reading of {r.f1_hz} Hz +- {r.se_cents} cents can't be compared")
    stopped = np.array([r.place == place for _, r in used], dtype=bool)
    if stopped.all() or not stopped.any():
        raise ValueError(f"a comparison needs open readings and readings at {place}")
    base = next(r.f1_hz for _, r in used if r.place == OPEN)
    cents = np.array([cents_between(r.f1_hz, base) for _, r in used]) - target_cents * stopped
    order = np.array([i for i, _ in used], dtype=float)
    risen, unsure = rise([r for _, r in used], learnt)
    data = _Data(cents - risen, stopped, order, np.array([r.doubt_cents for _, r in used]), unsure)
    flags: set[Flag] = set()
    result, scatter = _fit(data, prior_cents, prior_weight)
    if stopped.sum() >= FEWEST_FOR_OUTLIER:
        suspect = int(np.argmax(np.abs(_left_out(data, scatter))))
        kept = data.without(suspect)
        if not kept.stopped.all():
            again, calmer = _fit(kept, prior_cents, prior_weight)
            # The scatter is itself an estimate: the bar is as unlikely for Student's t as 4 sd is for a normal.
            bar = float(stdtrit(prior_weight + len(kept.cents) - 2.0, float(ndtr(OUTLIER_SD))))
            if abs(_left_out(data, calmer)[suspect]) > bar:
                data, result, scatter = kept, again, calmer
                flags.add(Flag.OUTLIER)
    error, se = result
    if unbracketed(data.stopped):
        flags.add(Flag.UNBRACKETED)
    if unlike([r for _, r in used]):
        flags.add(Flag.UNLIKE)
    if any(r.clipped for _, r in used):
        flags.add(Flag.CLIPPED)
    plucks = int(data.stopped.sum())
    apart, apart_se = ambiguity([r for _, r in used], place)
    return Comparison(error, se, plucks, scatter, _ordered(flags, plucks, scatter), apart, apart_se)


@dataclass(frozen=True)
class _Data:
    """Cents (target and strength taken off), stopped or open, place in the order, each reading's own standard error,
    and 1 sd of what was taken off for its strength; shapes (n,)."""

    cents: Floats
    stopped: npt.NDArray[np.bool_]
    order: Floats
    se: Floats
    strength: Floats

    def without(self, index: int) -> _Data:
        keep = np.arange(len(self.cents)) != index
        return _Data(self.cents[keep], self.stopped[keep], self.order[keep], self.se[keep], self.strength[keep])

    def design(self) -> Floats:
        return np.stack([np.ones(len(self.cents)), self.stopped.astype(float)], axis=1)

    def known_covariance(self) -> Floats:
        """Everything but the scatter: reading errors, drift and strength, (n, n)."""
        t = self.order - self.order.mean()
        drift = DRIFT_CENTS**2 * np.outer(t, t) + walk_covariance(self.order)
        return np.asarray(np.diag(self.se**2) + drift + np.outer(self.strength, self.strength))


def _fit(data: _Data, prior_cents: float, prior_weight: float) -> tuple[tuple[float, float], float]:
    """((error, standard error), scatter): scatter averaged over a grid of variances."""
    known, axes = np.linalg.eigh(data.known_covariance())
    x, y = axes.T @ data.design(), axes.T @ data.cents
    found = scattered(x, y, np.maximum(known, 0.0), _SCATTER_GRID, prior_cents, prior_weight)
    errors = found.solutions[:, 1]
    error = float(found.likely @ errors)
    half = _half_width(found.likely, errors - error, np.sqrt(found.covariances[:, 1, 1]))
    return (error, half), found.scatter


def _half_width(weight: Floats, offset: Floats, sd: Floats) -> float:
    """Half-width about 0 that holds as much of a mixture of normals as 1 sd holds of one."""
    share = 2.0 * float(ndtr(1.0)) - 1.0
    low, high = 0.0, float((np.abs(offset) + 5.0 * sd).max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        held = float(weight @ (ndtr((middle - offset) / sd) - ndtr((-middle - offset) / sd)))
        low, high = (middle, high) if held < share else (low, middle)
    return high


def _left_out(data: _Data, scatter_cents: float) -> Floats:
    """Each reading's distance from what all the others say of it, in its own sd, (n,)."""
    weights = np.linalg.inv(data.known_covariance() + scatter_cents**2 * np.eye(len(data.cents)))
    x = data.design()
    projection = weights - weights @ x @ np.linalg.inv(x.T @ weights @ x) @ x.T @ weights
    diagonal = np.diag(projection)
    safe = np.where(diagonal > 1e-9, diagonal, np.inf)  # a reading alone at its place has nothing to be held against
    return np.asarray(projection @ data.cents / np.sqrt(safe))


def _ordered(flags: set[Flag], plucks: int, scatter_cents: float) -> tuple[Flag, ...]:
    if plucks < FEWEST_PLUCKS:
        flags.add(Flag.FEW)
    if scatter_cents > SCATTER_LIMIT_CENTS:
        flags.add(Flag.SCATTERED)
    return tuple(flag for flag in Flag if flag in flags)
