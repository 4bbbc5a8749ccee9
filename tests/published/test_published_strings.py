"""String physics compared with charts, tables and papers. Each check names its source."""

from __future__ import annotations

import math

import pytest

from oscservice.instrument import string_physics as strings
from oscservice.instrument.instrument_file import load_instrument

INCH_MM = 25.4
LBF_N = 4.4482216152605
"""Pound-force in N (exact: 0.45359237 kg times 9.80665 m/s2)."""


@pytest.mark.parametrize(
    ("gauge_in", "lb_per_in"),
    [(0.009, 1.794e-5), (0.010, 2.215e-5), (0.013, 3.744e-5), (0.017, 6.402e-5), (0.020, 8.861e-5)],
)
def test_plain_unit_weights(gauge_in: float, lb_per_in: float) -> None:
    """Published string tension chart, plain steel rows, as copied in several public data files."""
    assert strings.plain_unit_weight_kg_m(gauge_in * INCH_MM) == pytest.approx(lb_per_in * 17.858, rel=1e-3)


@pytest.mark.parametrize(
    ("gauge_in", "lb_per_in"), [(0.018, 6.215e-5), (0.026, 1.2671e-4), (0.036, 2.3964e-4), (0.046, 3.8216e-4)]
)
def test_wound_unit_weights(gauge_in: float, lb_per_in: float) -> None:
    """Published string tension chart, nickel-wound rows."""
    assert strings.wound_unit_weight_kg_m(gauge_in * INCH_MM) == pytest.approx(lb_per_in * 17.858, rel=1e-3)


@pytest.mark.parametrize(
    ("note_hz", "lb_per_in", "lbf"),
    [(329.63, 2.215e-5, 16.2), (82.41, 3.8216e-4, 17.5)],
)
def test_tension_of_the_outer_strings_at_25_5_inches(note_hz: float, lb_per_in: float, lbf: float) -> None:
    """Published string tension chart: .010 at E4 and .046 at E2 on a 25.5 inch scale, T = w (2 L f)^2 / 386.4."""
    tension = strings.tension_n(lb_per_in * strings.LB_IN_KG_M, note_hz, 25.5 * INCH_MM)
    assert tension / LBF_N == pytest.approx(lbf, abs=0.05)


CHART_LB_PER_IN = {
    0.009: 1.794e-5, 0.010: 2.215e-5, 0.011: 2.680e-5, 0.012: 3.190e-5, 0.013: 3.744e-5, 0.014: 4.342e-5,
    0.015: 4.984e-5, 0.016: 5.671e-5,
    0.017: 6.402e-5, 0.018: 7.177e-5, 0.024: 1.0857e-4, 0.026: 1.2671e-4, 0.032: 1.9347e-4, 0.036: 2.3964e-4,
    0.042: 3.2279e-4, 0.046: 3.8216e-4,
}  # fmt: skip
"""Published string tension chart: gauge in inches -> pounds per inch; up to .018 plain, above nickel-wound."""


@pytest.mark.parametrize(
    "name",
    [
        "six-string-648-spring",
        "seven-string-648-locking",
        "baritone-686",
        "twelve-string-648",
        "six-string-628-zero-fret",
        "six-string-648-compensated",
        "six-string-648-unison",
    ],
)
def test_tensions_of_presets_by_the_chart(name: str) -> None:
    """Published string tension chart: T[lbf] = w (2 L f)^2 / 386.4, lengths in inches, for the gauges that it has."""
    instrument = load_instrument(name)
    compared = 0
    for number, string in enumerate(instrument.strings, start=1):
        weight = CHART_LB_PER_IN.get(round(string.gauge_mm / INCH_MM, 3))
        if weight is None:
            continue
        lbf = weight * (2.0 * string.scale_mm / INCH_MM * instrument.open_hz(number)) ** 2 / 386.4
        tension = strings.tension_n(string.unit_weight_kg_m, instrument.open_hz(number), string.scale_mm)
        assert tension / LBF_N == pytest.approx(lbf, rel=2e-3)
        compared += 1
    assert compared >= 4


def test_sum_of_tensions_of_a_common_set() -> None:
    """.010 to .046 on 25.5 inches pulls a little over 100 lbf: common practice, no source."""
    guitar = load_instrument("six-string-648")
    total = sum(
        strings.tension_n(string.unit_weight_kg_m, guitar.open_hz(number), string.scale_mm)
        for number, string in enumerate(guitar.strings, start=1)
    )
    assert 95.0 < total / LBF_N < 110.0


def test_modulus_and_strength_of_music_wire() -> None:
    """ASTM A228, materials database: E 190 GPa, tensile strength 2450 MPa. A .010 at E4 on 25.5 inches (16.2 lbf by the
    chart) stresses its 0.254 mm to 1422 MPa."""
    assert abs(strings.STEEL_MODULUS_PA - 190e9) < 2.0 * strings.STEEL_MODULUS_SD_PA
    assert strings.strength_share(0.254, 16.2 * LBF_N) == pytest.approx(1422.0 / 2450.0, rel=0.002)


def test_mcferrin_constant_of_plain_steel() -> None:
    """Partial k of plain steel is sharp by 3.4e13 d^2 k^2 / (f^2 L^4) cents, cm and Hz (McFerrin, second-hand)."""
    gauge_mm, length_mm, frequency_hz = 0.4, 600.0, 250.0
    tension = strings.tension_n(strings.plain_unit_weight_kg_m(gauge_mm), frequency_hz, length_mm)
    b = strings.inharmonicity(gauge_mm, tension, length_mm)
    cents = 1200.0 / math.log(2.0) * b / 2.0  # small B: half of B k^2 in relative frequency, k = 1
    constant = cents * frequency_hz**2 * (length_mm / 10.0) ** 4 / (gauge_mm / 10.0) ** 2
    assert constant == pytest.approx(3.4e13, rel=0.01)


@pytest.mark.parametrize(("number", "open_b", "fret_12_b"), [(1, 2.230e-5, 8.392e-5), (2, 6.112e-5, 2.481e-4)])
def test_inharmonicity_of_plain_strings_of_an_acoustic(number: int, open_b: float, fret_12_b: float) -> None:
    """Bastas et al., ICASSP 2022, 771: trained table for a steel-string acoustic, strings E4 and B3.

    The gauges on that guitar (.012, .016) are assumed. Two measurements of the same recordings differ by up to 15 %.
    """
    guitar = load_instrument("acoustic-645")
    string = guitar.string(number)
    tension = strings.tension_n(string.unit_weight_kg_m, guitar.open_hz(number), string.scale_mm)
    assert strings.inharmonicity(string.core_mm, tension, string.scale_mm) == pytest.approx(open_b, rel=0.15)
    assert strings.inharmonicity(string.core_mm, tension, string.scale_mm / 2.0) == pytest.approx(fret_12_b, rel=0.15)


@pytest.mark.parametrize(("number", "measured"), [(3, 2.949e-5), (4, 5.142e-5), (5, 9.333e-5), (6, 1.374e-4)])
def test_inharmonicity_of_wound_strings_of_an_acoustic(number: int, measured: float) -> None:
    """Bastas et al., ICASSP 2022, 771. Core diameters are assumed to 10 %, which is 40 % in B (it goes as d^4)."""
    guitar = load_instrument("acoustic-645")
    string = guitar.string(number)
    tension = strings.tension_n(string.unit_weight_kg_m, guitar.open_hz(number), string.scale_mm)
    assert strings.inharmonicity(string.core_mm, tension, string.scale_mm) == pytest.approx(measured, rel=0.40)


def test_inharmonicity_of_stopped_notes_of_a_bass() -> None:
    """Kemp, SN Applied Sciences 2 (2020) 636: a low B is about 100 cents sharp at partial 10 stopped at fret 12, and at
    partial 6 stopped at fret 21. Cents go as B k^2, so B21 / B12 = 100 / 36 as read, 2.83 by 2^(9/6)."""
    tension, scale = 158.0, 864.0
    stopped = [strings.inharmonicity(0.7, tension, scale - strings.fret_position_mm(scale, fret)) for fret in (12, 21)]
    assert stopped[1] / stopped[0] == pytest.approx(2.83, abs=0.005)
    assert stopped[1] / stopped[0] == pytest.approx(10.0**2 / 6.0**2, rel=0.03)


def test_fret_positions_of_648_mm() -> None:
    """Equal temperament, L (1 - 2^(-n/12)); the divisor 17.817 is Byers's (American Lutherie 47)."""
    positions = {1: 36.369, 2: 70.698, 3: 103.099, 5: 162.549, 7: 215.512, 12: 324.000, 17: 405.274, 24: 486.000}
    for fret, mm in positions.items():
        assert strings.fret_position_mm(648.0, fret) == pytest.approx(mm, abs=0.0006)
    left = 648.0
    for fret in range(1, 25):
        left -= left / 17.817
        assert strings.fret_position_mm(648.0, fret) == pytest.approx(648.0 - left, abs=0.01)
