"""The plan of a neck: frets at their real distances, parallel on one scale, a fan on several."""

from __future__ import annotations

from dataclasses import replace

import pytest

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import PERPENDICULAR_FRET, Instrument
from oscservice.report.facts import Built
from oscservice.report.gather_facts import built_of
from oscservice.report.neck_plan import BEHIND_LAST_FRET, neck_plan

MULTI_SCALE = load_instrument("eight-string-multi-scale")


def built(instrument: Instrument = MULTI_SCALE) -> Built:
    return built_of(instrument)


def fret_mm(scale_mm: float, fret: int) -> float:
    return scale_mm - scale_mm / 2.0 ** (fret / 12.0)


def test_frets_of_one_scale_are_parallel_and_end_the_drawing() -> None:
    guitar = load_instrument("six-string-648")
    plan = neck_plan(built(guitar), {})
    assert not plan.fanned
    assert plan.ends == (1.0,) * 6
    for fret in range(guitar.frets + 1):
        share = fret_mm(648.0, fret) / fret_mm(648.0, guitar.frets) / BEHIND_LAST_FRET
        assert plan.frets[fret] == pytest.approx((share,) * 6)
        assert plan.edges(fret) == pytest.approx((share, share))


def test_frets_of_several_scales_fan_out_from_the_one_at_right_angles() -> None:
    plan = neck_plan(built(), {})
    assert plan.fanned
    square = plan.frets[PERPENDICULAR_FRET]
    assert square == pytest.approx((square[0],) * 8)
    # String 8, the longest, has its nut farthest out and its saddle farthest back.
    assert plan.frets[0][7] == 0.0
    assert list(plan.frets[0]) == sorted(plan.frets[0], reverse=True)
    assert list(plan.frets[24]) == sorted(plan.frets[24])
    assert plan.saddles[7] == 1.0
    assert list(plan.saddles) == sorted(plan.saddles)


def test_every_place_is_to_scale() -> None:
    plan, strings = neck_plan(built(), {3: 1.5}), MULTI_SCALE.strings
    whole_mm = strings[7].scale_mm + strings[7].setback_mm  # from the first to the last thing drawn
    for index, string in enumerate(strings):
        nut = plan.frets[0][index]
        for fret in (1, 7, 12, 24):
            assert (plan.frets[fret][index] - nut) * whole_mm == pytest.approx(fret_mm(string.scale_mm, fret))
        moved_mm = 1.5 if index == 2 else 0.0
        saddle_mm = (plan.saddles[index] - nut) * whole_mm
        assert saddle_mm == pytest.approx(string.scale_mm + string.setback_mm + moved_mm)
        assert plan.frets[24][index] < plan.ends[index] < plan.saddles[index]


@pytest.mark.parametrize("fret", [0, 12])
def test_the_file_says_which_fret_is_at_right_angles(fret: int) -> None:
    plan = neck_plan(replace(built(), perpendicular_fret=fret), {})
    assert plan.frets[fret] == pytest.approx((plan.frets[fret][0],) * 8)
    assert plan.frets[5] != pytest.approx((plan.frets[5][0],) * 8)


def test_a_fret_goes_on_to_the_edges_of_the_board() -> None:
    plan = neck_plan(built(), {})
    first, last = plan.edges(0)
    places = plan.frets[0]
    assert places[0] - first == pytest.approx((places[1] - places[0]) / 2.0)
    assert last - places[7] == pytest.approx((places[7] - places[6]) / 2.0)


def test_a_board_that_ends_before_that_fret_and_a_single_string_have_a_plan() -> None:
    short = replace(built(), frets=5)
    assert neck_plan(short, {}).frets[5] == pytest.approx((neck_plan(short, {}).frets[5][0],) * 8)
    alone = replace(built(), strings=built().strings[:1])
    assert neck_plan(alone, {}).edges(3) == (neck_plan(alone, {}).frets[3][0],) * 2
