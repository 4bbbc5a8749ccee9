"""Lengths as texts: what is read, the one line about what is not, and what is told in either unit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.instrument.length import parse_length_mm
from oscservice.sentences.length_text import (
    HUNDREDTHS,
    TENTHS,
    THOUSANDTHS,
    LengthUnit,
    length_number,
    length_text,
    told_in,
)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("0.2 mm", 0.2),
        ("0.2mm", 0.2),
        (" 0,2  MM ", 0.2),
        (".2 mm", 0.2),
        ("2. mm", 2.0),
        ("-0.1 mm", -0.1),
        ("− 0.1 mm", -0.1),
        ("+1 mm", 1.0),
        ("1.8 cm", 18.0),
        ("0.008 in", 0.2032),
        ("0,008 in", 0.2032),
        ('0.008"', 0.2032),
        ("0.008″", 0.2032),
        ("1/64 in", 0.396875),
        ("1 / 64 inch", 0.396875),
        ("-3/64 in.", -1.190625),
        ("1 1/2 in", 38.1),
        ("1-1/2 inches", 38.1),
        ("25.5in", 647.7),
        ("1/2 mm", 0.5),
        ("1,500 mm", 1.5),
        ("0 in", 0.0),
    ],
)
def test_a_length_is_read(text: str, mm: float) -> None:
    assert parse_length_mm(text) == mm


def test_a_number_without_a_unit_has_that_which_the_caller_names() -> None:
    assert parse_length_mm("0.2", "mm") == 0.2
    assert parse_length_mm("1/64", "in") == 0.396875
    assert parse_length_mm("0.008 in", "mm") == 0.2032


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("0.2", "found '0.2' without a unit; add mm or in: 0.2 mm or 0.2 in"),
        ("1/64", "found '1/64' without a unit; add mm or in: 1/64 mm or 1/64 in"),
        ("0.2 m", "found '0.2 m', whose unit is not mm, cm or in; write 0.2 mm, 0.008 in or 1/64 in"),
        ("", "found '', which is no length; write 0.2 mm, 0.008 in or 1/64 in"),
        ("mm", "found 'mm', which is no length; write 0.2 mm, 0.008 in or 1/64 in"),
        ("1/0 in", "found '1/0 in', which is no length; write 0.2 mm, 0.008 in or 1/64 in"),
    ],
)
def test_what_is_no_length_is_told_in_one_line(text: str, words: str) -> None:
    with pytest.raises(ValueError) as told:
        parse_length_mm(text)
    assert str(told.value) == words


@pytest.mark.parametrize(
    "text",
    ["nan mm", "inf in", "1e3 mm", "1.5/2 in", "1 2 mm", "1,000.5 mm", "--1 mm", "2**9 mm", "٣ mm", "½ in", "9" * 70,
     "9" * 10 + " mm", "0.2 mm\nin", ". mm", "1/64/2 in", "5 ft", "0.008 in 2"],
)  # fmt: skip
def test_nonsense_is_one_short_line(text: str) -> None:
    with pytest.raises(ValueError, match="found ") as told:
        parse_length_mm(text)
    assert str(told.value).startswith("found ")
    assert "\n" not in str(told.value)
    assert len(str(told.value)) < 160


@pytest.mark.parametrize(
    ("mm", "decimals", "in_mm", "in_inches"),
    [
        (0.5, TENTHS, "0.5 mm", "0.020 in"),
        (0.46, TENTHS, "0.5 mm", "0.018 in"),
        (-1.24, TENTHS, "-1.2 mm", "-0.049 in"),
        (-0.004, TENTHS, "0.0 mm", "0.000 in"),
        (0.2, HUNDREDTHS, "0.20 mm", "0.008 in"),
        (1.6, HUNDREDTHS, "1.60 mm", "0.063 in"),
        (0.012, THOUSANDTHS, "0.012 mm", "0.00047 in"),
        (648.0, 0, "648 mm", "25.51 in"),
    ],
)
def test_a_length_is_told_in_either_unit(mm: float, decimals: int, in_mm: str, in_inches: str) -> None:
    assert length_text(mm, LengthUnit.MM, decimals) == in_mm
    assert length_text(mm, LengthUnit.INCH, decimals) == in_inches
    assert length_number(mm, LengthUnit.INCH, decimals) == in_inches.removesuffix(" in")


def test_a_signed_length_has_a_sign_either_way() -> None:
    assert length_text(0.5, LengthUnit.MM, sign=True) == "+0.5 mm"
    assert length_text(-0.5, LengthUnit.INCH, sign=True) == "-0.020 in"
    assert length_text(0.0, LengthUnit.INCH, sign=True) == "+0.000 in"


@pytest.mark.parametrize("unit", LengthUnit)
@pytest.mark.parametrize("decimals", [0, TENTHS, HUNDREDTHS, THOUSANDTHS])
@given(length_mm=st.floats(-1000.0, 1000.0))
def test_a_length_that_was_told_is_read_back_within_its_rounding(
    unit: LengthUnit, decimals: int, length_mm: float
) -> None:
    told = length_text(length_mm, unit, decimals)
    step = 10.0 ** -len(told.partition(".")[2].partition(" ")[0])
    half_mm = step / 2.0 * (25.4 if unit is LengthUnit.INCH else 1.0)
    assert abs(parse_length_mm(told) - length_mm) <= half_mm * (1.0 + 1e-9)


@given(whole=st.integers(0, 99), over=st.integers(1, 127), power=st.integers(1, 7))
def test_a_fraction_and_its_decimals_are_one_length(whole: int, over: int, power: int) -> None:
    under = 2**power
    decimal = f"{whole + over / under:.7f} in"
    assert parse_length_mm(f"{whole} {over}/{under} in") == parse_length_mm(decimal)


@given(st.text(max_size=30))
def test_any_text_is_a_finite_length_or_one_line(text: str) -> None:
    try:
        told = f"{parse_length_mm(text, 'mm'):g}"
    except ValueError as mistake:
        told = str(mistake)
    assert "\n" not in told
    assert told not in ("nan", "inf", "-inf")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("string 4: saddle moved +0.5 mm, as advised", "string 4: saddle moved +0.020 in, as advised"),
        ("relief 0.20 → 0.30 mm", "relief 0.008 → 0.012 in"),
        ("slot 0.3 ± 0.1 mm higher than in the file", "slot 0.012 ± 0.004 in higher than in the file"),
        ("saddles -0.3 to +0.5 mm", "saddles -0.012 to +0.020 in"),
        ("another scale length (648 and 628.5 mm)", "another scale length (25.51 and 24.744 in)"),
        ("finger takes up 0.012 ± 0.003 mm of string", "finger takes up 0.00047 ± 0.00012 in of string"),
        (
            "Relief: 0.20 mm, within the target (0.10 to 0.30)",
            "Relief: 0.008 in, within the target (0.004 to 0.012)",
        ),
        (
            "Relief: 0.40 mm, 0.10 mm above the target (0.10 to 0.30 mm)",
            "Relief: 0.016 in, 0.004 in above the target (0.004 to 0.012 in)",
        ),
        (
            "string 3: +1.2 ± 0.3 cents, move 0.5 mm toward the nut",
            "string 3: +1.2 ± 0.3 cents, move 0.020 in toward the nut",
        ),
        ("pulls 1176 N/mm2 at 2 N/mm, 80 mm2", "pulls 1176 N/mm2 at 2 N/mm, 80 mm2"),
        ("Fit a thinner string: 0.010 in.", "Fit a thinner string: 0.010 in."),
    ],
)
def test_the_lengths_of_a_recorded_text_are_told_in_inches(text: str, told: str) -> None:
    assert told_in(text, LengthUnit.INCH) == told
    assert told_in(told, LengthUnit.INCH) == told
    assert told_in(text, LengthUnit.MM) == text


@given(length_mm=st.floats(-50.0, 50.0), decimals=st.integers(0, 3), sign=st.booleans())
def test_a_text_is_told_as_its_length_would_be(length_mm: float, decimals: int, sign: bool) -> None:
    rounded_mm = round(length_mm, decimals)
    told = told_in(length_text(rounded_mm, LengthUnit.MM, decimals, sign=sign), LengthUnit.INCH)
    assert told == length_text(rounded_mm, LengthUnit.INCH, decimals, sign=sign)
