"""Lengths as texts, in mm or in inches; all calculation is in mm.

In inches a length has two decimals more than in mm: so a rounded value that is converted keeps its precision (NIST SP
811, appendix B.7.2; from memory). The exception is the hundredth of a mm, which is told in thousandths of an inch, the
step of feeler gauges (common practice, no source).
"""

from __future__ import annotations

import re
from enum import StrEnum

from oscservice.defaults import INCH_MM


class LengthUnit(StrEnum):
    """Units in which lengths are told."""

    MM = "mm"
    INCH = "in"

    @property
    def plural(self) -> str:
        """The unit as a word of a sentence: ``mm`` or ``inches``."""
        return "mm" if self is LengthUnit.MM else "inches"


TENTHS, HUNDREDTHS, THOUSANDTHS = 1, 2, 3
"""Decimals of a length in mm: of moves of saddles; of heights; of what a finger takes up."""

_INCH_DECIMALS = {0: 2, TENTHS: 3, HUNDREDTHS: 3, THOUSANDTHS: 5}

_NUMBER = r"[+\-]?[0-9]+(?:\.[0-9]+)?"
_IN_A_TEXT = re.compile(rf"(?<![\w.,/+\-])(?:{_NUMBER}(?: ± | → | to | and ))*{_NUMBER} mm\b")
_BARE_TARGET = re.compile(rf"(?<=target )\({_NUMBER} to {_NUMBER}\)")
_EACH = re.compile(_NUMBER)


def length_number(
    length_mm: float, unit: LengthUnit = LengthUnit.MM, decimals: int = TENTHS, *, sign: bool = False
) -> str:
    """Return a length as a number in a unit, without the unit.

    Args:
        decimals: those of the same length in mm, 0 to 3.
        sign: a positive length has its sign too.
    """
    inches = unit == LengthUnit.INCH
    digits = _INCH_DECIMALS[decimals] if inches else decimals
    number = round(length_mm / INCH_MM if inches else length_mm, digits) + 0.0  # without the sign of a zero
    return f"{number:{'+' if sign else ''}.{digits}f}"


def length_text(
    length_mm: float, unit: LengthUnit = LengthUnit.MM, decimals: int = TENTHS, *, sign: bool = False
) -> str:
    """Return a length with its unit: ``0.5 mm`` or ``0.020 in``. Arguments as of ``length_number``."""
    return f"{length_number(length_mm, unit, decimals, sign=sign)} {unit}"


def told_in(text: str, unit: LengthUnit) -> str:
    """Return an English text with its lengths in a unit.

    Records keep their texts in mm, whatever was shown then: ``relief 0.20 → 0.30 mm`` is ``relief 0.008 → 0.012 in``.
    """
    if unit == LengthUnit.MM:
        return text
    told = _IN_A_TEXT.sub(lambda found: _in_inches(found.group()).removesuffix("mm") + LengthUnit.INCH, text)
    return told if told == text else _BARE_TARGET.sub(lambda found: _in_inches(found.group()), told)


def _in_inches(text: str) -> str:
    """Return a text whose numbers, all of them mm, are in inches."""

    def converted(found: re.Match[str]) -> str:
        number = found.group()
        decimals = min(len(number.partition(".")[2]), THOUSANDTHS)
        return length_number(float(number), LengthUnit.INCH, decimals, sign=number[0] == "+")

    return _EACH.sub(converted, text)
