"""Decisions on a string: settled, move the saddle, or more plucks.

The thresholds balance plucks and moves. A saddle that is far off is moved early: a coarse move gains more than another
pluck. A saddle that is nearly right is moved only when the move clearly gains something, since placing it by hand has
its own error. The thresholds were chosen by simulation: strings up to 11 cents off, 0.6 cents of scatter, 0.12 mm of
placing error.
"""

from __future__ import annotations

import math
from enum import StrEnum

from oscservice.advice.comparison import FEWEST_PLUCKS, SCATTER_LIMIT_CENTS, Comparison, Flag, combine

PLACING_SD_MM = 0.12
"""Error of placing a saddle by hand, 1 sd (assumed: a quarter millimetre is visible, a tenth is not)."""

LAST_PASS_PLUCKS = 2
"""Fewest fretted plucks of a last pass."""

_SURE = 2.4  # a settled error is this many sd inside the tolerance
_CONFIRMED = 2.4  # the same for both passes together
_LIKELY = 1.64  # sd of a one-sided 95 % limit
_NEAR = 0.9  # an error below this share of the tolerance isn't worth a move while more plucks are possible
_RELATIVE = 0.1  # a large error known to this share of its size is worth a move
_LAST_WORD = 0.65  # an error below this share of the tolerance is left when no more plucks are possible
_MOST_LAST_PASS_PLUCKS = 10
_CONTRADICTION = 3.0  # sd between the expected and the measured error


class Decision(StrEnum):
    """The decision on a string, given its comparison."""

    SETTLED = "settled"
    MOVE = "move"
    MORE_PLUCKS = "more plucks"
    SCATTERED = "too scattered"


def string_decision(
    comparison: Comparison,
    tolerance_cents: float,
    *,
    placing_sd_mm: float = PLACING_SD_MM,
    max_plucks: int = 20,
    cents_per_mm: float = 2.67,
    expected: Comparison | None = None,
    last_pass_se_cents: float = math.inf,
) -> Decision:
    """Return the decision on a string.

    * Settled: the error is within the tolerance, and will be well within it after the last pass if that finds the same.
    * Move: a move will clearly improve it, and the error is known as well as a saddle can be placed, or to a tenth of
      its size.
    * More plucks otherwise, up to ``max_plucks``. Then settled if the error is well within the tolerance, else move.
    * Too scattered: the plucks scatter too much for any advice.

    Args:
        comparison: at the present position of the saddle.
        tolerance_cents: largest error to leave, sharp or flat.
        placing_sd_mm: error of placing the saddle, 1 sd.
        max_plucks: fretted plucks after which the decision must be made.
        cents_per_mm: change of the error per mm of saddle (2.67 is fret 12 of 648 mm), either sign.
        expected: the error expected from before the move (``expected_after``). It counts unless the comparison
            contradicts it.
        last_pass_se_cents: standard error of the last pass alone; infinite when there is none.

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
    """Return the comparison expected after a move, before any pluck.

    Args:
        before: the comparison before the move.
        left_cents: error left by calculation (``correction.error_after``).
        placing_cents: error of placing the saddle, 1 sd in cents at that fret.
    """
    return Comparison(left_cents, math.hypot(before.se_cents, placing_cents), 0, before.scatter_cents)


def combined_with_expected(comparison: Comparison, expected: Comparison | None) -> Comparison:
    """Return both combined, or the comparison alone if it contradicts the expected one.

    A contradiction comes from a saddle that slipped, or a wrong thread in the file.
    """
    if expected is None:
        return comparison
    apart = abs(comparison.error_cents - expected.error_cents)
    if apart > _CONTRADICTION * math.hypot(comparison.se_cents, expected.se_cents):
        return comparison
    return combine(comparison, expected)


def confirmed(comparison: Comparison, tolerance_cents: float, settled: Comparison | None = None) -> bool | None:
    """Return True when a short last pass confirms a settled string, False to compare it again, None for more plucks.

    The last pass counts together with the comparison that settled the string, and alone it must not clearly exceed the
    tolerance. Without such a comparison only the last pass counts.

    Args:
        comparison: of the last pass.
        tolerance_cents: largest error to leave, sharp or flat.
        settled: the comparison that settled the string, at the same position of the saddle.
    """
    if comparison.plucks < LAST_PASS_PLUCKS or Flag.UNBRACKETED in comparison.flags:
        return None
    if abs(comparison.error_cents) - _LIKELY * comparison.se_cents > tolerance_cents:
        return False
    together = comparison if settled is None else combine(settled, comparison)
    error = abs(together.error_cents)
    if error + _CONFIRMED * together.se_cents <= tolerance_cents:
        return True
    return None if comparison.plucks < _MOST_LAST_PASS_PLUCKS else error <= _LAST_WORD * tolerance_cents
