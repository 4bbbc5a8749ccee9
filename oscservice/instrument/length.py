"""Lengths as a person writes them: ``0.2 mm``, ``0.008 in``, ``1/64 in``, ``25.5"``.

The decimal mark is a point or a comma. Neither groups digits (CGPM 2003, resolution 10; from memory): ``1,500 mm`` is
1.5 mm.
"""

from __future__ import annotations

import re
from fractions import Fraction

from oscservice.defaults import INCH_MM

_INCH_MM = Fraction(str(INCH_MM))
_UNITS_MM = {"mm": Fraction(1), "cm": Fraction(10)} | dict.fromkeys(("in", "in.", "inch", "inches", '"', "″"), _INCH_MM)

_NUMBER = re.compile(
    r"(?P<sign>[+\-−]?)\s*"
    r"(?:(?:(?P<whole>[0-9]{1,6})(?:\s+|-))?(?P<over>[0-9]{1,6})\s*/\s*(?P<under>[0-9]{1,6})"
    r"|(?P<decimal>[0-9]{1,9}(?:[.,][0-9]{0,12})?|[.,][0-9]{1,12}))"
    r"\s*(?P<unit>.*)",
    re.DOTALL,
)
_LONGEST = 60
_AS_IN = "0.2 mm, 0.008 in or 1/64 in"


def parse_length_mm(text: str, unit: str = "") -> float:
    """Return the length in a text, in mm.

    Args:
        text: a number and its unit: mm, cm or in. The number may be a fraction, with a whole number before it.
        unit: the unit of a number without one; empty if it needs one.

    Raises:
        ValueError: it is no length. One line: what was found, what to write.
    """
    given = " ".join(text.split())
    found = _NUMBER.fullmatch(given) if len(given) <= _LONGEST else None
    if found is None or (found["under"] is not None and not int(found["under"])):
        raise ValueError(f"found {_shown(text)}, which is no length; write {_AS_IN}")
    named = found["unit"].strip().lower() or unit
    if not named:
        raise ValueError(f"found {_shown(text)} without a unit; add mm or in: {given} mm or {given} in")
    if named not in _UNITS_MM:
        raise ValueError(f"found {_shown(text)}, whose unit is not mm, cm or in; write {_AS_IN}")
    if found["over"] is not None:
        number = int(found["whole"] or 0) + Fraction(int(found["over"]), int(found["under"]))
    else:
        whole, _, rest = found["decimal"].replace(",", ".").partition(".")
        number = Fraction(int(whole + rest), 10 ** len(rest))
    length_mm = float(number * _UNITS_MM[named])
    return -length_mm if found["sign"] in ("-", "−") else length_mm


def _shown(text: str) -> str:
    return repr(text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "...")
