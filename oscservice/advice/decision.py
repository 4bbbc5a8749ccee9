"""When a string's error is known well enough to act on, and when to leave it alone.

The thresholds trade plucks against moves: a far-off saddle is moved early, since a coarse move gains more than another
pluck does; a near one only once the move would clearly gain something, since placing a saddle by hand has a scatter of
its own.
"""

from __future__ import annotations

from enum import StrEnum

from oscservice.advice.comparison import FEWEST_PLUCKS, SCATTER_LIMIT_CENTS, Comparison, combine

_LIKELY = 1.64  # sd: 95 of 100 lie below, one-sided


class Verdict(StrEnum):
    """What to do with a string, given its comparison."""

    SETTLED = "settled"
    MOVE = "move"
    MORE_PLUCKS = "more plucks"
    SCATTERED = "too scattered"


def judge(
    comparison: Comparison,
    tolerance_cents: float,
    *,
    placing_sd_mm: float = 0.12,
    max_plucks: int = 12,
    cents_per_mm: float = 2.67,
) -> Verdict:
    """What the comparison asks for.

    * settled: the error lies within the tolerance with 95 % confidence;
    * move: moving will clearly improve it, and it is known as well as a hand can place the saddle, or as
      well as the size of the error deserves;
    * more plucks otherwise, until ``max_plucks``; then settled if the error lies within the tolerance, else move;
    * too scattered: the plucks scatter too much for any advice (after a fair number of them).

    Args:
        comparison: with the saddle where it now stands.
        tolerance_cents: largest error to leave, + .
        placing_sd_mm: how well a hand places the saddle, 1 sd.
        max_plucks: fretted plucks after which it must be decided.
        cents_per_mm: sensitivity of the fret compared at.

    Raises:
        ValueError: a tolerance that isn't positive.
    """
    if not tolerance_cents > 0.0:
        raise ValueError(f"tolerance of {tolerance_cents} cents; expected more than 0")
    if comparison.plucks < FEWEST_PLUCKS:
        return Verdict.MORE_PLUCKS
    error, se = abs(comparison.error_cents), comparison.se_cents
    if comparison.scatter_cents > SCATTER_LIMIT_CENTS:
        return Verdict.SCATTERED
    if error + _LIKELY * se <= tolerance_cents:
        return Verdict.SETTLED
    if _worth_moving(error, se, tolerance_cents, placing_sd_mm * cents_per_mm):
        return Verdict.MOVE
    if comparison.plucks < max_plucks:
        return Verdict.MORE_PLUCKS
    return Verdict.SETTLED if error <= tolerance_cents else Verdict.MOVE


def proved(comparison: Comparison, tolerance_cents: float, settled: Comparison | None = None) -> bool:
    """Whether a short last pass bears out a settled string.

    With the comparison it was settled on, both count together, and the last pass alone must not clearly contradict it.
    Without one, the last pass stands alone.
    """
    fresh_contradicts = abs(comparison.error_cents) - _LIKELY * comparison.se_cents > tolerance_cents
    together = comparison if settled is None else combine(settled, comparison)
    return abs(together.error_cents) <= tolerance_cents and not fresh_contradicts


def _worth_moving(error: float, se: float, tolerance: float, placing_cents: float) -> bool:
    if error - _LIKELY * se <= 0.0 or error <= 0.75 * tolerance:
        return False
    return se <= max(placing_cents, tolerance / 4.0) or se <= 0.2 * error
