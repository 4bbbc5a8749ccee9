"""Lengths as texts: what is read, and the one line about what is not."""

from __future__ import annotations

import pytest

from oscservice.instrument.length import parse_length_mm


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
