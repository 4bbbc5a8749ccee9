"""The saddle move that corrects an error in cents."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.advice.comparison import Comparison, Flag
from oscservice.advice.correction import (
    FIXED_SADDLE,
    direction_of,
    error_after,
    null_move_mm,
    saddle_correction,
    speaking_lengths_mm,
    turns_text,
)
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import Adjuster

FLOATING = load_instrument("six-string-648")
SCREWED = load_instrument("six-string-628")
PAIRED = load_instrument("six-string-648-paired")
FIXED = load_instrument("six-string-628-fixed")


def known(cents: float, se: float = 0.2, plucks: int = 8, scatter: float = 0.6) -> Comparison:
    return Comparison(cents, se, plucks, scatter)


def screw(toward: float = 5.0, away: float = 5.0, turn: float | None = 0.5) -> Adjuster:
    return Adjuster(name="saddle 1", influence={1: 1.0}, toward_nut_mm=toward, away_mm=away, mm_per_turn=turn)


@given(
    cents=st.floats(-40, 40),
    fret=st.integers(1, 24),
    position=st.floats(-5, 5),
)
def test_the_advised_move_nulls_the_error(cents: float, fret: int, position: float) -> None:
    """Checked on the ratio of the two sounding lengths before and after, not on the formula's own inverse."""
    string = FLOATING.string(1)
    open_mm = string.scale_mm + string.setback_mm + position
    fret_mm = string.scale_mm * (1.0 - 2.0 ** (-fret / 12.0))
    lengths = speaking_lengths_mm(string, fret, position)
    try:
        move = null_move_mm(cents, lengths)
    except ValueError:
        assert cents > 0.0
        assert (open_mm - fret_mm) * 2.0 ** (cents / 1200.0) >= open_mm
        return
    before = open_mm / (open_mm - fret_mm)
    after = (open_mm + move) / (open_mm - fret_mm + move)
    assert 1200.0 * math.log2(after / before) == pytest.approx(-cents, abs=1e-6)
    assert error_after(cents, lengths, move) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("cents", "mm"), [(1, 0.3746), (5, 1.8796), (10, 3.7757), (20, 7.6179), (30, 11.528)])
def test_exact_moves_at_fret_12_of_648_mm(cents: float, mm: float) -> None:
    """L (r - 1) / (2 - r), worked by hand from the lengths' ratio; the straight rule is 2.7 % short at 30 cents."""
    assert null_move_mm(cents, (648.0, 324.0)) == pytest.approx(mm, abs=1e-3)


def test_the_real_lengths_count() -> None:
    assert null_move_mm(10.0, (653.0, 329.0)) == pytest.approx(3.8639, abs=1e-3)
    back = saddle_correction(known(10.0), FLOATING.string(1), 12, 4.0, screw(9, 9))
    front = saddle_correction(known(10.0), FLOATING.string(1), 12, -4.0, screw(9, 9))
    assert back.mm > front.mm + 0.1


@given(cents=st.floats(-12, 12), se=st.floats(0.1, 1.0))
def test_sign_direction_turns_and_doubt(cents: float, se: float) -> None:
    move = saddle_correction(known(cents, se), SCREWED.string(1), 12, 0.0, screw(9, 9))
    assert move.mm * cents >= 0.0
    assert move.direction == direction_of(move.mm)
    assert move.turns == pytest.approx(move.mm / 0.5)
    assert move.se_mm == pytest.approx(se * 0.363, rel=0.06)
    assert not move.out_of_travel


@pytest.mark.parametrize(
    ("mm", "words"),
    [(0.04, "stay"), (-0.04, "stay"), (-0.06, "toward the nut"), (0.06, "away from the nut"), (0.0, "stay")],
)
def test_directions(mm: float, words: str) -> None:
    assert direction_of(mm) == words


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0.0, "less than 1/8 turn"),
        (0.05, "less than 1/8 turn"),
        (0.13, "1/8 turn"),
        (-0.5, "1/2 turn"),
        (1.0, "1 turn"),
        (1.37, "1 3/8 turns"),
        (-2.99, "3 turns"),
    ],
)
def test_turns_in_words(turns: float, words: str) -> None:
    assert turns_text(turns) == words


def test_travel_is_the_rest_after_earlier_moves() -> None:
    start = saddle_correction(known(-11.0), FLOATING.string(1), 12, 0.0, screw(3.0, 3.0))
    assert start.out_of_travel
    assert start.mm == pytest.approx(-3.0)
    assert start.room_mm == pytest.approx(3.0)
    assert start.missing_mm == pytest.approx(-start.needed_mm - 3.0)
    later = saddle_correction(known(-2.0), FLOATING.string(1), 12, -2.5, screw(3.0, 3.0))
    assert later.room_mm == pytest.approx(0.5)
    assert later.mm == pytest.approx(-0.5)
    back = saddle_correction(known(5.0), FLOATING.string(1), 12, -2.5, screw(3.0, 3.0))
    assert back.room_mm == pytest.approx(5.5)
    assert not back.out_of_travel
    assert back.missing_mm == 0.0


def test_a_saddle_beyond_its_stated_travel_can_only_go_back() -> None:
    move = saddle_correction(known(-5.0), FLOATING.string(1), 12, -4.0, screw(3.0, 3.0))
    assert (move.mm, move.room_mm, move.out_of_travel) == (0.0, 0.0, True)


@pytest.mark.parametrize(
    ("error", "reason"), [(known(5.0, scatter=2.1), "scatter by 2.1 cents"), (known(5.0, plucks=2), "2 fretted plucks")]
)
def test_no_advice_on_bad_ground(error: Comparison, reason: str) -> None:
    move = saddle_correction(error, FLOATING.string(1), 12, 0.0, screw())
    assert move.refused is not None
    assert reason in move.refused
    assert (move.mm, move.turns) == (0.0, 0.0)
    assert str(move).startswith("no move: ")


def test_a_fixed_saddle_can_only_be_shaped_or_lived_with() -> None:
    move = saddle_correction(known(4.0), FIXED.string(1), 12, 0.0, FIXED.adjuster_of(1))
    assert move.refused == FIXED_SADDLE
    assert move.out_of_travel
    assert move.direction == "away from the nut"
    assert move.needed_mm == pytest.approx(1.5, abs=0.1)
    assert (move.mm, move.turns) == (0.0, None)


def test_a_move_is_printed_no_finer_than_it_is_known() -> None:
    clamped = saddle_correction(known(-4.0), FLOATING.string(1), 12, 0.0, FLOATING.adjuster_of(1))
    assert str(clamped) == "1.5 mm toward the nut"
    screwed = saddle_correction(known(4.0), SCREWED.string(1), 12, 0.0, SCREWED.adjuster_of(1))
    assert str(screwed) == "1.5 mm away from the nut, 2 7/8 turns"
    assert str(saddle_correction(known(0.1), FLOATING.string(1), 12, 0.0, screw())) == "stay"
    short = saddle_correction(known(-11.0), FLOATING.string(1), 12, 0.0, screw(3.0, 3.0, None))
    assert str(short) == "3.0 mm toward the nut; 1.1 mm more than the travel allows"


def test_a_shared_saddle_is_not_moved_for_one_string() -> None:
    with pytest.raises(ValueError, match="several strings"):
        saddle_correction(known(4.0), PAIRED.string(1), 12, 0.0, PAIRED.adjuster_of(1))


def test_a_move_is_also_given_in_steps_that_can_be_set() -> None:
    eighth = saddle_correction(known(4.0), SCREWED.string(1), 12, 0.0, SCREWED.adjuster_of(1))
    assert eighth.mm == pytest.approx(1.46, abs=0.01)
    assert eighth.settable_mm == 23 * 0.5 / 8.0  # M3: 2 7/8 turns
    by_hand = saddle_correction(known(-4.0), FLOATING.string(1), 12, 0.0, FLOATING.adjuster_of(1))
    assert by_hand.settable_mm == pytest.approx(-1.5)
    coarse = screw().model_copy(update={"step_mm": 0.8})
    assert saddle_correction(known(-4.0), FLOATING.string(1), 12, 0.0, coarse).settable_mm == pytest.approx(-1.6)


def test_no_step_is_taken_past_the_end_of_travel() -> None:
    stepped = screw(1.9, 1.9).model_copy(update={"step_mm": 0.8})
    assert saddle_correction(known(-9.0), FLOATING.string(1), 12, 0.0, stepped).settable_mm == pytest.approx(-1.6)
    assert saddle_correction(known(9.0), FLOATING.string(1), 12, 0.0, stepped).settable_mm == pytest.approx(1.6)
    refused = saddle_correction(known(9.0, plucks=1), FLOATING.string(1), 12, 0.0, stepped)
    assert (refused.mm, refused.settable_mm) == (0.0, 0.0)


def test_flags_do_not_stop_advice_by_themselves() -> None:
    error = Comparison(3.0, 0.3, 6, 0.6, (Flag.OUTLIER, Flag.UNLIKE))
    assert saddle_correction(error, FLOATING.string(1), 12, 0.0, screw()).refused is None
