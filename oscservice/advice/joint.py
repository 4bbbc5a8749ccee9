"""How far stopped notes of one string stand from where the open string puts them: all places compared together.

Readings of one string come in the order they were plucked, open and stopped in turn. Four things move them beside
the errors themselves: every pluck scatters, the string drifts, a hard pluck stands higher than a soft one, and the
reading has a doubt of its own. All four are in the model

    y_i = m + e[place of i] + drift t_i + walk(t_i) + slope a_i + scatter_i + reading_i          (cents)

with m and the errors e free (e is 0 on the open string), t the place in the order, a wide prior on the drift, a slow
random walk, a the amplitude of the pluck (``hearing.strength``) and its slope as far as it is known, and scatter of
unknown size. So open and stopped notes are taken to the same strength: unlike ones cost standard error and don't shift
the error, alike ones cost nothing. A stopped note is thereby compared with the open notes on both sides of it; open
notes shared by several places are counted once, and what is not known of the open string stands in all their errors
alike: it is the common term of their covariance. It is generalised least squares; the size of the scatter is averaged
over (restricted likelihood and a scaled inverse chi-squared prior), so that two plucks that happen to agree don't claim
a hundredth of a cent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, stdtrit

from oscservice.advice.evidence import PluckReading, rise, unbracketed, unlike
from oscservice.advice.hand import Hand, learnt
from oscservice.hearing.scatter import Scattered, scattered, scattered_unlike
from oscservice.hearing.strength import DRIFT_CENTS, Slope, walk_covariance
from oscservice.instrument.pitch import OPEN, Place, cents_between

Floats = npt.NDArray[np.float64]

OUTLIER_SD = 4.0
FEWEST_FOR_OUTLIER = 4

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
class JointErrors:
    """Errors of several places on one string, in cents, + sharp.

    Attributes:
        found: by scatter and open share: solutions (g, 1 + p), the open string's level first; covariances and
            probabilities.
        variances, shares: the scatter of stopped plucks (cents squared) and how much open ones scatter over them, (g,).
        plucks: stopped plucks by place, as many as count.
        used: the readings it rests on.
        flags: what speaks against it.
    """

    found: Scattered
    variances: Floats
    shares: Floats
    plucks: tuple[int, ...]
    used: tuple[PluckReading, ...]
    flags: frozenset[Flag]

    @property
    def scatter(self) -> float:
        """1 sd of a single pluck."""
        return self.found.scatter

    def scatter_at_most(self, confidence: float) -> float:
        """The scatter (1 sd) that it does not exceed with this probability."""
        order = np.argsort(self.variances, kind="stable")
        reached = np.cumsum(self.found.likely[order])
        return float(np.sqrt(self.variances[order[min(int(np.searchsorted(reached, confidence)), len(reached) - 1)]]))

    def hand(self, before: Hand) -> Hand:
        """What is known of the hand after it; ``before`` is what it was made with."""
        return learnt(before, self.variances, self.shares, self.found.likely)

    @property
    def errors(self) -> Floats:
        """Error of each place, (p,)."""
        return np.asarray(self.found.likely @ self.found.solutions[:, 1:])

    @property
    def covariance(self) -> Floats:
        """Their covariance, (p, p), what is not known of the scatter in it."""
        apart = self.found.solutions[:, 1:] - self.errors
        within = np.einsum("g,gij->ij", self.found.likely, self.found.covariances[:, 1:, 1:])
        return np.asarray(within + np.einsum("g,gi,gj->ij", self.found.likely, apart, apart))

    def combined(self, weights: Sequence[float] | Floats) -> tuple[float, float]:
        """A weighted sum of the errors, and its standard error: the half-width that holds 68 of 100."""
        w = np.asarray(weights, dtype=np.float64)
        sums = self.found.solutions[:, 1:] @ w
        middle = float(self.found.likely @ sums)
        sd = np.sqrt(np.einsum("i,gij,j->g", w, self.found.covariances[:, 1:, 1:], w))
        return middle, _half_width(self.found.likely, sums - middle, sd)


def joint_errors(
    readings: Sequence[PluckReading],
    targets: Mapping[Place, float],
    hand: Hand,
    slope: Slope | None = None,
) -> JointErrors:
    """Errors of several places from bracketed readings in the order they were plucked.

    Readings at other places only count as time passing. Where there are four stopped plucks or more, one reading more
    than 4 sd off what the others say is left out and flagged.

    Args:
        readings: of one string, at one position of its saddle.
        targets: cents above the open string at which each place is true.
        hand: what is known of how its plucks scatter.
        slope: what was learnt before of the string's pitch against strength.

    Raises:
        ValueError: no open reading, none at one of the places, or a reading that isn't finite.
    """
    used = [(index, r) for index, r in enumerate(readings) if r.place == OPEN or r.place in targets]
    for _, r in used:
        if not (math.isfinite(r.f1_hz) and r.f1_hz > 0.0 and math.isfinite(r.se_cents) and r.se_cents >= 0.0):
            raise ValueError(f"a reading of {r.f1_hz} Hz +- {r.se_cents} cents can't be compared")
    places = np.array([[float(r.place == place) for place in targets] for _, r in used]).reshape(-1, len(targets))
    missing = [str(place) for place in targets if not any(r.place == place for _, r in used)]
    if missing or not targets or places.any(axis=1).all():
        raise ValueError(f"a comparison needs open readings and readings at {missing[0] if missing else 'a place'}")
    base = next(r.f1_hz for _, r in used if r.place == OPEN)
    target = places @ np.array(list(targets.values()))
    cents = np.array([cents_between(r.f1_hz, base) for _, r in used]) - target
    order = np.array([i for i, _ in used], dtype=float)
    risen, unsure = rise([r for _, r in used], slope)
    doubts = np.array([r.doubt_cents for _, r in used])
    data = _Data(cents - risen, places, order, doubts, unsure)
    flags: set[Flag] = set()
    found, variances, shares = _fit(data, hand)
    if places.sum() >= FEWEST_FOR_OUTLIER:
        suspect = int(np.argmax(np.abs(_left_out(data, found, shares))))
        kept = data.without(suspect)
        if kept.complete():
            calmer, *grid = _fit(kept, hand)
            # The scatter is itself an estimate: the bar is as unlikely for Student's t as 4 sd is for a normal.
            degrees = hand.weight + len(kept.cents) - 1.0 - len(targets)
            bar = float(stdtrit(degrees, float(ndtr(OUTLIER_SD))))
            if abs(_left_out(data, calmer, grid[1])[suspect]) > bar:
                data, found, (variances, shares) = kept, calmer, grid
                flags.add(Flag.OUTLIER)
    if unbracketed(data.stopped):
        flags.add(Flag.UNBRACKETED)
    if unlike([r for _, r in used]):
        flags.add(Flag.UNLIKE)
    if any(r.clipped for _, r in used):
        flags.add(Flag.CLIPPED)
    plucks = tuple(int(count) for count in data.places.sum(axis=0))
    return JointErrors(found, variances, shares, plucks, tuple(r for _, r in used), frozenset(flags))


@dataclass(frozen=True)
class _Data:
    """Cents (target and strength taken off), which place, place in the order, each reading's own standard error, and
    1 sd of what was taken off for its strength; shapes (n,), ``places`` (n, p) of 0 and 1, the open string all 0."""

    cents: Floats
    places: Floats
    order: Floats
    se: Floats
    strength: Floats

    @property
    def stopped(self) -> npt.NDArray[np.bool_]:
        return np.asarray(self.places.any(axis=1))

    def without(self, index: int) -> _Data:
        keep = np.arange(len(self.cents)) != index
        kept = (self.cents[keep], self.places[keep], self.order[keep], self.se[keep])
        return _Data(*kept, self.strength[keep])

    def complete(self) -> bool:
        """Whether open string and every place still have a reading."""
        return bool(self.places.any(axis=0).all() and not self.stopped.all())

    def design(self) -> Floats:
        return np.column_stack([np.ones(len(self.cents)), self.places])

    def known_covariance(self) -> Floats:
        """Everything but the scatter: reading errors, drift and strength, (n, n)."""
        t = self.order - self.order.mean()
        drift = DRIFT_CENTS**2 * np.outer(t, t) + walk_covariance(self.order)
        return np.asarray(np.diag(self.se**2) + drift + np.outer(self.strength, self.strength))


def _fit(data: _Data, hand: Hand) -> tuple[Scattered, Floats, Floats]:
    """Level and errors for every open share and scatter variance of a grid; these variances and shares, (g,)."""
    found = [_fit_at(data, share, hand) for share, _ in hand.shares]
    count = len(_SCATTER_GRID)
    shares = np.repeat([share for share, _ in hand.shares], count)
    if len(found) == 1:
        return found[0], _SCATTER_GRID, shares
    logs = np.array([f.log_evidence + math.log(p) for f, (_, p) in zip(found, hand.shares, strict=True)])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    likely = np.concatenate([w * f.likely for w, f in zip(weights, found, strict=True)])
    variances = np.tile(_SCATTER_GRID, len(found))
    solutions = np.concatenate([f.solutions for f in found])
    covariances = np.concatenate([f.covariances for f in found])
    return Scattered(likely, solutions, covariances, float((likely / variances).sum() ** -0.5)), variances, shares


def _fit_at(data: _Data, open_share: float, hand: Hand) -> Scattered:
    if open_share == 1.0:
        known, axes = np.linalg.eigh(data.known_covariance())
        x, y = axes.T @ data.design(), axes.T @ data.cents
        return scattered(x, y, np.maximum(known, 0.0), _SCATTER_GRID, hand.scatter_cents, hand.weight)
    share = np.where(data.stopped, 1.0, open_share)
    prior = (hand.scatter_cents, hand.weight)
    return scattered_unlike(data.design(), data.cents, data.known_covariance(), share, _SCATTER_GRID, *prior)


def _half_width(weight: Floats, offset: Floats, sd: Floats) -> float:
    """Half-width about 0 that holds as much of a mixture of normals as 1 sd holds of one."""
    share = 2.0 * float(ndtr(1.0)) - 1.0
    low, high = 0.0, float((np.abs(offset) + 5.0 * sd).max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        held = float(weight @ (ndtr((middle - offset) / sd) - ndtr((-middle - offset) / sd)))
        low, high = (middle, high) if held < share else (low, middle)
    return high


def _left_out(data: _Data, found: Scattered, shares: Floats) -> Floats:
    """Each reading's distance from what all the others say of it, in its own sd, (n,)."""
    squared = np.where(data.stopped, 1.0, float(found.likely @ shares**2))
    weights = np.linalg.inv(data.known_covariance() + found.scatter**2 * np.diag(squared))
    x = data.design()
    projection = weights - weights @ x @ np.linalg.inv(x.T @ weights @ x) @ x.T @ weights
    diagonal = np.diag(projection)
    safe = np.where(diagonal > 1e-9, diagonal, np.inf)  # a reading alone at its place has nothing to be held against
    return np.asarray(projection @ data.cents / np.sqrt(safe))
