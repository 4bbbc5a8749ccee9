"""How the plucks of the hand at work scatter: freshly fretted ones, and open ones beside them.

One hand sets up a whole instrument, so what a string's plucks say of it is known before the next string is plucked: a
calm hand is believed after fewer plucks, a hasty one after more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

Floats = npt.NDArray[np.float64]

MOST_WEIGHT = 12.0
"""So many plucks' worth is at most known of a string's scatter from other strings: strings and frets differ."""

KEPT_OPEN = 0.1
"""What is learnt of the open string counts for all but this share: on another string it may be otherwise."""

_WEIGHTS = (0.5, 2000.0)


@dataclass(frozen=True)
class PluckScatter:
    """What is known of the scatter of plucks.

    Attributes:
        scatter_cents: of freshly fretted ones, 1 sd.
        weight: how many plucks' worth of evidence that is.
        shares: how much open plucks scatter over fretted ones, and how probable each is: pairs.
    """

    scatter_cents: float
    weight: float
    shares: tuple[tuple[float, float], ...] = ((1.0, 1.0),)

    @property
    def open_share(self) -> float:
        """How much an open pluck probably scatters over a fretted one (root mean square)."""
        return math.sqrt(sum(probability * share**2 for share, probability in self.shares))

    def se_cents(self, stopped: float, opened: float) -> float:
        """Standard error to expect of an error from so many stopped plucks and open ones around them (1 sd)."""
        return self.scatter_cents * math.hypot(1.0 / math.sqrt(stopped), self.open_share / math.sqrt(opened))


UNKNOWN_SCATTER = PluckScatter(0.7, 3.0, ((0.2, 0.3), (0.45, 0.4), (1.0, 0.3)))
"""A hand nobody has heard yet: 0.6 to 1 cent for one player's freshly fretted notes, open ones as much or much less
(assumed)."""


def updated_scatter(before: PluckScatter, variances: Floats, shares: Floats, likely: Floats) -> PluckScatter:
    """What is known of a hand after a comparison, for the next one.

    The scatter's posterior is summed up as the scaled inverse chi-squared distribution with the same mean and variance
    of its logarithm: log(s^2) + log(v / 2) - psi(v / 2) and psi'(v / 2) for the scale s and weight v (A. Gelman et al.,
    Bayesian Data Analysis, from memory; the test draws from it).

    Args:
        before: what was known before it.
        variances: of the scatter, cents squared, shape (g,).
        shares: of the open string, (g,).
        likely: probability of each pair, (g,).
    """
    logs = np.log(variances)
    mean = float(likely @ logs)
    spread = float(likely @ (logs - mean) ** 2)
    weight = _weight_of(spread)
    scale = math.exp(0.5 * (mean - math.log(weight / 2.0) + float(digamma(weight / 2.0))))
    told = [(share, float(likely[np.isclose(shares, share)].sum())) for share, _ in before.shares]
    kept = len(told)
    spread_out = tuple((share, (1.0 - KEPT_OPEN) * probability + KEPT_OPEN / kept) for share, probability in told)
    return PluckScatter(scale, min(weight, MOST_WEIGHT), spread_out)


def _weight_of(spread: float) -> float:
    """The weight whose log variance has this variance; psi' falls as the weight grows."""
    low, high = _WEIGHTS
    if spread >= float(polygamma(1, low / 2.0)):
        return low
    if spread <= float(polygamma(1, high / 2.0)):
        return high
    return float(brentq(lambda weight: float(polygamma(1, weight / 2.0)) - spread, low, high))
