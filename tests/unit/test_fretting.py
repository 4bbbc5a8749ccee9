"""Stopped strings: against an exact stiff string, the simulator's bent wire, and brute force."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from fretting_terms import best_setback_and_nut_mm, terms_error_cents, three_terms
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from oscservice.instrument import string_physics as strings
from oscservice.instrument.fretting import (
    FrettedString,
    fret_12_setback_mm,
    fretted_error_cents,
    fretted_string,
    true_setback_mm,
)
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import Place
from oscservice.simulate.string_path import (
    Finger,
    StringBuild,
    StringPath,
    natural_mm,
    partials_hz,
    string_path,
    tension_for_hz,
    tension_n,
)

GUITAR = load_instrument("six-string-648")
NUMBERS = range(1, 7)


def of(number: int) -> FrettedString:
    return fretted_string(GUITAR.string(number), GUITAR.open_hz(number))


@st.composite
def near_true(draw: st.DrawFn) -> FrettedString:
    """A string of a common set, its build, heights, clamping, misplaced nut and saddle, the latter by 1 mm at most."""
    string = of(draw(st.integers(1, 6)))
    core = draw(st.floats(0.9, 1.1)) ** 2
    nut_height, action = draw(st.floats(0.1, 0.8)), draw(st.floats(1.2, 2.4))
    string = replace(
        string,
        kappa=string.kappa * core,
        stiffness_mm=string.stiffness_mm * core,
        nut_height_mm=nut_height,
        saddle_over_nut_mm=2.0 * (action - nut_height),
        clamped_ends=draw(st.floats(0.5, 1.5)),
        share=draw(st.floats(0.75, 1.0)),
        nut_shift_mm=draw(st.floats(-0.5, 0.5)),
    )
    return replace(string, setback_mm=true_setback_mm(string) + draw(st.floats(-1.0, 1.0)))


@given(near_true())
def test_three_terms_follow_the_full_model(string: FrettedString) -> None:
    terms = three_terms(string)
    for fret in range(1, 20):
        assert terms_error_cents(terms, fret) == pytest.approx(fretted_error_cents(string, fret), abs=0.3)


@pytest.mark.parametrize("number", NUMBERS)
def test_three_terms_of_a_set_in_order(number: int) -> None:
    string = of(number)
    string = replace(string, setback_mm=true_setback_mm(string))
    terms = three_terms(string)
    for fret in range(1, 20):
        assert terms_error_cents(terms, fret) == pytest.approx(fretted_error_cents(string, fret), abs=0.25)


def wavenumber(length: float, stiffness: float, ends: int) -> float:
    """First p of EI y'''' - T y'' = mu w^2 y between ends that are pinned or clamped: sines of p, edges of q with
    q^2 = p^2 + 1/stiffness^2, by a root search in each characteristic equation."""

    def edge(p: float) -> float:
        return math.sqrt(p**2 + stiffness**-2)

    def pinned(p: float) -> float:
        return math.sin(p * length)

    def one_clamped(p: float) -> float:
        q = edge(p)
        return q * math.sin(p * length) * math.cosh(q * length) - p * math.cos(p * length) * math.sinh(q * length)

    def both_clamped(p: float) -> float:  # the even first shape about the middle: p tan(p L/2) + q tanh(q L/2) = 0
        q, half = edge(p), length / 2.0
        return p * math.sin(p * half) + q * math.tanh(q * half) * math.cos(p * half)

    equation = (pinned, one_clamped, both_clamped)[ends]
    scaled = 50.0 * stiffness if ends == 1 else math.inf
    if length > scaled:  # cosh would overflow: tanh is 1 to the last bit

        def equation(p: float) -> float:
            return edge(p) * math.sin(p * length) - p * math.cos(p * length)

    return float(brentq(equation, 0.9 * math.pi / length, 1.3 * math.pi / length, xtol=1e-15, rtol=1e-14))


@pytest.mark.parametrize("ends", [0, 1, 2])
@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("fret", [5, 12])
def test_stiffness_follows_the_exact_stiff_string(ends: int, number: int, fret: int) -> None:
    """A limp geometry: string flat on the frets, no stretch. Frequency goes with p q at one tension and mass."""
    string = replace(of(number), nut_height_mm=0.0, saddle_over_nut_mm=0.0, kappa=0.0, clamped_ends=float(ends))
    gamma = 2.0 ** (fret / 12.0)
    frequencies = []
    for length in (string.scale_mm + string.setback_mm, string.scale_mm / gamma + string.setback_mm):
        p = wavenumber(length, string.stiffness_mm, ends)
        frequencies.append(p * math.sqrt(p**2 + string.stiffness_mm**-2))
    exact = 1200.0 * math.log2(frequencies[1] / frequencies[0]) - 100.0 * fret
    assert fretted_error_cents(string, fret) == pytest.approx(exact, abs=0.01)


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("fret", [1, 5, 12, 19])
def test_the_model_agrees_with_the_simulators_bent_wire(number: int, fret: int) -> None:
    """The simulator takes path, tension and characteristic equation one by one and shares no formula with the model.
    Its finger is put right at the fret here, which is what the model says of a stopped string."""
    spec, open_hz = GUITAR.string(number), GUITAR.open_hz(number)
    build = StringBuild(
        open_hz=open_hz,
        scale_mm=spec.scale_mm,
        core_mm=spec.core_mm,
        unit_weight_kg_m=spec.unit_weight_kg_m,
        nut_height_mm=spec.nut_height_mm,
        saddle_height_mm=spec.nut_height_mm + 2.0 * (spec.action_12_mm - spec.nut_height_mm),
        ends_mm=0.0,
    )
    finger = Finger(behind_mm=0.0, press_mm=0.0)
    opened = string_path(build, spec.setback_mm)
    stopped = string_path(build, spec.setback_mm, Place("fret", fret), finger)
    pull = tension_for_hz(build, open_hz, opened.sounding_mm(0.0), opened.clamped_ends)
    unstretched = natural_mm(build, opened.total_mm(0.0), pull)
    pulled = tension_n(build, stopped.total_mm(0.0), unstretched)

    def hz(path: StringPath, newtons: float) -> float:
        return float(partials_hz(build, newtons, path.sounding_mm(0.0), path.clamped_ends)[0])

    exact = 1200.0 * math.log2(hz(stopped, pulled) / hz(opened, pull)) - 100.0 * fret
    model = replace(of(number), share=1.0, clamped_ends=1.0)
    assert fretted_error_cents(model, fret) == pytest.approx(exact, abs=0.1)


@given(near_true(), st.sampled_from([5, 7, 12, 19]))
def test_the_right_setback_is_in_tune_and_saddles_further_away_are_flat(string: FrettedString, fret: int) -> None:
    place = true_setback_mm(string, fret)
    assert fretted_error_cents(replace(string, setback_mm=place), fret) == pytest.approx(0.0, abs=1e-6)
    assert fretted_error_cents(replace(string, setback_mm=place + 0.1), fret) < 0.0
    assert fretted_error_cents(replace(string, setback_mm=place - 0.1), fret) > 0.0


@pytest.mark.parametrize("number", NUMBERS)
def test_the_closed_form_is_the_root_of_the_full_model(number: int) -> None:
    assert fret_12_setback_mm(of(number)) == pytest.approx(true_setback_mm(of(number)), abs=0.06)


@given(near_true())
def test_the_closed_form_is_near_the_root_for_any_string(string: FrettedString) -> None:
    string = replace(string, nut_shift_mm=0.0)
    assert fret_12_setback_mm(string) == pytest.approx(true_setback_mm(string), abs=0.2)


@settings(max_examples=20)
@given(near_true())
def test_no_setback_and_nut_nearby_leave_less(string: FrettedString) -> None:
    frets = (1, 3, 5, 7, 12, 17)

    def rms(setback_mm: float, nut_mm: float) -> float:
        moved = replace(string, setback_mm=setback_mm, nut_shift_mm=nut_mm)
        return math.sqrt(sum(fretted_error_cents(moved, fret) ** 2 for fret in frets) / len(frets))

    setback_mm, nut_mm, least = best_setback_and_nut_mm(string, frets)
    assert least == pytest.approx(rms(setback_mm, nut_mm), rel=1e-9)
    for further, wider in ((0.02, 0.0), (-0.02, 0.0), (0.0, 0.02), (0.0, -0.02), (0.02, 0.02), (-0.02, -0.02)):
        assert rms(setback_mm + further, nut_mm + wider) > least


def test_two_frets_are_both_in_tune_with_setback_and_nut() -> None:
    setback_mm, nut_mm, rms_cents = best_setback_and_nut_mm(of(3), (3, 12))
    assert rms_cents < 1e-6
    both = replace(of(3), setback_mm=setback_mm, nut_shift_mm=nut_mm)
    assert [fretted_error_cents(both, fret) for fret in (3, 12)] == pytest.approx([0.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_measured_stiffness_finds_the_string_that_has_it(number: int) -> None:
    """A string whose core the file has 8 % too thin; the plain one is thicker and heavier altogether."""
    spec, open_hz = GUITAR.string(number), GUITAR.open_hz(number)
    heavier = 1.0 if spec.wound else 1.08**2
    update = {"core_mm": spec.core_mm * 1.08, "unit_weight_kg_m": spec.unit_weight_kg_m * heavier}
    if not spec.wound:
        update["gauge_mm"] = spec.gauge_mm * 1.08
    real = spec.model_copy(update=update)
    length_mm = real.scale_mm + real.setback_mm
    pull = strings.tension_n(real.unit_weight_kg_m, open_hz, length_mm)
    log_b = math.log(strings.inharmonicity(real.core_mm, pull, length_mm))
    found, wanted = fretted_string(spec, open_hz, log_stiffness=log_b), fretted_string(real, open_hz)
    assert found.kappa == pytest.approx(wanted.kappa, rel=1e-9)
    assert found.stiffness_mm == pytest.approx(wanted.stiffness_mm, rel=1e-9)
    assert found.stiffness_mm == pytest.approx(length_mm * math.exp(log_b / 2.0) / math.pi, rel=1e-9)


def test_the_model_has_its_heights_and_place_from_the_file() -> None:
    spec = GUITAR.string(6)
    string = fretted_string(spec, GUITAR.open_hz(6), setback_mm=3.25)
    assert (string.scale_mm, string.setback_mm, string.nut_height_mm) == (648.0, 3.25, 0.35)
    assert string.action_12_mm == pytest.approx(spec.action_12_mm)
    assert of(6).setback_mm == spec.setback_mm


def test_impossible_frets_and_setbacks_are_refused() -> None:
    with pytest.raises(ValueError, match="fret 0 isn't there"):
        fretted_error_cents(of(1), 0)
    with pytest.raises(ValueError, match="fret -1 isn't there"):
        terms_error_cents(three_terms(of(1)), -1)
    with pytest.raises(ValueError, match="leaves no string beyond fret 12"):
        fretted_error_cents(replace(of(1), setback_mm=-324.0), 12)
    with pytest.raises(ValueError, match="at least two frets, got 1"):
        best_setback_and_nut_mm(of(1), (12, 12))
    with pytest.raises(ValueError, match="no saddle makes fret 12 true"):
        true_setback_mm(replace(of(1), kappa=1e6))
