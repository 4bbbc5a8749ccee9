"""Inches and mm as published.

An inch is 25.4 mm exactly: international yard and pound agreement, 1959 (a yard is 0.9144 m); NIST SP 811 (2008), B.8
(from memory): inch to metre 2.54 E-02, in bold type, which means exactly; foot 3.048 E-01, yard 9.144 E-01. Fractions
of an inch are the usual table of drill and rule sizes: 1/64 in is 0.396875 mm.

SP 811, B.7.2 (from memory), on rounding a converted value: as many significant digits as before where its first digit
is not smaller than that of the value converted, one more where it is smaller.
"""

from __future__ import annotations

import pytest

from oscservice.instrument.length import parse_length_mm
from oscservice.sentences.length_text import TENTHS, LengthUnit, length_text


@pytest.mark.parametrize(("inches", "mm"), [("1", 25.4), ("12", 304.8), ("36", 914.4)])
def test_inch_foot_and_yard(inches: str, mm: float) -> None:
    assert parse_length_mm(f"{inches} in") == mm


@pytest.mark.parametrize(
    ("fraction", "inches", "mm"),
    [
        ("1/64", 0.015625, 0.396875),
        ("1/32", 0.03125, 0.79375),
        ("3/64", 0.046875, 1.190625),
        ("1/16", 0.0625, 1.5875),
        ("5/64", 0.078125, 1.984375),
        ("3/32", 0.09375, 2.38125),
        ("7/64", 0.109375, 2.778125),
        ("1/8", 0.125, 3.175),
        ("1/4", 0.25, 6.35),
        ("1/2", 0.5, 12.7),
        ("3/4", 0.75, 19.05),
        ("63/64", 0.984375, 25.003125),
    ],
)
def test_fractions_of_an_inch(fraction: str, inches: float, mm: float) -> None:
    assert parse_length_mm(f"{fraction} in") == mm
    assert parse_length_mm(f"{inches} in") == mm


def test_a_move_keeps_its_precision_in_inches() -> None:
    def digits(number: str) -> str:
        return number.lstrip("0.").replace(".", "")

    for tenths in range(1, 300):
        before, exact = digits(f"{tenths / 10.0:.1f}"), digits(f"{tenths / 254.0:.12f}")
        inches = length_text(tenths / 10.0, LengthUnit.INCH, TENTHS).removesuffix(" in")
        assert len(digits(inches)) == len(before) + (exact[0] < before[0])
