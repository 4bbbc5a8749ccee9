"""Bounds for results of a few draws. If a claim is true, they are met 98 times in 100."""

from __future__ import annotations

import math

from scipy.stats import binom

_ONE_SIDE = 0.02


def fewest(share: float, count: int) -> int:
    """Return the least number of ``count`` draws that must be inside, if ``share`` of all are (binomial)."""
    return int(binom.ppf(_ONE_SIDE, count, share))


def sd_bounds(low: float, high: float, count: int) -> tuple[float, float]:
    """Return the bounds of the standard deviation of ``count`` draws if the true one is within ``low`` to ``high``.

    That of a normal sample scatters by 1 / sqrt(2 n) of itself.
    """
    room = 2.0 / math.sqrt(2.0 * count)
    return low * (1.0 - room), high * (1.0 + room)
