"""Coupling of strings on a spring-balanced bridge; the simulator's own bridge, which shares no formula, is compared."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from oscservice.advice.floating_bridge import (
    LEAST_SHARE,
    LOWEST_Z,
    SAFE_RISE,
    Balance,
    after_reading,
    after_saddle_move,
    after_slackening,
    cents_from_z,
    final_cents,
    highest_z,
    initial_balance,
    round_goal,
    strings_to_tune,
    targets_cents,
    z_from_cents,
)
from oscservice.instrument.instrument_file import load_instrument
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.spring_bridge import BridgeBuild

FLOATING = load_instrument("six-string-648")
OTHERS = ~np.eye(6, dtype=bool)
ORDER = (5, 4, 3, 2, 1, 0)


def guitar(bridge: BridgeBuild, detune_cents: list[float] | None = None) -> Rig:
    saddles = [spec.setback_mm for spec in FLOATING.strings]
    return Rig(rig_of(FLOATING).builds, bridge, saddle_mm=saddles, detune_cents=detune_cents)


def cents(rig: Rig, index: int) -> float:
    return 1200.0 * math.log2(rig.open_hz(index + 1) / FLOATING.open_hz(index + 1))


def turn_to(rig: Rig, index: int, target_cents: float) -> None:
    while abs(target_cents - cents(rig, index)) > 0.01:
        rig.turn_peg(index + 1, target_cents - cents(rig, index))


def true_coupling(bridge: BridgeBuild) -> NDArray[np.float64]:
    found = np.eye(6)
    for turned in range(6):
        rig = guitar(bridge)
        rig.turn_peg(turned + 1, 2.0)
        found[:, turned] = [cents(rig, n) for n in range(6)]
        found[:, turned] /= found[turned, turned]
    return found


def listened(balance: Balance, rig: Rig) -> Balance:
    for index in ORDER:
        balance = after_reading(balance, index, cents(rig, index), 0.1, tuned=False)
    return balance


def round_played(balance: Balance, rig: Rig) -> Balance:
    """One round: each string is brought to its target, and the next is heard before it is touched."""
    balance = listened(balance, rig)
    for place, index in enumerate(ORDER):
        balance = after_reading(balance, index, cents(rig, index), 0.1, tuned=False)
        turn_to(rig, index, targets_cents(balance, ORDER[place:], [0.0] * 6)[index])
        balance = after_reading(balance, index, cents(rig, index), 0.1, tuned=True)
    return balance


def test_cents_and_relative_tension_are_each_others_inverse() -> None:
    # The pitch goes as the square root of the tension (Mersenne's law): an octave is four times as much.
    assert z_from_cents(1200.0) == pytest.approx(3.0)
    for value in (-700.0, -30.0, 0.0, 162.0):
        assert cents_from_z(z_from_cents(value)) == pytest.approx(value)
    assert math.isfinite(cents_from_z(-1.0))


def test_the_coupling_of_the_prior_is_that_of_a_bridge_of_three_ordinary_springs() -> None:
    balance, true = initial_balance(FLOATING), true_coupling(BridgeBuild(True, 3, 2.5))
    assert np.allclose(balance.coupling()[OTHERS], true[OTHERS], rtol=0.02)
    assert np.all(balance.coupling()[OTHERS] < 0.0), "raising one string flattens the others"


@pytest.mark.parametrize(("springs", "n_mm"), [(2, 1.5), (5, 5.0)])
def test_one_round_shows_a_coupling_twice_or_half_as_strong(springs: int, n_mm: float) -> None:
    bridge = BridgeBuild(True, springs, n_mm)
    true, rig = true_coupling(bridge), guitar(bridge, [-100.0] * 6)
    before = initial_balance(FLOATING).coupling()
    assert not np.allclose(before[OTHERS], true[OTHERS], rtol=0.2)
    learned = round_played(initial_balance(FLOATING), rig).coupling()
    assert np.allclose(learned[OTHERS], true[OTHERS], rtol=0.2)


def test_a_known_bridge_comes_to_pitch_in_one_round_as_the_non_linear_one_does() -> None:
    # Targets of about +162, +100, +54, +49, +14, 0 cents for strings 6 to 1 of a set of this kind, all 100 cents flat,
    # were found with another bridge that is solved without linearising (computed here, no published source).
    rig = guitar(BridgeBuild(True, 3, 2.5), [-100.0] * 6)
    balance = listened(initial_balance(FLOATING), rig)
    first = targets_cents(balance, ORDER, [0.0] * 6)
    assert [first[index] for index in ORDER] == pytest.approx([162.0, 100.0, 54.0, 49.0, 14.0, 0.0], abs=16.0)
    balance = round_played(balance, rig)
    assert max(abs(cents(rig, n)) for n in range(6)) < 12.0
    round_played(balance, rig)
    assert max(abs(cents(rig, n)) for n in range(6)) < 1.0


def test_predicted_pitches_are_true_within_their_standard_errors() -> None:
    rig = guitar(BridgeBuild(True, 4, 4.0), [20.0, -30.0, 10.0, 25.0, -15.0, 30.0])
    balance = round_played(initial_balance(FLOATING), rig)
    for index in range(6):
        assert abs(balance.cents(index) - cents(rig, index)) < 3.0 * balance.se_cents(index) + 0.3


def test_a_string_let_down_and_brought_back_leaves_the_others_nearly_where_they_were() -> None:
    rig = guitar(BridgeBuild(True, 3, 2.5))
    balance = listened(initial_balance(FLOATING), rig)
    down = after_slackening(balance, 5)
    assert all(down.cents(n) > 20.0 and down.se_cents(n) > 5.0 for n in range(5))
    back = after_reading(after_saddle_move(down, 5, 3.0), 5, 0.0, 0.1, tuned=True)
    assert all(abs(back.cents(n)) < 3.0 and back.se_cents(n) < 5.0 for n in range(5))
    # At the same pitch a string 3 mm longer pulls 2 * 3 / 652 harder, which is 8 cents of a string of the old length.
    assert back.cents(4) == pytest.approx(8.0 * float(balance.coupling()[4, 5]), abs=0.3)


def test_a_string_far_from_where_it_should_be_was_touched_and_the_rest_is_doubted() -> None:
    balance = round_played(initial_balance(FLOATING), guitar(BridgeBuild(True, 3, 2.5), [-50.0] * 6))
    touched = after_reading(balance, 3, 40.0, 0.1, tuned=False)
    assert touched.cents(3) == pytest.approx(40.0)
    assert touched.cents(5) < balance.cents(5) - 2.0
    assert touched.covariance[6][6] == pytest.approx(balance.first_doubt[0][0])


def test_a_blocked_bridge_is_learned_to_be_one() -> None:
    rig = guitar(BridgeBuild(False), [-60.0] * 6)
    balance = initial_balance(FLOATING)
    for _ in range(2):
        balance = round_played(balance, rig)
    assert np.all(np.abs(balance.coupling()[OTHERS]) < 0.04)
    assert max(abs(cents(rig, n)) for n in range(6)) < 5.0


def test_a_round_that_would_strain_a_string_goes_part_of_the_way() -> None:
    balance = initial_balance(FLOATING)
    for index in range(6):
        balance = after_reading(balance, index, -500.0, 0.1, tuned=False)
    goal = round_goal(balance, ORDER)
    assert LEAST_SHARE <= goal.share < 1.0
    targets = targets_cents(balance, ORDER, goal.cents)
    for index, target in enumerate(targets):
        assert cents_from_z(LOWEST_Z) - 0.01 <= target <= cents_from_z(highest_z(balance, index)) + 0.01
    near = initial_balance(FLOATING)
    for index in range(6):
        near = after_reading(near, index, -100.0, 0.1, tuned=False)
    assert round_goal(near, ORDER).share == 1.0


def test_no_string_is_tuned_beyond_the_strength_of_its_core() -> None:
    # Plain steel at this pitch and length has 58 % of its strength with any gauge: 72.2 N of 124 N.
    balance = initial_balance(FLOATING)
    assert highest_z(balance, 0) == pytest.approx(0.75 / 0.58 - 1.0, abs=0.02)
    assert highest_z(balance, 5) == SAFE_RISE


def test_strings_that_a_round_would_pull_off_are_tuned_in_it() -> None:
    balance = initial_balance(FLOATING)
    for index in range(6):
        balance = after_reading(balance, index, 200.0 if index == 5 else 0.0, 0.1, tuned=False)
    assert strings_to_tune(balance, ORDER, (5,), 1.5) == ORDER
    assert max(abs(end) for end in final_cents(balance, ORDER)) < 1e-6
    at_pitch = listened(initial_balance(FLOATING), guitar(BridgeBuild(True, 3, 2.5)))
    assert strings_to_tune(at_pitch, ORDER, (), 1.5) == ()
