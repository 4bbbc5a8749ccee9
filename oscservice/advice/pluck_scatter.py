"""Scatter of a player's plucks: of freshly fretted ones, and of open ones.

One player sets up a whole instrument, so the scatter on one string is the prior for the next. A player with a small
scatter needs fewer plucks. Scatter is in cents, 1 sd.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import digamma, polygamma

from oscservice.instrument.root import root

Floats = npt.NDArray[np.float64]

MOST_WEIGHT = 12.0
"""Largest weight, in plucks, of a prior from other strings: strings and frets differ."""

KEPT_OPEN = 0.1
"""Share of the open share's probability that stays spread evenly: another string may differ."""

_WEIGHTS = (0.5, 2000.0)


@dataclass(frozen=True)
class PluckScatter:
    """Knowledge of the scatter of plucks.

    Attributes
    ----------
    scatter_cents : float
        Scatter of freshly fretted plucks (1 sd).
    weight : float
        Weight of that, in plucks.
    shares : tuple[tuple[float, float], ...]
        Pairs of open share (scatter of open plucks over that of fretted ones) and its probability.
    """

    scatter_cents: float
    weight: float
    shares: tuple[tuple[float, float], ...] = ((1.0, 1.0),)

    @property
    def open_share(self) -> float:
        """Root mean square of the open share."""
        return math.sqrt(sum(probability * share**2 for share, probability in self.shares))

    def se_cents(self, stopped: float, opened: float) -> float:
        """Return the standard error expected of an error (1 sd) from these numbers of stopped and open plucks."""
        return self.scatter_cents * math.hypot(1.0 / math.sqrt(stopped), self.open_share / math.sqrt(opened))


UNKNOWN_SCATTER = PluckScatter(0.7, 3.0, ((0.2, 0.3), (0.45, 0.4), (1.0, 0.3)))
"""Prior of an unknown player: 0.6 to 1 cent for freshly fretted plucks, open ones as much or much less (assumed)."""


def updated_scatter(before: PluckScatter, variances: Floats, shares: Floats, likely: Floats) -> PluckScatter:
    """Return the knowledge of a player's scatter after a comparison.

    The posterior of the scatter is replaced by the scaled inverse chi-squared distribution with the same mean and
    variance of its logarithm: log(s^2) + log(v / 2) - psi(v / 2) and psi'(v / 2) for the scale s and weight v.
    Source: A. Gelman et al., Bayesian Data Analysis, from memory; the test draws from it.

    Parameters
    ----------
    before : PluckScatter
        The knowledge before the comparison.
    variances : ndarray of float64, shape (g,)
        Variances of the scatter, cents squared.
    shares : ndarray of float64, shape (g,)
        Open shares.
    likely : ndarray of float64, shape (g,)
        Probability of each pair of variance and share.

    Returns
    -------
    PluckScatter
        The knowledge after it.
    """
    logs = np.log(variances)
    mean = float(likely @ logs)
    spread = float(likely @ (logs - mean) ** 2)
    weight = _weight_of(spread)
    scale = math.exp(0.5 * (mean - math.log(weight / 2.0) + float(digamma(weight / 2.0))))
    posterior = [(share, float(likely[np.isclose(shares, share)].sum())) for share, _ in before.shares]
    count = len(posterior)
    blended = tuple((share, (1.0 - KEPT_OPEN) * probability + KEPT_OPEN / count) for share, probability in posterior)
    return PluckScatter(scale, min(weight, MOST_WEIGHT), blended)


def _weight_of(spread: float) -> float:
    """Return the weight whose log variance has the variance ``spread``; psi' falls with the weight."""
    low, high = _WEIGHTS
    if spread >= float(polygamma(1, low / 2.0)):
        return low
    if spread <= float(polygamma(1, high / 2.0)):
        return high
    return root(lambda weight: float(polygamma(1, weight / 2.0)) - spread, low, high)
