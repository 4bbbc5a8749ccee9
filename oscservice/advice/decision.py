"""When a string's error is known well enough to act on, and when to leave it alone.

The thresholds trade plucks against moves: a far-off saddle is moved early, since a coarse move gains more than another
pluck does; a near one only once the move would clearly gain something, since placing a saddle by hand has a scatter of
its own. They were set by simulating strings up to 11 cents off, 0.6 cents of scatter and 0.12 mm of placing error.
"""

from __future__ import annotations

import math
from enum import StrEnum

from oscservice.advice.comparison import FEWEST_PLUCKS, SCATTER_LIMIT_CENTS, Comparison, Flag, combine

PLACING_SD_MM = 0.12
"""How well a hand places a saddle, 1 sd (assumed: a quarter millimetre is seen, a tenth is not)."""

LAST_PASS_PLUCKS = 2
"""Fewest fretted plucks of a last pass."""

_SURE = 2.4  # sd inside the tolerance before a string is settled
_PROVED = 2.4  # sd inside it, both passes together, before it is proved
_LIKELY = 1.64  # sd: 95 of 100 lie below, one-sided
_NEAR = 0.9  # of the tolerance: a smaller error isn't worth a move while plucks can still be had
_RELATIVE = 0.1  # of the error: known this well, a large error is worth a move
_LAST_WORD = 0.65  # of the tolerance: a smaller error is let be when plucks run out
_MOST_PROVING_PLUCKS = 10
_CONTRADICTION = 3.0  # sd between what was expected and what is heard


class Decision(StrEnum):
    """What to do with a string, given its comparison."""

    SETTLED = "settled"
    MOVE = "move"
    MORE_PLUCKS = "more plucks"
    SCATTERED = "too scattered"


def judge(
    comparison: Comparison,
    tolerance_cents: float,
    *,
    placing_sd_mm: float = PLACING_SD_MM,
    max_plucks: int = 20,
    cents_per_mm: float = 2.67,
    expected: Comparison | None = None,
    last_pass_se_cents: float = math.inf,
) -> Decision:
    """What the comparison asks for.

    * settled: the error lies within the tolerance, and will be known to lie well within it after the last pass if that
      finds the same;
    * move: a move will clearly improve it, and the error is known as well as a hand can place the saddle, or to a tenth
      of its size;
    * more plucks otherwise, until ``max_plucks``; then settled if the error is well inside the tolerance, else move;
    * too scattered: the plucks scatter too much for any advice.

    Args:
        comparison: with the saddle where it now stands.
        tolerance_cents: largest error to leave, either way.
        placing_sd_mm: how well a hand places the saddle, 1 sd.
        max_plucks: fretted plucks after which it must be decided.
        cents_per_mm: sensitivity of the fret compared at (2.67 is fret 12 of 648 mm), either sign.
        expected: what is known of this position from before the move (``expected_after``). It counts as evidence unless
            what is heard contradicts it.
        last_pass_se_cents: standard error of what the last pass will hear of it by itself; inf: there is none.

    Raises:
        ValueError: a tolerance that isn't positive.
    """
    if not tolerance_cents > 0.0:
        raise ValueError(f"tolerance of {tolerance_cents} cents; expected more than 0")
    if comparison.plucks < FEWEST_PLUCKS:
        return Decision.MORE_PLUCKS
    if comparison.scatter_cents > SCATTER_LIMIT_CENTS:
        return Decision.SCATTERED
    known = combined_with_expected(comparison, expected)
    error, se = abs(known.error_cents), known.se_cents
    in_the_end = 1.0 / math.hypot(1.0 / se, 1.0 / last_pass_se_cents)
    if error + max(_LIKELY * se, _SURE * in_the_end) <= tolerance_cents:
        return Decision.SETTLED
    placing_cents = placing_sd_mm * abs(cents_per_mm)
    well_known = se <= max(placing_cents, tolerance_cents / 4.0) or se <= _RELATIVE * error
    if well_known and error - _LIKELY * se > 0.0 and error > _NEAR * tolerance_cents:
        return Decision.MOVE
    if comparison.plucks < max_plucks:
        return Decision.MORE_PLUCKS
    return Decision.SETTLED if error <= _LAST_WORD * tolerance_cents else Decision.MOVE


def expected_after(before: Comparison, left_cents: float, placing_cents: float) -> Comparison:
    """What is to be expected after a move, before anything is heard.

    Args:
        before: the comparison that was moved on.
        left_cents: what the move leaves of its error by calculation (``correction.error_after``).
        placing_cents: how well the saddle was placed, 1 sd in cents at that fret.
    """
    return Comparison(left_cents, math.hypot(before.se_cents, placing_cents), 0, before.scatter_cents)


def combined_with_expected(comparison: Comparison, expected: Comparison | None) -> Comparison:
    """Both together; the comparison alone where it contradicts what was expected (a slipped saddle, a wrong thread)."""
    if expected is None:
        return comparison
    apart = abs(comparison.error_cents - expected.error_cents)
    if apart > _CONTRADICTION * math.hypot(comparison.se_cents, expected.se_cents):
        return comparison
    return combine(comparison, expected)


def confirmed(comparison: Comparison, tolerance_cents: float, settled: Comparison | None = None) -> bool | None:
    """Whether a short last pass bears out a settled string: True, False (compare it again) or None (more plucks).

    With the comparison it was settled on, both count together, and the last pass alone must not clearly contradict the
    tolerance. Without one, the last pass stands alone.

    Args:
        comparison: of the last pass.
        tolerance_cents: largest error to leave, either way.
        settled: the comparison it was settled on, the saddle not moved since.
    """
    if comparison.plucks < LAST_PASS_PLUCKS or Flag.UNBRACKETED in comparison.flags:
        return None
    if abs(comparison.error_cents) - _LIKELY * comparison.se_cents > tolerance_cents:
        return False
    together = comparison if settled is None else combine(settled, comparison)
    error = abs(together.error_cents)
    if error + _PROVED * together.se_cents <= tolerance_cents:
        return True
    return None if comparison.plucks < _MOST_PROVING_PLUCKS else error <= _LAST_WORD * tolerance_cents
