"""Facts of the trade. Each is marked: common practice, no source. One check against a paper closes the file."""

from __future__ import annotations

import math

import pytest

from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import cents_per_mm, error_after, saddle_correction, speaking_lengths_mm
from oscservice.instrument.instrument_file import load_instrument, preset_names
from oscservice.instrument.string_physics import fret_position_mm

GUITAR = load_instrument("six-string-648")


def known(cents: float) -> Comparison:
    return Comparison(cents, 0.2, 8, 0.6)


@pytest.mark.parametrize("name", preset_names())
def test_the_12th_fret_halves_the_string(name: str) -> None:
    # common practice, no source
    for string in load_instrument(name).strings:
        assert fret_position_mm(string.scale_mm, 12) == pytest.approx(string.scale_mm / 2.0)


@pytest.mark.parametrize(("cents", "direction"), [(-5.0, "toward the nut"), (5.0, "away from the nut")])
def test_flat_means_toward_the_nut_and_sharp_means_away(cents: float, direction: str) -> None:
    # common practice, no source
    move = saddle_correction(known(cents), GUITAR.string(1), 12, 0.0, GUITAR.adjuster_of(1))
    assert move.direction == direction
    assert math.copysign(1.0, move.mm) == math.copysign(1.0, cents)


def test_one_millimetre_is_about_2_7_cents_at_the_12th_fret_and_half_a_millimetre_1_3() -> None:
    # common practice, no source
    lengths = speaking_lengths_mm(GUITAR.string(1).model_copy(update={"setback_mm": 0.0}), 12, 0.0)
    assert error_after(0.0, lengths, -1.0) == pytest.approx(2.7, abs=0.05)
    assert error_after(0.0, lengths, -0.5) == pytest.approx(1.3, abs=0.05)


def test_a_barely_visible_error_is_a_half_millimetre_move() -> None:
    # common practice, no source: 1 to 2 cents is as little as a needle shows
    move = saddle_correction(known(1.34), GUITAR.string(1), 12, 0.0, GUITAR.adjuster_of(1))
    assert f"{move.mm:.1f}" == "0.5"


@pytest.mark.parametrize("fret", [3, 5, 7, 12, 17, 19, 24])
def test_sensitivity_of_every_fret(fret: int) -> None:
    """Anderson and Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, eq. (31): the saddle's part of the error is
    K (gamma - 1) (-S / X0), to first order."""
    lengths = speaking_lengths_mm(GUITAR.string(1).model_copy(update={"setback_mm": 0.0}), fret, 0.0)
    first_order = -1200.0 / math.log(2.0) * (2.0 ** (fret / 12.0) - 1.0) / 648.0
    assert cents_per_mm(lengths) == pytest.approx(first_order, rel=1e-9)
    assert error_after(0.0, lengths, 0.1) == pytest.approx(0.1 * first_order, rel=1e-3)
