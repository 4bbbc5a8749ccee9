"""The root of a function between two places."""

from __future__ import annotations

import math
from collections.abc import Callable

_MOST_STEPS = 100


def root(function: Callable[[float], float], first: float, last: float, *, within: float = 2e-12) -> float:
    """Return a place between two others where a function is 0, to ``within`` or to the last few bits.

    Steps are to where a line or a parabola through the last places is 0, or half way where those gain too little. Each
    number is calculated as in ``scipy.optimize.brentq``, so the result has the same bits; but a program that imports
    ``scipy.optimize`` takes a sixth longer to start.
    Source: R. P. Brent, Algorithms for Minimization Without Derivatives (1973), chapter 4, from memory.

    Args:
        function: a continuous function.
        first, last: places where it has different signs, or is 0.
        within: largest distance of the result from the root.

    Raises:
        ValueError: the function has the same sign at both places, is not a number, or is too flat.
    """

    def value(place: float) -> float:
        found = function(place)
        if math.isnan(found):
            raise ValueError(f"no root from {first:g} to {last:g}: the function is not a number at {place:g}")
        return found

    before, now, across = first, last, 0.0  # the root lies between ``now``, the best so far, and ``across``
    at_before, at_now, at_across = value(before), value(now), 0.0
    step = step_before = 0.0
    if at_before == 0.0:
        return before
    if at_now == 0.0:
        return now
    if (at_before < 0.0) == (at_now < 0.0):
        raise ValueError(f"no root from {first:g} to {last:g}: the function is {at_before:g} and {at_now:g} there")
    for _ in range(_MOST_STEPS):
        if at_before != 0.0 and (at_before < 0.0) != (at_now < 0.0):
            across, at_across = before, at_before
            step = step_before = now - before
        if abs(at_across) < abs(at_now):
            before, now, across = now, across, now
            at_before, at_now, at_across = at_now, at_across, at_now
        smallest = (within + 4.0 * math.ulp(1.0) * abs(now)) / 2.0
        half = (across - now) / 2.0
        if at_now == 0.0 or abs(half) < smallest:
            return now
        tried = math.inf
        if abs(step_before) > smallest and abs(at_now) < abs(at_before):
            tried = _by_curve((before, at_before), (now, at_now), (across, at_across))
        if 2.0 * abs(tried) < min(abs(step_before), 3.0 * abs(half) - smallest):
            step_before, step = step, tried
        else:
            step_before = step = half
        before, at_before = now, at_now
        now += step if abs(step) > smallest else math.copysign(smallest, half)
        at_now = value(now)
    raise ValueError(f"no root found from {first:g} to {last:g} in {_MOST_STEPS} steps")


def _by_curve(before: tuple[float, float], now: tuple[float, float], across: tuple[float, float]) -> float:
    """Return the step from ``now`` to where the line or parabola through these places and values is 0; else inf."""
    (at, value), (now_at, now_value), (across_at, across_value) = before, now, across
    if at == across_at:
        return -now_value * (now_at - at) / (now_value - value)
    slope, across_slope = (value - now_value) / (at - now_at), (across_value - now_value) / (across_at - now_at)
    bend = across_slope * slope * (across_value - value)
    return -now_value * (across_value * across_slope - value * slope) / bend if bend else math.inf
