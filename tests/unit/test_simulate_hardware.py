"""The hardware of the simulated guitar: clamps, fine tuners and new strings do what a technician finds."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.instrument.hardware import LOCKING, FineTuners, Nut
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar import Guitar
from oscservice.simulate.guitar_builder import Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.rig_hardware import CLAMP_SHIFT_CENTS

STRINGS = range(1, 7)
LOCKED = Nut(kind=LOCKING, clamps=((1, 2), (3, 4), (5, 6)))
RANGE_CENTS = 120.0
BEHIND_SPARE_MM, OTHER_SPARE_MM = 50.0, 25.0  # of string behind the nut, and behind the saddle, shares the stretch


def guitar_like(*, floating: bool = False, **hardware: object) -> Instrument:
    instrument = load_instrument("six-string-648")
    bridge = instrument.bridge.model_copy(update={"floating": floating})
    fine_tuners = FineTuners(range_cents=RANGE_CENTS)
    return instrument.model_copy(update={"bridge": bridge, "nut": LOCKED, "fine_tuners": fine_tuners, **hardware})


def pitches(rig: Rig) -> list[float]:
    return [rig.place_hz(n, place) for n in STRINGS for place in (OPEN, Place("fret", 5), Place("fret", 12))]


def opened(rig: Rig) -> list[float]:
    return [rig.open_hz(n) for n in STRINGS]


def shifts(rig: Rig, before: list[float]) -> list[float]:
    return [cents_between(now, then) for now, then in zip(opened(rig), before, strict=True)]


# Clamps of the nut


def test_open_clamps_change_nothing() -> None:
    plain = rig_of(
        guitar_like(floating=True, nut=Nut(), fine_tuners=None), saddle_error_mm=[1.0] * 6, detune_cents=[-5.0] * 6
    )
    clamps = rig_of(guitar_like(floating=True), saddle_error_mm=[1.0] * 6, detune_cents=[-5.0] * 6, seed=9)
    for rig in (plain, clamps):
        rig.turn_peg(3, -700.0)
        rig.move_saddle(3, 1.0)
        rig.turn_peg(3, 650.0)
    assert pitches(plain) == pitches(clamps)


@pytest.mark.parametrize("floating", [False, True])
def test_a_peg_turned_against_a_closed_clamp_changes_no_pitch(floating: bool) -> None:
    rig = rig_of(guitar_like(floating=floating))
    rig.set_clamp(None, True)
    before = pitches(rig)
    for string in STRINGS:
        rig.turn_peg(string, -700.0)
        rig.turn_peg(string, 12.0)
    assert pitches(rig) == before
    assert not rig.is_slack(3)
    with pytest.raises(ValueError, match="slacken it first"):
        rig.move_saddle(3, 1.0)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 6), st.lists(st.floats(-900.0, 10.0), min_size=1, max_size=4))
def test_what_was_wound_meanwhile_comes_when_the_clamp_opens(string: int, turns: list[float]) -> None:
    held, free = rig_of(guitar_like(), seed=4), rig_of(guitar_like(), seed=4)
    held.set_clamp(string, True)
    for cents in turns:
        free.turn_peg(string, cents)
        held.turn_peg(string, cents)
    held.set_clamp(string, False)
    # No string is lost, so it is where it would be without the clamp.
    assert opened(held) == pytest.approx(opened(free), rel=1e-9)


def test_closing_shifts_each_string_by_up_to_six_cents_either_way() -> None:
    found: list[float] = []
    for seed in range(12):
        rig = rig_of(guitar_like(), seed=seed)
        before = opened(rig)
        rig.set_clamp(None, True)
        found += shifts(rig, before)
    assert max(map(abs, found)) <= CLAMP_SHIFT_CENTS + 1e-9
    assert min(found) < -0.8 * CLAMP_SHIFT_CENTS < 0.8 * CLAMP_SHIFT_CENTS < max(found)
    assert len(set(found)) == len(found)


def test_each_closing_shifts_otherwise_and_opening_takes_it_back() -> None:
    rig, again = rig_of(guitar_like(), seed=2), rig_of(guitar_like(), seed=2)
    before = opened(rig)
    closed = []
    for _ in range(3):
        rig.set_clamp(None, True)
        closed.append(shifts(rig, before))
        rig.set_clamp(None, True)  # it is closed: nothing happens
        assert shifts(rig, before) == closed[-1]
        rig.set_clamp(None, False)
        assert opened(rig) == pytest.approx(before, rel=1e-9)
    assert closed[0] != closed[1] != closed[2]
    again.set_clamp(None, True)
    assert shifts(again, before) == closed[0]


def test_a_clamp_holds_its_strings_and_no_others() -> None:
    rig = rig_of(guitar_like())
    before = opened(rig)
    rig.set_clamp(4, True)
    assert [n for n in STRINGS if rig.is_clamped(n)] == [3, 4]
    assert [n for n, cents in zip(STRINGS, shifts(rig, before), strict=True) if cents] == [3, 4]
    rig.turn_peg(2, -30.0)
    assert cents_between(rig.open_hz(2), before[1]) == pytest.approx(-30.0)
    rig.set_clamp(3, False)
    assert not any(rig.is_clamped(n) for n in STRINGS)


@pytest.mark.parametrize("string", STRINGS)
def test_less_string_shares_the_stretch_behind_a_closed_clamp(string: int) -> None:
    # Anderson & Beausoleil, JASA 156 (2024) 683, eq. (23): a string taken up by 0.01 mm sharpens by half of kappa times
    # the relative stretch, which spreads over the string between its fast ends.
    def taken_up(closed: bool) -> float:
        sharper = []
        for take_up_mm in (0.0, 0.01):
            rig = rig_of(guitar_like(), faults=Faults(take_up_mm=take_up_mm))
            if closed:
                rig.set_clamp(None, True)
            sharper.append(rig.error_cents(string))
        return sharper[1] - sharper[0]

    rig = rig_of(guitar_like())
    whole_mm = 648.0 + rig.saddle_mm(string)
    kappa = rig.builds[string - 1].ea_n / rig.tension_n(string)
    per_strain = 0.5 * 1200.0 / math.log(2.0) * kappa * 0.01
    assert taken_up(closed=True) == pytest.approx(per_strain / (whole_mm + OTHER_SPARE_MM), rel=0.02)
    spare_mm = OTHER_SPARE_MM + BEHIND_SPARE_MM
    assert taken_up(closed=False) == pytest.approx(per_strain / (whole_mm + spare_mm), rel=0.02)


def test_a_peg_turned_far_against_a_closed_clamp_breaks_the_string() -> None:
    rig = rig_of(guitar_like())
    rig.set_clamp(1, True)
    rig.turn_peg(1, 20.0)
    # Hooke's law: the 100 mm behind the nut take all of what the peg winds, so 0.5 % more strain, which is 0.5 mm or
    # about 80 cents on the whole string, is beyond music wire.
    with pytest.raises(ValueError, match="string 1 would break behind the nut"):
        rig.turn_peg(1, 80.0)
    before = opened(rig)
    rig.set_clamp(1, False)
    assert cents_between(rig.open_hz(1), load_instrument("six-string-648").open_hz(1)) == pytest.approx(20.0)
    assert shifts(rig, before)[2:] == [0.0] * 4


def test_a_guitar_slackens_only_what_lies_behind_its_closed_clamp() -> None:
    guitar = Guitar.from_instrument(guitar_like(), seed=3)
    guitar.set_clamp(None, True)
    before = [guitar.open_hz(n) for n in STRINGS]
    guitar.slacken(6)
    assert [guitar.open_hz(n) for n in STRINGS] == before
    guitar.set_clamp(6, False)
    assert guitar.is_slack(6)
    assert not guitar.is_slack(5)
    guitar.turn_peg(6, cents_between(guitar_like().open_hz(6), guitar.open_hz(6)))
    assert guitar.open_hz(6) == pytest.approx(guitar_like().open_hz(6))


def test_closing_clamps_moves_a_spring_balanced_bridge() -> None:
    rig = rig_of(guitar_like(floating=True), seed=1)
    before = opened(rig)
    rig.set_clamp(1, True)
    moved = shifts(rig, before)
    assert rig.bridge_mm != 0.0
    assert all(moved)
    assert max(map(abs, moved[2:])) < 1.5


@pytest.mark.parametrize(
    ("nut", "string", "said"),
    [(Nut(), 1, "has no clamps"), (Nut(kind=LOCKING, clamps=((1, 2),)), 3, "no clamp"), (LOCKED, 7, "isn't there")],
)
def test_a_clamp_that_is_not_there_is_refused(nut: Nut, string: int, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        rig_of(guitar_like(nut=nut)).set_clamp(string, True)


# Fine tuners


@pytest.mark.parametrize("closed", [False, True])
def test_a_fine_tuner_turns_the_pitch_whether_or_not_the_nut_is_clamped(closed: bool) -> None:
    rig = rig_of(guitar_like())
    rig.set_clamp(None, closed)
    for cents in (17.5, -30.0, 0.0):
        before = opened(rig)
        assert rig.turn_fine_tuner(2, cents) == pytest.approx(cents, abs=1e-9)
        assert shifts(rig, before) == pytest.approx([0.0, cents, 0.0, 0.0, 0.0, 0.0], abs=1e-8)


def test_a_fine_tuner_stops_at_its_ends() -> None:
    rig = rig_of(guitar_like())
    for string in STRINGS:
        before, at = opened(rig), rig.fine_tuner_at(string)
        up = rig.turn_fine_tuner(string, 500.0)
        assert rig.fine_tuner_at(string) == pytest.approx(1.0)
        assert shifts(rig, before)[string - 1] == pytest.approx(up)
        # The cents are those at the string's own pitch; a sharper string needs a little more for each.
        assert up == pytest.approx((1.0 - at) * RANGE_CENTS, rel=0.05)
        assert rig.turn_fine_tuner(string, 1.0) == pytest.approx(0.0, abs=1e-9)
        down = rig.turn_fine_tuner(string, -500.0)
        assert rig.fine_tuner_at(string) == pytest.approx(0.0)
        assert down == pytest.approx(-RANGE_CENTS, rel=0.03)


@pytest.mark.parametrize("string", STRINGS)
def test_the_travel_of_a_fine_tuner_reaches_further_with_the_nut_clamped(string: int) -> None:
    # The screw takes in as much string as before, which now stretches less of it: geometry. The clamped string sounds
    # up to 6 cents off its pitch, where a mm does up to 1 % more or less.
    rig = rig_of(guitar_like())
    rig.turn_fine_tuner(string, -500.0)
    open_cents = rig.turn_fine_tuner(string, 500.0)
    rig.set_clamp(None, True)
    closed_cents = -rig.turn_fine_tuner(string, -500.0)
    whole_mm = 648.0 + rig.saddle_mm(string) + OTHER_SPARE_MM
    assert closed_cents / open_cents == pytest.approx((whole_mm + BEHIND_SPARE_MM) / whole_mm, rel=0.02)


def test_fine_tuners_go_to_the_middle_together() -> None:
    rig = rig_of(guitar_like(), as_found=True, seed=5)
    before, starts = opened(rig), [rig.fine_tuner_at(n) for n in STRINGS]
    rig.centre_fine_tuners()
    assert [rig.fine_tuner_at(n) for n in STRINGS] == pytest.approx([0.5] * 6)
    expected = [(0.5 - start) * RANGE_CENTS for start in starts]
    assert shifts(rig, before) == pytest.approx(expected, rel=0.15)  # the nut is clamped, as above


def test_a_guitar_starts_ready_or_as_a_technician_finds_it() -> None:
    starts: dict[bool, list[float]] = {False: [], True: []}
    for seed, as_found in ((seed, as_found) for seed in range(4) for as_found in starts):
        guitar = Guitar.from_instrument(guitar_like(), seed=seed, detune_cents=[10.0] * 6, as_found=as_found)
        starts[as_found] += [guitar.fine_tuner_at(n) for n in STRINGS]
        assert [guitar.is_clamped(n) for n in STRINGS] == [as_found] * 6
        off = [cents_between(guitar.open_hz(n), guitar_like().open_hz(n)) - 10.0 for n in STRINGS]
        assert max(map(abs, off)) <= (CLAMP_SHIFT_CENTS if as_found else 0.0) + 1e-6
    assert all(0.4 <= start <= 0.6 for start in starts[False])
    assert all(0.05 <= start <= 0.3 or 0.7 <= start <= 0.95 for start in starts[True])
    assert min(starts[True]) < 0.3 < 0.7 < max(starts[True])


def test_a_guitar_without_the_hardware_is_found_as_it_is() -> None:
    bare = guitar_like(nut=Nut(), fine_tuners=None)
    assert pitches(rig_of(bare, as_found=True)) == pitches(rig_of(bare))
    for ask in (lambda rig: rig.turn_fine_tuner(1, 1.0), Rig.centre_fine_tuners, lambda rig: rig.fine_tuner_at(1)):
        with pytest.raises(ValueError, match="has no fine tuners"):
            ask(rig_of(bare))


def test_a_fine_tuner_can_break_a_string_too() -> None:
    rig = rig_of(guitar_like(fine_tuners=FineTuners(range_cents=1200.0)))
    before = opened(rig)
    with pytest.raises(ValueError, match="string 1 would break"):
        rig.turn_fine_tuner(1, 900.0)
    with pytest.raises(ValueError, match="can't be turned"):
        rig.turn_fine_tuner(1, math.inf)
    assert opened(rig) == before
    assert rig.turn_fine_tuner(1, -100.0) == -100.0


# Strings that are not stretched in


def new_strings() -> Rig:
    return rig_of(guitar_like(), faults=Faults(unstretched_mm={2: 0.4}), seed=8)


def fall_in_all() -> float:
    # Hooke's law: 0.4 mm more string lower its tension by EA 0.4 mm / (length that shares the stretch).
    rig = rig_of(guitar_like())
    length_mm = 648.0 + rig.saddle_mm(2) + BEHIND_SPARE_MM + OTHER_SPARE_MM
    return -600.0 * math.log2(1.0 - rig.builds[1].ea_n * 0.4 / length_mm / rig.tension_n(2))


def test_a_new_string_falls_with_each_pluck_and_less_each_time() -> None:
    rig = new_strings()
    before = opened(rig)
    falls = []
    for _ in range(60):
        last = rig.open_hz(2)
        rig.plucked(2)
        falls.append(cents_between(last, rig.open_hz(2)))
    assert all(fall > 0.0 for fall in falls)
    assert sum(falls[:10]) > 1.5 * sum(falls[10:20]) > 2.0 * sum(falls[20:30])
    assert 0.9 * fall_in_all() < cents_between(before[1], rig.open_hz(2)) < fall_in_all()
    rig.plucked(3)
    assert shifts(rig, before)[0] == 0.0
    assert shifts(rig, before)[2:] == [0.0] * 4


def test_a_new_string_falls_back_each_time_it_is_brought_up() -> None:
    rig = new_strings()
    wanted_hz = rig.open_hz(2)
    left = []
    rig.turn_peg(2, -150.0)
    for _ in range(12):
        rig.turn_peg(2, cents_between(wanted_hz, rig.open_hz(2)))
        left.append(cents_between(wanted_hz, rig.open_hz(2)))
    # The first share of all, as assumed: 1 - exp(-0.25), give or take 30 %.
    assert 0.16 * fall_in_all() < left[0] < 0.28 * fall_in_all()
    assert left[-1] < 0.05 * left[0]


def test_a_string_pulled_by_hand_is_nearly_stretched_in() -> None:
    rig, twin = new_strings(), new_strings()
    wanted_hz = rig.open_hz(2)

    def fall_by_pluck(one: Rig) -> float:
        one.turn_peg(2, cents_between(wanted_hz, one.open_hz(2)))
        last = one.open_hz(2)
        one.plucked(2)
        return cents_between(last, one.open_hz(2))

    rig.stretch(2)
    assert cents_between(rig.open_hz(2), wanted_hz) < -30.0
    assert fall_by_pluck(rig) < 0.3 * fall_by_pluck(twin)


def test_a_clamped_nut_holds_back_what_windings_give_and_a_slack_string_gives_nothing() -> None:
    rig = new_strings()
    rig.set_clamp(2, True)
    before = opened(rig)
    rig.plucked(2)
    rig.stretch(2)
    rig.turn_fine_tuner(2, 5.0)
    assert cents_between(rig.open_hz(2), before[1]) == pytest.approx(5.0)
    rig.set_clamp(2, False)
    rig.turn_peg(2, -700.0)
    slack_hz = rig.open_hz(2)
    rig.stretch(2)
    assert rig.open_hz(2) == slack_hz


def test_plucks_of_a_guitar_stretch_its_new_strings() -> None:
    def fall(seed: int) -> float:
        guitar = Guitar.from_instrument(guitar_like(), seed=seed, faults=Faults(unstretched_mm={2: 0.4}))
        before = guitar.open_hz(2)
        guitar.pluck(1, OPEN)
        assert guitar.open_hz(2) == before
        guitar.pluck(2, OPEN)
        return cents_between(before, guitar.open_hz(2))

    assert fall(1) == fall(1) > 0.5
    assert fall(1) != fall(2)


@pytest.mark.parametrize(("unstretched_mm", "said"), [({7: 0.1}, "string 7"), ({1: -0.1}, "not stretched in")])
def test_strings_that_cannot_be_so_new_are_refused(unstretched_mm: dict[int, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        rig_of(guitar_like(), faults=Faults(unstretched_mm=unstretched_mm))
