"""Ways out for a saddle at the end of its travel: their order, what they are worth, what they leave."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oscservice.advice.travel import (
    ACCEPT_IT,
    ACTION,
    CORE,
    MOVE_BRIDGE,
    PITCH,
    SHAPE_CROWN,
    TURN_SADDLE,
    WOUND,
    TravelRemedy,
    travel_remedies,
)
from oscservice.instrument.fretting import fretted_string, true_setback_mm
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import Instrument, StringSpec
from oscservice.instrument.string_physics import plain_unit_weight_kg_m, wound_unit_weight_kg_m

FLOATING = load_instrument("six-string-648")
PAIRED = load_instrument("six-string-648-paired")
FIXED = load_instrument("six-string-628-fixed")
ORDER = [TURN_SADDLE, ACTION, CORE, WOUND, PITCH, SHAPE_CROWN, MOVE_BRIDGE, ACCEPT_IT]
STRINGS = st.integers(1, 6)
MISSING = st.floats(0.1, 3.0)


def ways(instrument: Instrument, string: int, missing_mm: float) -> dict[str, TravelRemedy]:
    now = fretted_string(instrument.string(string), instrument.open_hz(string))
    found = travel_remedies(instrument, string, missing_mm, now)
    assert len({way.code for way in found}) == len(found)
    return {way.code: way for way in found}


def near(root_mm: float) -> object:
    """The closed form, which the worths come from, is this near to the full model's roots."""
    return pytest.approx(root_mm, rel=0.06, abs=0.03)


def saved_mm(spec: StringSpec, open_hz: float, instead: StringSpec, instead_hz: float) -> float:
    """Return the setback that the other string saves, from the roots of the full model of both as a file gives them."""
    return true_setback_mm(fretted_string(spec, open_hz)) - true_setback_mm(fretted_string(instead, instead_hz))


@settings(max_examples=60, deadline=None)
@given(STRINGS, MISSING, st.sampled_from([-1.0, 1.0]), st.sampled_from([FLOATING, PAIRED, FIXED]))
def test_least_harm_first_and_never_worse_than_before(
    string: int, missing_mm: float, sign: float, instrument: Instrument
) -> None:
    found = ways(instrument, string, sign * missing_mm)
    codes = list(found)
    assert codes == [code for code in ORDER if code in found]
    assert codes[-2:] == [MOVE_BRIDGE, ACCEPT_IT]
    left = found[ACCEPT_IT].remaining_cents
    assert left is not None
    assert left * sign > 0.0
    for way in found.values():
        assert way.text.endswith(".")
        assert "\n" not in way.text
        assert (way.worth_mm is None) == (way.remaining_cents is None) == (way.code in (TURN_SADDLE, SHAPE_CROWN))
        assert way.caution or way.code == ACCEPT_IT
        assert ("Springs" in way.caution) == (instrument is FLOATING and way.code != ACCEPT_IT)
        if way.worth_mm is not None and way.remaining_cents is not None and way.code != ACCEPT_IT:
            assert way.worth_mm >= 0.05
            # Too small a step leaves less of the same; too large a step is taken back, or leaves the other way.
            assert way.remaining_cents * sign < left * sign


def test_the_remaining_error_is_that_of_the_missing_millimetres_at_fret_12() -> None:
    string = FLOATING.string(6)
    left = ways(FLOATING, 6, 2.0)[ACCEPT_IT].remaining_cents
    open_mm = string.scale_mm + string.setback_mm
    stopped_mm = open_mm - string.scale_mm / 2.0
    sharp = 1200.0 * math.log2((open_mm + 2.0) / open_mm * stopped_mm / (stopped_mm + 2.0))
    assert left == pytest.approx(-sharp)
    assert "5.2 cents sharp; tuning the open string 2.6 cents flat" in ways(FLOATING, 6, 2.0)[ACCEPT_IT].text
    assert "cents flat; tuning the open string" in ways(FLOATING, 6, -2.0)[ACCEPT_IT].text


@settings(max_examples=60, deadline=None)
@given(STRINGS, MISSING, st.sampled_from([-1.0, 1.0]))
def test_the_effect_of_action_equals_that_of_the_full_model(string: int, missing_mm: float, sign: float) -> None:
    found = ways(FLOATING, string, sign * missing_mm)
    assume(ACTION in found)
    way, spec = found[ACTION], FLOATING.string(string)
    assert way.worth_mm is not None
    change = float(way.text.split(" by ")[1].split(" mm")[0])
    assert 0.1 <= change <= 0.5
    assert way.text.startswith("Lower" if sign > 0.0 else "Raise")
    raised = spec.model_copy(update={"action_12_mm": spec.action_12_mm - sign * change})
    hz = FLOATING.open_hz(string)
    assert way.worth_mm == near(sign * saved_mm(spec, hz, raised, hz))
    # No more than it takes, in tenths.
    less = spec.model_copy(update={"action_12_mm": spec.action_12_mm - sign * (change - 0.1)})
    assert sign * saved_mm(spec, hz, less, hz) < 1.06 * missing_mm + 0.03


def test_action_is_not_lowered_to_a_buzz() -> None:
    low = FLOATING.string(3).model_copy(update={"action_12_mm": 1.2})
    guitar = FLOATING.model_copy(update={"strings": (*FLOATING.strings[:2], low, *FLOATING.strings[3:])})
    assert ways(guitar, 3, 2.0)[ACTION].text.startswith("Lower the string by 0.2 mm")
    lowest = low.model_copy(update={"action_12_mm": 1.0})
    guitar = FLOATING.model_copy(update={"strings": (*FLOATING.strings[:2], lowest, *FLOATING.strings[3:])})
    assert ACTION not in ways(guitar, 3, 2.0)
    assert ACTION in ways(guitar, 3, -2.0)


@pytest.mark.parametrize("string", [3, 4, 5, 6])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_the_effect_of_another_core_equals_that_of_the_full_model(string: int, sign: float) -> None:
    spec, hz = FLOATING.string(string), FLOATING.open_hz(string)
    factor = 1.0 - 0.1 * sign
    if spec.wound:
        other = spec.model_copy(update={"core_mm": spec.core_mm * factor})
    else:
        gauge_mm = spec.gauge_mm * factor
        weight = plain_unit_weight_kg_m(gauge_mm)
        other = spec.model_copy(update={"gauge_mm": gauge_mm, "core_mm": gauge_mm, "unit_weight_kg_m": weight})
    way = ways(FLOATING, string, sign * 1.5)[CORE]
    assert way.worth_mm == near(sign * saved_mm(spec, hz, other, hz))
    assert ("thinner" if sign > 0.0 else "thicker") in way.text
    assert ("core" in way.text) == spec.wound


def test_a_wound_third_needs_less_than_a_plain_one() -> None:
    spec, hz = FLOATING.string(3), FLOATING.open_hz(3)
    gauge_mm = 0.020 * 25.4
    wound = {
        "gauge_mm": gauge_mm,
        "wound": True,
        "core_mm": 0.305,
        "unit_weight_kg_m": wound_unit_weight_kg_m(gauge_mm),
    }
    way = ways(FLOATING, 3, 1.5)[WOUND]
    assert way.worth_mm == near(saved_mm(spec, hz, spec.model_copy(update=wound), hz))
    assert "0.020 in" in way.text
    assert way.remaining_cents == 0.0  # the saddle goes back by what is too much
    assert WOUND not in ways(FLOATING, 3, -1.5)
    assert WOUND not in ways(FLOATING, 2, 1.5)
    assert WOUND not in ways(FLOATING, 4, 1.5)


def test_too_much_is_an_error_where_the_saddle_cannot_go_back() -> None:
    way = ways(FIXED, 3, 0.7)[WOUND]
    assert way.worth_mm is not None
    assert way.remaining_cents is not None
    slope = 1200.0 / math.log(2.0) / 628.0
    assert way.remaining_cents == pytest.approx((0.7 - way.worth_mm) * slope, rel=0.02)


@pytest.mark.parametrize("string", [2, 3, 5, 6])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_the_effect_of_a_semitone_equals_that_of_the_full_model(string: int, sign: float) -> None:
    spec, hz = FLOATING.string(string), FLOATING.open_hz(string)
    way = ways(FLOATING, string, sign * 1.0)[PITCH]
    tuned = saved_mm(spec, hz, spec, hz * 2.0 ** (sign / 12.0))
    assert way.worth_mm == near(sign * tuned)


def test_a_string_near_breaking_is_not_tuned_up() -> None:
    """A plain string's stress goes with pitch and length alone: A4 on 648 mm is already above 80 % of music wire's."""
    high = FLOATING.string(1).model_copy(update={"note": "A4"})
    guitar = FLOATING.model_copy(update={"strings": (high, *FLOATING.strings[1:])})
    assert PITCH not in ways(guitar, 1, 1.0)
    assert PITCH in ways(guitar, 1, -1.0)


def test_missing_parts_of_a_bridge_are_not_offered() -> None:
    assert TURN_SADDLE in ways(FLOATING, 6, 1.0)
    assert TURN_SADDLE not in ways(PAIRED, 6, 1.0)
    assert TURN_SADDLE not in ways(FIXED, 6, 1.0)
    assert SHAPE_CROWN in ways(FIXED, 6, 1.0)
    assert SHAPE_CROWN not in ways(PAIRED, 6, 1.0)
    assert "saddle's slot 1.0 mm away from the nut under this string" in ways(FIXED, 6, 1.0)[MOVE_BRIDGE].text
    assert "posts of the bridge 1.0 mm toward the nut" in ways(FLOATING, 6, -1.0)[MOVE_BRIDGE].text
    renamed = FLOATING.bridge.model_copy(update={"kind": "floating plates"})
    added = FLOATING.model_copy(update={"bridge": renamed})
    assert "posts of the bridge 1.0 mm toward the nut" in ways(added, 6, -1.0)[MOVE_BRIDGE].text, "by what it does"
    assert "move the bridge 1.0 mm" in ways(PAIRED, 6, -1.0)[MOVE_BRIDGE].text
    assert "the other saddles then go back" in ways(PAIRED, 6, 1.0)[MOVE_BRIDGE].text


def test_nothing_missing_asks_for_nothing() -> None:
    assert ways(FLOATING, 6, 0.04) == {}
    assert ways(FLOATING, 6, -0.04) == {}


def test_an_impossible_distance_or_string_is_refused() -> None:
    now = fretted_string(FLOATING.string(6), FLOATING.open_hz(6))
    with pytest.raises(ValueError, match="no distance"):
        travel_remedies(FLOATING, 6, math.nan, now)
    with pytest.raises(ValueError, match="expected 1 to 6"):
        travel_remedies(FLOATING, 7, 1.0, now)
