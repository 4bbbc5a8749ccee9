"""The simulated guitar's mechanics against facts from outside: geometry, charts, measured stiffness, practice."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_hz, note_number
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import AdjusterBuild, Rig
from oscservice.simulate.spring_bridge import BridgeBuild
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

STEEL_KG_M3 = 7806.0
"""Density of plain strings: the published tension charts' 0.282 lb/in^3."""

POUND_FORCE_N = 4.4482216
KG_M_PER_LB_IN = 17.858

# A .010-.046 set. Unit weights, lb/in: a string maker's published tension chart, second-hand through public data files.
# Core diameters of the wound strings are assumed (no source), heights over the frets are ordinary ones.
SET = [
    # note, core mm, lb/in, action at fret 12 mm
    ("E4", 0.254, 2.215e-5, 1.60),
    ("B3", 0.330, 3.744e-5, 1.65),
    ("G3", 0.432, 6.402e-5, 1.70),
    ("D3", 0.356, 1.2671e-4, 1.80),
    ("A2", 0.432, 2.3964e-4, 1.90),
    ("E2", 0.457, 3.8216e-4, 2.00),
]


def build(number, *, nut_mm=0.35, action_mm=None, **kwargs):
    note, core_mm, weight, action = SET[number - 1]
    action = action if action_mm is None else action_mm
    return StringBuild(
        open_hz=note_hz(note_number(note)),
        scale_mm=648.0,
        core_mm=core_mm,
        unit_weight_kg_m=weight * KG_M_PER_LB_IN,
        nut_height_mm=nut_mm,
        saddle_height_mm=nut_mm + 2.0 * (action - nut_mm),
        **kwargs,
    )


def rig(*, floating=False, saddle_mm=(0.0,) * 6, **kwargs):
    return Rig([build(n, **kwargs) for n in range(1, 7)], BridgeBuild(floating=floating), saddle_mm=saddle_mm)


def cents(a, b):
    return 1200.0 * math.log2(a / b)


def inharmonicity(partials, j=1, k=8):
    """B from two partials by f_k = k f0 sqrt(1 + B k^2)."""
    ratio = (j * partials[k - 1] / (k * partials[j - 1])) ** 2
    return (ratio - 1.0) / (k * k - ratio * j * j)


def test_twelfth_fret_halves_an_ideal_string():
    # common practice, no source: fret 12 halves the string. No stiffness (a made-up wire, thin beyond any real one, of
    # ordinary EA), no action, a finger that takes up nothing: the octave is exact.
    ideal = build(3, nut_mm=0.0, action_mm=0.0)
    thin = StringBuild(
        open_hz=ideal.open_hz,
        scale_mm=648.0,
        core_mm=1e-8,
        unit_weight_kg_m=ideal.unit_weight_kg_m,
        nut_height_mm=0.0,
        saddle_height_mm=0.0,
        youngs_modulus_n_mm2=ideal.ea_n / (math.pi * 1e-16 / 4.0),
        strength_n_mm2=1e20,
    )
    opened = string_path(thin, 0.0)
    tension = tension_for_hz(thin, thin.open_hz, opened.sounding_mm(0.0), opened.clamped_ends)
    natural = natural_mm(thin, opened.total_mm(0.0), tension)
    pressed = string_path(thin, 0.0, Place("fret", 12), Finger(behind_mm=8.0, press_mm=0.0))
    raised = tension_n(thin, pressed.total_mm(0.0), natural)
    fretted = partials_hz(thin, raised, pressed.sounding_mm(0.0), pressed.clamped_ends)[0]
    assert pressed.sounding_mm(0.0) == pytest.approx(324.0, abs=1e-9)
    assert cents(fretted, thin.open_hz) == pytest.approx(1200.0, abs=1e-6)


@pytest.mark.parametrize(("string", "pounds"), [(1, 16.2), (6, 17.5)])
def test_tension_agrees_with_the_published_chart(string, pounds):
    # Published string tension chart, T[lbf] = w (2 L f)^2 / 386.4, at 25.5 in (648 mm): .010 at E4, .046 at E2. The
    # chart leaves stiffness and the thinning of the stretched string aside, hence 1.5 %.
    assert rig().tension_n(string) / POUND_FORCE_N == pytest.approx(pounds, rel=0.015)


def test_plain_unit_weights_are_steel_of_the_stated_density():
    # The same chart's plain rows: 0.282 lb/in^3.
    for _, core_mm, weight, _ in SET[:3]:
        assert weight * KG_M_PER_LB_IN == pytest.approx(STEEL_KG_M3 * math.pi * (core_mm * 1e-3) ** 2 / 4, rel=0.003)


@pytest.mark.parametrize("string", [1, 3, 6])
def test_pinned_string_follows_fletchers_formula(string):
    # H. Fletcher, JASA 36 (1964) 203: f_k = k f0 sqrt(1 + B k^2), B = pi^3 E d^4 / (64 T L^2) for pinned ends.
    wire, tension, length = build(string), 75.0, 640.0
    b = math.pi**3 * 200e3 * wire.core_mm**4 / (64.0 * tension * length**2)
    mu = wire.unit_weight_kg_m / (1.0 + tension / wire.ea_n)
    k = np.arange(1, 21)
    expected = k / (2.0 * length * 1e-3) * math.sqrt(tension / mu) * np.sqrt(1.0 + b * k**2)
    assert partials_hz(wire, tension, length, 0, 20) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("clamped_ends", [1, 2])
def test_clamped_partials_satisfy_the_bars_end_conditions(clamped_ends):
    # Independent of the solver: the 4 x 4 determinant of the end conditions on a short, thick, slack wire vanishes.
    wire, tension, length_mm = build(6), 5.0, 100.0
    ei, mu = wire.ei_n_mm2 * 1e-6, wire.unit_weight_kg_m / (1.0 + tension / wire.ea_n)
    length = length_mm * 1e-3

    def determinant(frequency):
        w = 2.0 * math.pi * frequency
        root = math.sqrt(tension**2 + 4.0 * ei * mu * w**2)
        p, q = math.sqrt((root - tension) / (2.0 * ei)), math.sqrt((root + tension) / (2.0 * ei))
        c, s, ch, sh = math.cos(p * length), math.sin(p * length), math.cosh(q * length), math.sinh(q * length)
        start = [[1, 0, 1, 0], [0, p, 0, q]] if clamped_ends == 2 else [[1, 0, 1, 0], [-p * p, 0, q * q, 0]]
        end = [[c, s, ch, sh], [-p * s, p * c, q * sh, q * ch]]
        return float(np.linalg.det(np.array(start + end)))

    for frequency in partials_hz(wire, tension, length_mm, clamped_ends, 4):
        below, at, above = (determinant(frequency * f) for f in (1 - 1e-6, 1.0, 1 + 1e-6))
        assert below * above < 0.0
        assert abs(at) < 1e-3 * min(abs(below), abs(above))


@pytest.mark.parametrize("string", [1, 3, 6])
def test_stiffness_grows_toward_the_high_frets(string):
    # A stopped string has B(n) = B(0) 2^(n/6). Kemp, SN Appl. Sci. 2 (2020) 636, measured on a bass: B(21)/B(12) =
    # 2.83; Bastas et al., ICASSP 2022, 771, trained on guitar recordings: B(12)/B(open) 3.4 to 4.1.
    r = rig()
    opened, twelfth, high = (
        inharmonicity(r.stopped(string, place).partials_hz(8)) for place in (OPEN, Place("fret", 12), Place("fret", 21))
    )
    assert twelfth / opened == pytest.approx(4.0, rel=0.04)
    assert high / twelfth == pytest.approx(2.83, rel=0.06)


@pytest.mark.parametrize(("note", "gauge_in", "published"), [("E4", 0.012, 2.230e-5), ("B3", 0.016, 6.112e-5)])
def test_stiffness_agrees_with_plain_strings_measured_on_an_acoustic(note, gauge_in, published):
    # Bastas et al., ICASSP 2022, 771: trained B of the open plain strings. The gauges on that guitar are an assumption.
    core_mm = gauge_in * 25.4
    wire = StringBuild(
        open_hz=note_hz(note_number(note)),
        scale_mm=645.0,
        core_mm=core_mm,
        unit_weight_kg_m=STEEL_KG_M3 * math.pi * (core_mm * 1e-3) ** 2 / 4.0,
        nut_height_mm=0.4,
        saddle_height_mm=3.5,
    )
    r = Rig([wire], BridgeBuild(), saddle_mm=[1.5])
    assert inharmonicity(r.stopped(1, OPEN).partials_hz(8)) == pytest.approx(published, rel=0.2)


@pytest.mark.parametrize(
    ("note", "radius_mm", "tension", "modulus_gpa", "saddle_mm", "nut_mm", "rms_cents"),
    [
        ("E4", 0.356, 68.6, 8.33, 1.48, -0.36, 0.143),
        ("B3", 0.409, 52.0, 4.82, 1.69, -0.36, 0.145),
        ("G3", 0.512, 54.2, 3.87, 2.33, -0.43, 0.177),
        ("D3", 0.368, 70.0, 7.56, 1.49, -0.34, 0.137),
        ("A2", 0.445, 67.3, 5.28, 1.83, -0.36, 0.146),
        ("E2", 0.546, 62.8, 3.90, 2.46, -0.43, 0.177),
    ],
)
def test_published_compensation_of_nylon_strings_leaves_the_published_error(
    note, radius_mm, tension, modulus_gpa, saddle_mm, nut_mm, rms_cents
):
    # Anderson & Beausoleil, JASA 156 (2024) 683, normal-tension set: scale 650 mm, string 1 mm over the frets at the
    # nut, saddle 4 mm above that, no finger depth. With their saddle and nut setback the rms error over frets 1 to 12
    # is as tabulated (their own prediction from measured strings).
    scale, nut_height, rise = 650.0, 1.0, 4.0
    hz = note_hz(note_number(note))
    area_m2 = math.pi * (radius_mm * 1e-3) ** 2
    wire = StringBuild(
        open_hz=hz,
        scale_mm=scale,
        core_mm=2.0 * radius_mm,
        unit_weight_kg_m=tension / (2.0 * scale * 1e-3 * hz) ** 2 * (1.0 + tension / (modulus_gpa * 1e9 * area_m2)),
        nut_height_mm=nut_height,
        saddle_height_mm=nut_height + rise,
        slide=0.0,
        youngs_modulus_n_mm2=modulus_gpa * 1e3,
    )
    opened = StringPath(0.0, scale + saddle_mm + nut_mm, rise, 1)
    natural = natural_mm(wire, opened.total_mm(0.0), tension)
    open_hz = partials_hz(wire, tension, opened.sounding_mm(0.0), 1)[0]
    errors = []
    for fret in range(1, 13):
        sounding = scale * 2.0 ** (-fret / 12.0)
        dead = math.hypot(scale - sounding + nut_mm, nut_height)
        pressed = StringPath(dead, sounding + saddle_mm, nut_height + rise, 1)
        raised = tension_n(wire, pressed.total_mm(0.0), natural)
        errors.append(cents(partials_hz(wire, raised, pressed.sounding_mm(0.0), 1)[0], open_hz) - 100.0 * fret)
    assert math.sqrt(np.mean(np.square(errors))) == pytest.approx(rms_cents, abs=0.03)


def test_one_millimetre_is_about_two_point_seven_cents():
    # common practice, no source: on a 648 mm scale 1 mm of saddle is about 2.7 cents at fret 12 (geometry: 2.67), away
    # from the nut flattens; half a millimetre is about 1.3.
    r = rig()
    true = [r.find_saddle_in_tune_mm(n) for n in range(1, 7)]
    for shift, expected in ((1.0, -2.67), (-1.0, 2.67), (0.5, -1.33)):
        moved = rig(saddle_mm=[place + shift for place in true])
        for n in range(1, 7):
            assert moved.error_cents(n) == pytest.approx(expected, rel=0.04)


def test_setbacks_are_those_of_the_workshop():
    # Expected setbacks of a .010-.046 set on 648 mm: computed from stiffness and action, in the order and range that
    # common practice (no source) knows; +-30 %.
    expected = [1.3, 2.4, 4.0, 2.6, 3.9, 5.0]
    r = rig()
    assert [r.find_saddle_in_tune_mm(n) for n in range(1, 7)] == pytest.approx(expected, rel=0.3)


@pytest.mark.parametrize("floating", [False, True])
@pytest.mark.parametrize("fret", [7, 12])
def test_the_found_saddle_place_is_in_tune(floating, fret):
    placed = rig(floating=floating)
    # On a spring-balanced bridge the other saddles' places matter by a hair, so the second round starts from the first.
    for worst_cents in (5e-3, 1e-5):
        placed = rig(floating=floating, saddle_mm=[placed.find_saddle_in_tune_mm(n, fret) for n in range(1, 7)])
        for n in range(1, 7):
            assert placed.error_cents(n, fret) == pytest.approx(0.0, abs=worst_cents)
            assert cents(placed.open_hz(n), placed.builds[n - 1].open_hz) == pytest.approx(0.0, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 6), st.floats(-4.0, 4.0), st.floats(0.05, 2.0))
def test_a_saddle_further_from_the_nut_always_flattens(string, place, further):
    here = rig(saddle_mm=[place] * 6).error_cents(string)
    there = rig(saddle_mm=[place + further] * 6).error_cents(string)
    assert there < here


def test_high_action_and_high_nut_sharpen():
    # common practice, no source: high action plays sharp up the neck, a high nut slot plays sharp at the first fret.
    assert rig(action_mm=3.0).error_cents(3) > rig().error_cents(3) + 3.0
    first_frets = [rig(nut_mm=height).error_cents(3, 1) for height in (0.35, 1.0)]
    assert first_frets[1] > first_frets[0] + 2.0


def test_the_harmonic_is_above_twice_the_open_string_only_by_stiffness():
    r = rig()
    for n in range(1, 7):
        assert 0.0 < cents(r.place_hz(n, HARMONIC), 2.0 * r.open_hz(n)) < 0.5


# A bridge on a pivot (strings at 11 mm, three springs of 2.5 N/mm at 40 mm, 800 mm of string in all): raising one
# string (column) by 100 cents moves the others (row) by so many. Derived model values: linear balance of moments.
COUPLING_CENTS = [
    [100, -4.7, -5.4, -5.7, -6.4, -5.8],
    [-8.6, 100, -9.7, -10.2, -11.4, -10.4],
    [-13.7, -13.4, 100, -16.3, -18.2, -16.6],
    [-8.3, -8.2, -9.4, 100, -11.1, -10.1],
    [-11.6, -11.4, -13.1, -13.8, 100, -14.1],
    [-14.5, -14.3, -16.4, -17.3, -19.3, 100],
]


def test_on_a_floating_bridge_raising_one_string_flattens_the_others():
    for raised in range(1, 7):
        r = rig(floating=True, slide=1.0, ends_mm=152.0)
        before = [r.open_hz(n) for n in range(1, 7)]
        r.turn_peg(raised, 1.0)
        moved = [cents(r.open_hz(n), before[n - 1]) for n in range(1, 7)]
        scaled = [100.0 * m / moved[raised - 1] for m in moved]
        assert scaled == pytest.approx([row[raised - 1] for row in COUPLING_CENTS], rel=0.1)
        assert 0.5 < moved[raised - 1] < 1.0
        assert r.bridge_mm < 0.0


def test_on_a_fixed_bridge_the_others_stay():
    r = rig()
    before = [r.open_hz(n) for n in range(1, 7)]
    r.turn_peg(4, -150.0)
    after = [r.open_hz(n) for n in range(1, 7)]
    assert cents(after[3], before[3]) == pytest.approx(-150.0, abs=1e-6)
    assert after[:3] + after[4:] == before[:3] + before[4:]
    assert r.bridge_mm == 0.0


def test_repeated_passes_of_tuning_converge_on_a_floating_bridge():
    # common practice, no source: with a spring-balanced bridge one tunes round and round, a little closer each time.
    strings = [build(n) for n in range(1, 7)]
    r = Rig(strings, BridgeBuild(floating=True), saddle_mm=[2.0] * 6, detune_cents=[-60.0] * 6)
    assert r.bridge_mm > 0.0
    for n in range(1, 7):
        assert cents(r.open_hz(n), strings[n - 1].open_hz) == pytest.approx(-60.0, abs=1e-6)
    worst = []
    for _ in range(8):
        for n in range(6, 0, -1):
            r.turn_peg(n, cents(strings[n - 1].open_hz, r.open_hz(n)))
        worst.append(max(abs(cents(r.open_hz(n), strings[n - 1].open_hz)) for n in range(1, 7)))
    assert all(after < before for before, after in pairwise(worst))
    assert worst[-1] < 1.0
    assert abs(r.bridge_mm) < 0.01


def test_saddle_moves_only_when_slack_and_within_its_travel():
    r = rig_of(load_instrument("six-string-648"))
    start = r.saddle_mm(2)
    with pytest.raises(ValueError, match="slacken it first"):
        r.move_saddle(2, 1.0)
    r.turn_peg(2, -700.0)
    assert r.is_slack(2)
    assert not r.is_slack(1)
    r.move_saddle(2, 1.25)
    assert r.saddle_mm(2) == pytest.approx(start + 1.25)
    with pytest.raises(ValueError, match="travel"):
        r.move_saddle(2, 50.0)
    with pytest.raises(ValueError, match="no adjuster"):
        r.move_adjuster("tremble", 1.0)
    with pytest.raises(ValueError, match="isn't there"):
        r.move_saddle(7, 1.0)
    assert r.saddle_mm(2) == pytest.approx(start + 1.25)
    r.turn_peg(2, cents(r.builds[1].open_hz, r.open_hz(2)))
    assert not r.is_slack(2)


def test_a_slackened_string_can_be_brought_back_however_far_its_saddle_went():
    r = rig_of(load_instrument("six-string-648"))
    r.turn_peg(6, -700.0)
    r.move_saddle(6, -4.0)
    assert r.open_hz(6) > 0.0
    for _ in range(12):
        r.turn_peg(6, cents(r.builds[5].open_hz, r.open_hz(6)))
    assert cents(r.open_hz(6), r.builds[5].open_hz) == pytest.approx(0.0, abs=0.1)


def test_an_adjuster_may_move_several_saddles():
    pair = AdjusterBuild("pair", {1: 1.0, 2: 0.5}, 3.0, 3.0)
    r = Rig([build(1), build(2)], BridgeBuild(), [pair], saddle_mm=[1.0, 2.0])
    r.move_adjuster(0, 2.0)
    assert (r.saddle_mm(1), r.saddle_mm(2)) == (3.0, 3.0)
    r.move_saddle(2, -1.0)
    assert (r.saddle_mm(1), r.saddle_mm(2)) == (1.0, 2.0)
    lonely = Rig([build(1), build(2)], BridgeBuild(), [AdjusterBuild("one", {1: 1.0}, 3.0, 3.0)], saddle_mm=[1.0, 2.0])
    with pytest.raises(ValueError, match="nothing moves"):
        lonely.move_saddle(2, 1.0)


def test_a_string_wound_too_far_breaks():
    r = rig()
    with pytest.raises(ValueError, match="breaks"):
        r.turn_peg(1, 800.0)
    with pytest.raises(ValueError, match="can't be turned"):
        r.turn_peg(1, math.nan)
    assert cents(r.open_hz(1), r.builds[0].open_hz) == pytest.approx(0.0, abs=1e-6)
