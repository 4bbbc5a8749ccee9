"""Lengths as texts, in mm or in inches; all calculation is in mm.

In inches a length has two decimals more than in mm: so a rounded value that is converted keeps its precision (NIST SP
811, appendix B.7.2; from memory). The exception is the hundredth of a mm, which is told in thousandths of an inch, the
step of feeler gauges (common practice, no source).
"""

from __future__ import annotations

from typing import Literal, get_args

from oscservice.defaults import INCH_MM

LengthUnit = Literal["mm", "in"]
LENGTH_UNITS: tuple[LengthUnit, ...] = get_args(LengthUnit)

TENTHS, HUNDREDTHS, THOUSANDTHS = 1, 2, 3
"""Decimals of a length in mm: of moves of saddles; of heights; of what a finger takes up."""

_INCH_DECIMALS = {0: 2, TENTHS: 3, HUNDREDTHS: 3, THOUSANDTHS: 5}


def length_number(length_mm: float, unit: LengthUnit = "mm", decimals: int = TENTHS, sign: bool = False) -> str:
    """Return a length as a number in a unit, without the unit.

    Args:
        decimals: those of the same length in mm, 0 to 3.
        sign: a positive length has its sign too.
    """
    inches = unit == "in"
    digits = _INCH_DECIMALS[decimals] if inches else decimals
    number = round(length_mm / INCH_MM if inches else length_mm, digits) + 0.0  # without the sign of a zero
    return f"{number:{'+' if sign else ''}.{digits}f}"


def length_text(length_mm: float, unit: LengthUnit = "mm", decimals: int = TENTHS, sign: bool = False) -> str:
    """Return a length with its unit: ``0.5 mm`` or ``0.020 in``. Arguments as of ``length_number``."""
    return f"{length_number(length_mm, unit, decimals, sign)} {unit}"
