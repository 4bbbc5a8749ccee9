"""Lengths in instrument files: with their unit in the key or in the value, and mistakes of units."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.errors import InputError
from oscservice.instrument.instrument_file import preset_toml, read_instrument
from oscservice.instrument.spec import Instrument

TEXT = preset_toml("six-string-628-bar")
LINES = TEXT.splitlines()


def edited(stood: str, instead: str) -> str:
    assert TEXT.count("\n" + stood) >= 1
    return TEXT.replace("\n" + stood, "\n" + instead, 1)


def read(stood: str, instead: str) -> Instrument:
    return read_instrument(edited(stood, instead), "my.toml")


def refusal(stood: str, instead: str) -> str:
    with pytest.raises(InputError) as caught:
        read(stood, instead)
    line = next(n for n, text in enumerate(LINES, start=1) if text.startswith(stood))
    head, _, words = str(caught.value).partition(f"my.toml: line {line}: ")
    assert not head, caught.value
    assert "\n" not in words
    return words


@pytest.mark.parametrize(
    "instead",
    ['scale = "25.5 in"', "scale = '25.5\"'", 'scale_mm = "25 1/2 in"', 'scale = "647.7 mm"', 'scale_mm = "647,7 mm"'],
)
def test_a_length_has_its_unit_in_its_key_or_in_its_value(instead: str) -> None:
    assert {string.scale_mm for string in read("scale_mm = 628.0", instead).strings} == {647.7}


def test_every_table_takes_lengths_with_units() -> None:
    text = TEXT
    for stood, instead in (
        ("relief_mm = 0.2", 'relief = "1/64 in"'),
        ("relief_wanted_mm = [0.10, 0.35]", 'relief_wanted = ["0.004 in", "0.35 mm"]'),
        ("toward_nut_mm = 4.0", 'toward_nut = "1/8 in"'),
        ("string_spread_mm = 52.0", 'string_spread = "2 in"'),
        ("screw_span_mm = 82.0", 'screw_span_mm = "3 1/4 in"'),
        ('thread = "M3"', 'thread = "1/40 in"'),
        ("action_12_mm = 1.6", 'action_12 = "1/16 in"'),
        ("nut_height_mm = 0.35", 'nut_height = "0.014 in"'),
        ("setback_mm = 2.0", 'setback = "5/64 in"'),
        ("gauge_in = 0.010", 'gauge = "0.254 mm"'),
        ("core_mm = 0.356", 'core = "0.014 in"'),
    ):
        assert f"\n{stood}" in text, stood
        text = text.replace(f"\n{stood}", f"\n{instead}", 1)
    guitar = read_instrument(text, "my.toml")
    first, fourth, adjuster = guitar.strings[0], guitar.strings[3], guitar.bridge.adjusters[0]
    assert guitar.set_up.relief_mm == 25.4 / 64
    assert guitar.set_up.relief_wanted_mm == (pytest.approx(0.1016), 0.35)
    assert (adjuster.toward_nut_mm, adjuster.away_mm) == (25.4 / 8, 4.0)
    assert adjuster.mm_per_turn == pytest.approx(0.635)
    assert adjuster.influence[1] == pytest.approx((82.55 + 50.8) / 2 / 82.55, abs=1e-6)
    assert (first.action_12_mm, first.setback_mm) == (25.4 / 16, pytest.approx(25.4 * 5 / 64))
    assert first.nut_height_mm == pytest.approx(0.3556)
    assert (first.gauge_mm, fourth.core_mm) == (0.254, pytest.approx(0.3556))


# Replaced text, replacement, and the message after the line.
MISTAKES = [
    (
        "scale_mm = 628.0",
        "scale = 628.0",
        'scale: found 628.0 without a unit; did you mean scale_mm? Else write "628.0 in"',
    ),
    ("scale_mm = 628.0", 'scale = "628"', "scale: found '628' without a unit; add mm or in: 628 mm or 628 in"),
    ("scale_mm = 628.0", 'scale_mm = "628"', "scale_mm: found '628' without a unit; add mm or in: 628 mm or 628 in"),
    (
        "scale_mm = 628.0",
        'scale = "long"',
        "scale: found 'long', which is no length; write 0.2 mm, 0.008 in or 1/64 in",
    ),
    (
        "scale_mm = 628.0",
        'scale = "2 ft"',
        "scale: found '2 ft', whose unit is not mm, cm or in; write 0.2 mm, 0.008 in",
    ),
    ("scale_mm = 628.0", "scale = true", 'scale: found true, expected a length with its unit in quotes: "0.5 mm" or'),
    (
        "scale_mm = 628.0",
        "scale_mm = 24.75",
        "scale_mm: found 24.75, expected a number from 300 to 1000 (mm); 24.75 in is 628.6 mm: write "
        'scale = "24.75 in"',
    ),
    (
        "scale_mm = 628.0",
        'scale = "24.75 mm"',
        "scale: found '24.75 mm', expected a number from 300 to 1000 (mm); 24.75 in",
    ),
    (
        "scale_mm = 628.0",
        'scale = "628 in"',
        "scale: found '628 in', expected a number from 300 to 1000 (mm); did you mean",
    ),
    ("scale_mm = 628.0", 'scale = "1 in"', "scale: found '1 in', expected a number from 300 to 1000 (mm)"),
    (
        "relief_wanted_mm = [0.10, 0.35]",
        "relief_wanted = [0.004, 0.014]",
        "set_up, relief_wanted: found 0.004 without a unit; did you mean relief_wanted_mm?",
    ),
    (
        "relief_wanted_mm = [0.10, 0.35]",
        'relief_wanted = ["0.014 in", "0.004 in"]',
        "set_up, relief_wanted_mm: found ['0.014 in', '0.004 in'], expected the least and the most wanted in mm",
    ),
    (
        "relief_wanted_mm = [0.10, 0.35]",
        "relief_wanted_mm = [0.004, 0.014]",
        "set_up, relief_wanted_mm: found up to 0.014 mm, expected 0.03 or more; for inches write "
        'relief_wanted = ["0.004 in", "0.014 in"]',
    ),
    (
        "relief_mm = 0.2",
        "relief_mm = 0.008",
        'set_up, relief_mm: found 0.008 mm, expected 0.02 or more; for inches write relief = "0.008 in", or 0 for a',
    ),
    (
        "relief_mm = 0.2",
        'relief = "0.2 in"',
        "set_up, relief: found '0.2 in', expected a number from -2 to 3 (mm); did you",
    ),
    (
        "string_spread_mm = 52.0",
        "string_spread_mm = 2.05",
        "bridge, string_spread_mm: found 2.05, expected a number from 5 to 150 (mm); 2.05 in is 52.07 mm: write string",
    ),
    (
        "action_12_mm = 1.6",
        "action_12_mm = 0.0625",
        "string 1, action_12_mm: found 0.0625, expected more than half of nut_height_mm (0.35): the string would lie "
        'on the frets; for inches write action_12 = "0.0625 in"',
    ),
    (
        "action_12_mm = 1.6",
        'action_12 = "1.6 in"',
        "string 1, action_12: found '1.6 in', expected a number from 0 to 10 (mm); did",
    ),
    (
        "nut_height_mm = 0.35",
        "nut_height_mm = 0.014",
        'string 1, nut_height_mm: found 0.014 mm, expected 0.03 or more; for inches write nut_height = "0.014 in"',
    ),
    (
        "gauge_in = 0.010",
        "gauge_mm = 0.010",
        'string 1, gauge_mm: found 0.01, expected a number from 0.1 to 4.2 (mm); 0.01 in is 0.254 mm: write gauge = "0',
    ),
    (
        "gauge_in = 0.010",
        "gauge_in = 10",
        "string 1, gauge_in: found 10, expected inches from 0.004 to 0.165, e.g. 0.010; did",
    ),
    (
        "gauge_in = 0.010",
        "gauge_in = 0.254",
        "string 1, gauge_in: found 0.254, expected inches from 0.004 to 0.165, e.g. 0.010; 0.254",
    ),
    (
        "core_mm = 0.356",
        "core_mm = 0.014",
        "string 4, core_mm: found 0.014, expected a number from 0.1 to 4.2 (mm); 0.014 in",
    ),
]


@pytest.mark.parametrize(("stood", "instead", "words"), MISTAKES)
def test_a_mistake_of_units_is_told_with_what_was_meant(stood: str, instead: str, words: str) -> None:
    assert refusal(stood, instead).startswith(words)


def test_heights_in_inches_are_noticed_though_both_are() -> None:
    text = edited("action_12_mm = 1.6\nnut_height_mm = 0.35", "action_12_mm = 0.0625\nnut_height_mm = 0.014")
    with pytest.raises(InputError, match=r'action_12_mm: found 0.0625 mm, .* write action_12 = "0.0625 in"$'):
        read_instrument(text, "my.toml")


def test_a_length_is_given_once() -> None:
    text = edited("scale_mm = 628.0", 'scale_mm = 628.0\nscale = "24.75 in"')
    line = LINES.index(next(line for line in LINES if line.startswith("scale_mm"))) + 1
    with pytest.raises(InputError, match=rf"line {line}: scale: found beside scale_mm; leave one of them out"):
        read_instrument(text, "my.toml")


@settings(max_examples=60, deadline=None)
@given(st.decimals(12, 39, places=3), st.booleans())
def test_inches_and_millimetres_agree(inches: object, bare: bool) -> None:
    found = read("scale_mm = 628.0", f'scale{"" if bare else "_mm"} = "{inches} in"').strings[0].scale_mm
    assert found == pytest.approx(float(str(inches)) * 25.4, rel=1e-15)
