"""A simulated guitar with faults: each does to the pitch what geometry and published theory say it does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from phase_slope import phase_slope_hz

from oscservice.instrument.hardware import COMPENSATED, ZERO_FRET, Nut
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.simulate.guitar import Guitar
from oscservice.simulate.guitar_builder import Faults, rig_of

RATE = 48000.0
CENTS_PER_E = 1200.0 / math.log(2.0)
SCALE_MM = 648.0
STRINGS = range(1, 7)
FRETS = (1, 3, 5, 7, 12, 17, 19, 24)
SLIDING_MM = 75.0  # of string beyond nut and saddle shares the stretch
TRUE = [0.0] * 6


@pytest.fixture(scope="module")
def fixed_bridge():
    """A six-string with a fixed bridge, as in theory."""
    instrument = load_instrument("six-string-648")
    return instrument.model_copy(update={"bridge": instrument.bridge.model_copy(update={"floating": False})})


@pytest.fixture(scope="module")
def in_order(fixed_bridge):
    return rig_of(fixed_bridge, saddle_error_mm=TRUE)


def shifts(rig, in_order, string, frets=FRETS):
    """Cents by which a fault has moved the fretted notes of a string against its open note."""
    return np.array([rig.error_cents(string, fret) - in_order.error_cents(string, fret) for fret in frets])


def kappa(rig, string):
    """EA / T."""
    return rig.builds[string - 1].ea_n / rig.tension_n(string)


def share(string_mm=SCALE_MM):
    """The share of a stretch that stays between nut and saddle."""
    return string_mm / (string_mm + SLIDING_MM)


def test_every_faulty_guitar_is_tuned(fixed_bridge):
    faults = Faults(
        nut_raised_mm={2: 0.4}, nut_shift_mm=0.5, take_up_mm=0.02, action_raised_mm=0.5, core_factor={6: 1.1}
    )
    rig = rig_of(fixed_bridge, faults=faults)
    for n in STRINGS:
        assert rig.open_hz(n) == pytest.approx(fixed_bridge.open_hz(n), rel=1e-10)


@pytest.mark.parametrize("nut_mm", [0.5, -0.4])
def test_a_nut_too_far_back_makes_all_frets_equally_sharp(fixed_bridge, in_order, nut_mm):
    # Anderson & Beausoleil, JASA 156 (2024) 683, eq. (31): e = 1200/ln 2 N/X0, whatever string and fret.
    rig = rig_of(fixed_bridge, saddle_error_mm=TRUE, faults=Faults(nut_shift_mm=nut_mm))
    for n in STRINGS:
        assert shifts(rig, in_order, n) == pytest.approx(CENTS_PER_E * nut_mm / SCALE_MM, abs=0.06)


@pytest.mark.parametrize("offsets_mm", [[0.5] * 6, [0.0, 0.3, 0.8, 0.0, -0.2, 0.0]])
def test_a_compensated_nut_makes_each_string_as_flat_as_its_edge_is_forward(fixed_bridge, in_order, offsets_mm):
    # The same equation, with the nut toward the saddle: e = -1200/ln 2 N/X0 on all frets of that string.
    rig = rig_of(with_nut(fixed_bridge, COMPENSATED, offsets_mm))
    plain = rig_of(fixed_bridge)
    for n, offset_mm in zip(STRINGS, offsets_mm, strict=True):
        assert rig.open_hz(n) == pytest.approx(in_order.open_hz(n), rel=1e-10)
        found = shifts(rig, plain, n)
        # The string rises a little more steeply to the same action: up to 7 % less at the highest frets.
        assert found == pytest.approx(-CENTS_PER_E * offset_mm / SCALE_MM, rel=0.07)
    # Its saddles are placed for this nut: fret 12 is in tune again.
    placed = rig_of(with_nut(fixed_bridge, COMPENSATED, offsets_mm), saddle_error_mm=TRUE)
    for n, offset_mm in zip(STRINGS, offsets_mm, strict=True):
        assert placed.error_cents(n) == pytest.approx(0.0, abs=1e-6)
        # A flat string wants its saddle nearer, by as much as the nut is: geometry.
        assert placed.saddle_mm(n) - in_order.saddle_mm(n) == pytest.approx(-offset_mm, abs=0.05)


def test_a_nut_shift_and_a_compensated_nut_add_up(fixed_bridge):
    both = rig_of(with_nut(fixed_bridge, COMPENSATED, [0.5] * 6), faults=Faults(nut_shift_mm=0.5))
    plain = rig_of(fixed_bridge)
    assert both.builds[0].nut_shift_mm == 0.0
    assert both.error_cents(3) == pytest.approx(plain.error_cents(3), abs=0.01)


def test_a_zero_fret_lies_as_high_as_the_other_frets(fixed_bridge, in_order):
    # The same paper, eq. (19) with b = 0: the stretch goes as gamma - 1, and so does the error of a saddle. So a saddle
    # that is right at fret 12 is right at all others, but for the finger; over a nut the low frets are sharp.
    instrument = with_nut(fixed_bridge, ZERO_FRET, [0.0] * 6, nut_height_mm=0.0)
    rig = rig_of(instrument, saddle_error_mm=TRUE)
    for n in STRINGS:
        assert rig.open_hz(n) == pytest.approx(in_order.open_hz(n), rel=1e-10)
        assert rig.error_cents(n) == pytest.approx(0.0, abs=1e-6)
        assert max(abs(rig.error_cents(n, fret)) for fret in FRETS) < 0.4
        assert in_order.error_cents(n, 1) > 0.9


def with_nut(instrument, kind, offsets_mm, **string):
    strings = [
        spec.model_copy(update={"nut_offset_mm": mm, **string})
        for spec, mm in zip(instrument.strings, offsets_mm, strict=True)
    ]
    return instrument.model_copy(update={"strings": tuple(strings), "nut": Nut(kind=kind)})


def test_string_taken_up_by_the_finger_sharpens_in_the_ratio_of_stiffness_to_tension(fixed_bridge, in_order):
    # The same paper, eq. (23): T grows by kappa times the relative stretch; a pitch by half of that.
    rig = rig_of(fixed_bridge, saddle_error_mm=TRUE, faults=Faults(take_up_mm=0.01))
    plateaus = []
    for n in STRINGS:
        expected = 0.5 * CENTS_PER_E * kappa(in_order, n) * share() * 0.01 / SCALE_MM
        assert shifts(rig, in_order, n) == pytest.approx(expected, rel=0.04)
        plateaus.append(shifts(rig, in_order, n)[4])
    assert np.array(plateaus) / plateaus[0] == pytest.approx([1.0, 1.8, 2.8, 1.7, 2.4, 3.0], rel=0.05)


def test_a_high_nut_slot_sharpens_the_low_frets_most_and_only_its_string(fixed_bridge, in_order):
    rig = rig_of(fixed_bridge, saddle_error_mm=TRUE, faults=Faults(nut_raised_mm={3: 0.4}))
    found = shifts(rig, in_order, 3)
    assert np.all(np.diff(found) < 0.0)
    assert found[0] > 2.0 * found[1] > 3.0
    assert found[-1] > 0.5
    for n in (1, 2, 4, 5, 6):
        assert shifts(rig, in_order, n) == pytest.approx(np.zeros(len(FRETS)), abs=1e-9)
    # The same paper, eq. (19): the stretch of a string that lies b over the frets at the nut and ends c above the nut.
    # It leaves the finger's place aside, which matters to the lowest frets.
    height = in_order.builds[2].saddle_height_mm

    def stretch(fret, b):
        gamma, c = 2.0 ** (fret / 12.0), height - b
        return (gamma * b + (gamma - 1.0) * c) ** 2 / (2.0 * (gamma - 1.0) * SCALE_MM**2)

    for fret, shift in zip(FRETS[2:], found[2:], strict=True):
        more = 0.5 * CENTS_PER_E * kappa(in_order, 3) * share() * (stretch(fret, 0.75) - stretch(fret, 0.35))
        assert shift == pytest.approx(more, rel=0.12)


@pytest.mark.parametrize("string", [1, 3, 6])
def test_high_action_looks_like_a_saddle_too_far_forward(fixed_bridge, in_order, string):
    rig = rig_of(fixed_bridge, saddle_error_mm=TRUE, faults=Faults(action_raised_mm=0.5))
    found = dict(zip(FRETS, shifts(rig, in_order, string), strict=True))
    # The same paper, eq. (19), at fret 12: the stretch is 2 (h/X0)^2 for a string h over fret 12.
    action = fixed_bridge.string(string).action_12_mm
    squares = (action + 0.5) ** 2 - action**2
    expected = CENTS_PER_E * kappa(in_order, string) * share() * squares / SCALE_MM**2
    assert found[12] == pytest.approx(expected, rel=0.07)
    # A saddle's error goes as 2^(n/12) - 1: three times as much at fret 24.
    assert found[24] / found[12] == pytest.approx(3.0, rel=0.15)
    assert found[19] / found[12] == pytest.approx(2.0, rel=0.1)


def test_only_a_misplaced_fret_is_off_on_all_strings(fixed_bridge, in_order):
    rig = rig_of(fixed_bridge, saddle_error_mm=TRUE, faults=Faults(fret_shift_mm={7: 0.3}))
    for n in STRINGS:
        found = dict(zip(FRETS, shifts(rig, in_order, n), strict=True))
        # Geometry: what sounds is shorter by 0.3 of L 2^(-7/12).
        assert found.pop(7) == pytest.approx(CENTS_PER_E * 2.0 ** (7 / 12) * 0.3 / SCALE_MM, rel=0.02)
        assert max(abs(cents) for cents in found.values()) < 1e-9


def test_a_groove_adds_to_a_misplaced_fret_on_one_string(fixed_bridge):
    both = Faults(fret_shift_mm={5: 0.1}, groove_mm={(2, 5): 0.2, (2, 9): -0.1})
    rig = rig_of(fixed_bridge, faults=both)
    on_all = rig_of(fixed_bridge, faults=Faults(fret_shift_mm={5: 0.3}))
    less = rig_of(fixed_bridge, faults=Faults(fret_shift_mm={5: 0.1}))
    assert rig.error_cents(2, 5) == pytest.approx(on_all.error_cents(2, 5), abs=1e-9)
    assert rig.error_cents(1, 5) == less.error_cents(1, 5)
    assert rig.error_cents(2, 9) < less.error_cents(2, 9) - 0.3


def test_a_thicker_core_is_stiffer_at_the_same_weight(fixed_bridge, in_order):
    rig = rig_of(fixed_bridge, faults=Faults(core_factor={6: 1.1}))
    assert rig.tension_n(6) == pytest.approx(in_order.tension_n(6), rel=0.005)

    def inharmonicity(rig):
        first, eighth = rig.stopped(6, OPEN).partials_hz(8)[[0, 7]]
        ratio = (eighth / (8.0 * first)) ** 2
        return (ratio - 1.0) / (64.0 - ratio)

    # H. Fletcher, JASA 36 (1964) 203: B goes as the fourth power of the core's diameter.
    assert inharmonicity(rig) / inharmonicity(in_order) == pytest.approx(1.1**4, rel=0.03)


@pytest.mark.parametrize("floating", [False, True])
def test_saddles_start_where_the_guitar_without_faults_would_be_in_tune(floating):
    instrument = load_instrument("six-string-648")
    bridge = instrument.bridge.model_copy(update={"floating": floating})
    instrument = instrument.model_copy(update={"bridge": bridge})
    cores = {4: 0.9, 5: 1.1}
    only_cores = rig_of(instrument, saddle_error_mm=TRUE, faults=Faults(core_factor=cores))
    for n in STRINGS:
        assert only_cores.error_cents(n) == pytest.approx(0.0, abs=1e-3)
    offsets = [0.5, -0.5, 0.0, 1.0, -1.0, 0.2]
    faults = Faults(core_factor=cores, action_raised_mm=0.4, nut_shift_mm=0.3, nut_raised_mm={1: 0.2})
    rig = rig_of(instrument, saddle_error_mm=offsets, faults=faults)
    for n, off in zip(STRINGS, offsets, strict=True):
        assert rig.saddle_mm(n) == pytest.approx(only_cores.saddle_mm(n) + off, abs=1e-9)
        # And the place where it would be true now is another one, which does null fret 12.
        true_mm = rig.find_saddle_in_tune_mm(n)
        moved = rig_of(instrument, saddle_error_mm=[true_mm - only_cores.saddle_mm(n)] * 6, faults=faults)
        assert moved.error_cents(n) == pytest.approx(0.0, abs=0.01)


def test_only_mass_moves_the_harmonic(fixed_bridge, in_order):
    faults = Faults(nut_raised_mm={3: 0.4}, nut_shift_mm=0.5, take_up_mm=0.02, fret_shift_mm={12: 0.3})
    rig = rig_of(fixed_bridge, saddle_error_mm=TRUE, faults=faults)

    def octave(rig):
        return cents_between(rig.place_hz(3, HARMONIC), 2.0 * rig.open_hz(3))

    assert octave(rig) == pytest.approx(octave(in_order), abs=0.005)


def test_a_string_may_scatter_more_than_its_guitar(fixed_bridge):
    quiet = {"noise_dbfs": None, "hum_dbfs": None, "stray_cents": 0.0, "attack_db": -200.0, "scatter_cents": 0.2}
    guitar = Guitar.from_instrument(fixed_bridge, seed=9, faults=Faults(scatter_cents={3: 4.0}), **quiet)

    def spread(string):
        true = guitar.place_hz(string, Place("fret", 12))
        heard = []
        for _ in range(40):
            guitar.pluck(string, Place("fret", 12), 0.05)
            samples = guitar.render(round(0.4 * RATE))[:, 0]
            heard.append(cents_between(phase_slope_hz(samples, RATE, true, 0.13, 0.27), true))
        return np.std(heard)

    assert spread(3) == pytest.approx(4.0, rel=0.35)
    assert spread(2) == pytest.approx(0.2, rel=0.35)


@pytest.mark.parametrize(
    ("faults", "said"),
    [
        (Faults(nut_raised_mm={7: 0.1}), "string 7"),
        (Faults(groove_mm={(0, 5): 0.1}), "string 0"),
        (Faults(groove_mm={(1, 25): 0.1}), "fret 25"),
        (Faults(fret_shift_mm={0: 0.1}), "fret 0"),
        (Faults(nut_shift_mm=math.nan), "mm"),
        (Faults(core_factor={1: 0.0}), "core"),
        (Faults(scatter_cents={1: -1.0}), "scatter"),
        (Faults(fret_shift_mm={5: -40.0}), "fret 5 would lie behind fret 4"),
        (Faults(nut_shift_mm=-40.0), "fret 1 would lie behind fret 0"),
        (Faults(nut_raised_mm={1: -0.5}), "under the frets"),
    ],
)
def test_faults_no_guitar_can_have_are_refused(fixed_bridge, faults, said):
    with pytest.raises(ValueError, match=said):
        rig_of(fixed_bridge, faults=faults)
