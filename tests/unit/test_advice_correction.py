"""From an error in cents to what the saddle should do."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.advice.comparison import Comparison, Flag
from oscservice.advice.correction import (
    FIXED_SADDLE,
    adjuster_moves,
    direction_of,
    error_after,
    null_move_mm,
    saddle_correction,
    speaking_lengths_mm,
    turns_text,
)
from oscservice.instrument.profile import Adjuster, load_instrument

FLOATING = load_instrument("six-string-648")
SCREWED = load_instrument("six-string-628")
PAIRED = load_instrument("six-string-648-paired")
BAR = load_instrument("six-string-628-bar")
ACOUSTIC = load_instrument("acoustic-645")


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


def test_travel_is_what_is_left_after_earlier_moves() -> None:
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


def test_a_saddle_beyond_its_stated_travel_has_no_room_but_can_go_back() -> None:
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
    move = saddle_correction(known(4.0), ACOUSTIC.string(1), 12, 0.0, ACOUSTIC.adjuster_of(1))
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


def test_separate_saddles_planned_together_are_the_single_moves() -> None:
    errors = {n: known(cents) for n, cents in zip(range(1, 7), (4.0, -3.0, 0.5, 8.0, -7.0, 0.0), strict=True)}
    plan = adjuster_moves(errors, SCREWED, {}, 12)
    for n, error in errors.items():
        single = saddle_correction(error, SCREWED.string(n), 12, 0.0, SCREWED.adjuster_of(n))
        assert plan.moves[f"saddle {n}"].mm == pytest.approx(single.mm, abs=1e-5)
        assert plan.remaining_cents[n] == pytest.approx(0.0, abs=1e-4)


def test_a_pair_takes_the_middle_and_says_what_is_left() -> None:
    plan = adjuster_moves({1: known(6.0), 2: known(2.0)}, PAIRED, {}, 12)
    assert plan.remaining_cents[1] == pytest.approx(2.0, abs=0.1)
    assert plan.remaining_cents[2] == pytest.approx(-2.0, abs=0.1)
    assert plan.moves["saddle 1+2"].mm == pytest.approx(1.5, abs=0.1)
    assert plan.moves["saddle 1+2"].turns == pytest.approx(plan.moves["saddle 1+2"].mm / 0.79375)
    assert plan.moves["saddle 5+6"].mm == pytest.approx(0.0, abs=1e-6)
    assert plan.moves["saddle 5+6"].direction == "stay"


def test_the_better_known_string_of_a_pair_counts_more_but_not_alone() -> None:
    plan = adjuster_moves({1: known(6.0, se=0.05), 2: known(2.0, se=1.0)}, PAIRED, {}, 12)
    assert 0.5 < plan.remaining_cents[1] < 1.5
    assert -4.0 < plan.remaining_cents[2] < -2.5


def test_a_bar_follows_the_line_of_errors() -> None:
    """Set a bar askew by hand: what the plan undoes must be what was done."""
    done = {"treble screw": 1.2, "bass screw": -0.8}
    errors = {}
    for n in range(1, 7):
        shift = sum(a.influence[n] * done[a.name] for a in BAR.bridge.adjusters)
        errors[n] = known(error_after(0.0, speaking_lengths_mm(BAR.string(n), 12, 0.0), shift))
    plan = adjuster_moves(errors, BAR, done, 12)
    assert plan.moves["treble screw"].mm == pytest.approx(-1.2, abs=0.01)
    assert plan.moves["bass screw"].mm == pytest.approx(0.8, abs=0.01)
    assert all(abs(cents) < 0.02 for cents in plan.remaining_cents.values())


def test_when_one_screw_of_a_bar_ends_the_other_makes_the_best_of_it() -> None:
    errors = {n: known(-8.0) for n in range(1, 7)}
    plan = adjuster_moves(errors, BAR, {"treble screw": -3.5}, 12)
    treble, bass = plan.moves["treble screw"], plan.moves["bass screw"]
    assert treble.mm == pytest.approx(-0.5)
    assert treble.out_of_travel
    assert treble.missing_mm == pytest.approx(-treble.needed_mm - 0.5)
    assert bass.mm < bass.needed_mm - 0.2  # goes further than it would if both could move freely
    assert plan.remaining_cents[1] < -3.0


def test_a_plan_is_refused_as_a_whole() -> None:
    plan = adjuster_moves({1: known(6.0), 2: known(2.0, scatter=3.0)}, PAIRED, {}, 12)
    assert plan.moves["saddle 1+2"].mm == 0.0
    assert plan.moves["saddle 1+2"].refused is not None
    assert plan.remaining_cents == pytest.approx({1: 6.0, 2: 2.0})


def test_a_plan_for_a_fixed_saddle_moves_nothing() -> None:
    plan = adjuster_moves({1: known(6.0)}, ACOUSTIC, {}, 12)
    assert plan.moves == {}
    assert plan.remaining_cents == pytest.approx({1: 6.0})


def test_a_plan_needs_strings_and_known_adjusters() -> None:
    with pytest.raises(ValueError, match="no string"):
        adjuster_moves({}, PAIRED, {}, 12)
    with pytest.raises(ValueError, match="'knob'"):
        adjuster_moves({1: known(1.0)}, PAIRED, {"knob": 1.0}, 12)


def test_flags_do_not_stop_advice_by_themselves() -> None:
    error = Comparison(3.0, 0.3, 6, 0.6, (Flag.OUTLIER, Flag.UNLIKE))
    assert saddle_correction(error, FLOATING.string(1), 12, 0.0, screw()).refused is None
