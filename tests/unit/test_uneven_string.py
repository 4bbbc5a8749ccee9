"""Strings of uneven mass: Galerkin's eigenvalues against finite differences, closed cases, and first-order theory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import eigh_tridiagonal

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.simulate.guitar_builder import Faults, rig_of
from oscservice.simulate.uneven_string import Uneven, partial_factors

SCALE_MM = 648.0
FRETS = (1, 3, 5, 7, 12, 19, 24)


def cents(factors):
    return 1200.0 * np.log2(factors)


def finite_differences(begin, end, mass, count, points=2000):
    """Frequency factors of a string of as many point masses, each with the mass of its own cell."""
    step = 1.0 / points
    edges = (np.arange(1, points)[:, None] + np.array([-0.5, 0.5])) * step
    covered = np.clip(edges, begin, end)
    masses = 1.0 + mass * (covered[:, 1] - covered[:, 0]) / step

    def lowest(masses):
        off = -1.0 / np.sqrt(masses[:-1] * masses[1:])
        return np.sqrt(eigh_tridiagonal(2.0 / masses, off, select="i", select_range=(0, count - 1))[0])

    return lowest(masses) / lowest(np.ones(points - 1))


def first_order(begin, end, mass, k):
    """Relative change of frequency: -(1/L) times the integral of (d mu / mu) sin^2(k pi x / L)."""
    x = np.array([begin, end])
    return -mass * float(np.diff(x / 2.0 - np.sin(2.0 * k * np.pi * x) / (4.0 * k * np.pi))[0])


@pytest.mark.parametrize(
    ("begin", "end", "mass"),
    [(0.0, 0.5, 0.01), (0.75, 1.0, 0.01), (0.4846, 0.5154, -0.05), (0.2, 0.23, -0.3), (0.1, 0.9, 0.5)],
)
def test_finite_differences_find_the_same_partials(begin, end, mass):
    found = partial_factors(begin, end, mass, 8)
    assert cents(found) == pytest.approx(cents(finite_differences(begin, end, mass, 8)), abs=0.02)


@pytest.mark.parametrize(("share", "mass"), [(0.5, 0.21), (0.3, -0.19)])
def test_a_string_of_two_parts_meets_the_condition_at_their_joint(share, mass):
    # Displacement and slope are the same on both sides of the joint: k1 cot(k1 a) + k2 cot(k2 b) = 0.
    heavy, light = math.sqrt(1.0 + mass), 1.0

    def mismatch(w):
        return heavy * w / math.tan(heavy * w * share) + light * w / math.tan(light * w * (1.0 - share))

    for k, factor in enumerate(partial_factors(0.0, share, mass, 5), start=1):
        w = math.pi * k * factor
        assert mismatch(w * (1.0 - 2e-5)) * mismatch(w * (1.0 + 2e-5)) < 0.0  # 0.03 cents either way


def test_an_even_string_stays_unchanged():
    assert partial_factors(0.2, 0.6, 0.0, 30) == pytest.approx(np.ones(30), rel=1e-12)
    assert partial_factors(0.0, 0.0, 0.3, 30) == pytest.approx(np.ones(30), rel=1e-12)
    assert partial_factors(0.0, 1.0, 0.21, 30) == pytest.approx(np.full(30, 1.0 / 1.1), rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(-0.02, 0.02), st.integers(1, 6))
def test_small_changes_follow_first_order_theory(one, other, mass, k):
    # Rayleigh, The Theory of Sound I, 91 (the section from memory). What is left is of the second order.
    begin, end = sorted((one, other))
    change = partial_factors(begin, end, mass, k)[k - 1] - 1.0
    assert change == pytest.approx(first_order(begin, end, mass, k), abs=2.0 * mass**2 + 1e-12)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 0.45), st.floats(0.01, 0.5), st.floats(-0.3, 0.5))
def test_a_string_turned_end_for_end_sounds_the_same(begin, length, mass):
    end = begin + length
    there = cents(partial_factors(begin, end, mass, 6))
    assert there == pytest.approx(cents(partial_factors(1.0 - end, 1.0 - begin, mass, 6)), abs=1e-6)


# First-order theory, in cents: the 12th-fret harmonic against the open octave, and frets 1, 3, 5, 7, 12, 19 and 24
# against the open string.
@pytest.mark.parametrize(
    ("uneven", "harmonic", "errors"),
    [
        (Uneven(0.0, 324.0, 0.01), 0.0, (0.5, 1.6, 2.6, 3.5, 4.3, 4.3, 4.3)),
        (Uneven(0.75, 200.0, 0.01), -1.4, (-0.1, -0.5, -0.9, -1.5, -3.5, -7.0, -7.8)),
        (Uneven(0.5 - 10.0 / SCALE_MM, 20.0, -0.05), -2.7, (0.2, 0.2, 0.0, -0.7, -2.7, -2.7, -2.7)),
        (Uneven(1.0 - 2 ** (-5 / 12) - 10.0 / SCALE_MM, 20.0, -0.05), 1.3, (-0.3, -1.0, -1.4, -1.4, -1.4, -1.4, -1.4)),
    ],
)
def test_an_uneven_string_on_a_guitar(uneven, harmonic, errors):
    instrument = load_instrument("six-string-648")
    even = rig_of(instrument, saddle_error_mm=[0.0] * 6)
    rig = rig_of(instrument, saddle_error_mm=[0.0] * 6, faults=Faults(uneven={3: uneven}))

    def octave(rig):
        return cents_between(rig.place_hz(3, HARMONIC), 2.0 * rig.open_hz(3))

    assert rig.open_hz(3) == pytest.approx(instrument.open_hz(3), rel=1e-9)  # it is tuned all the same
    assert octave(rig) - octave(even) == pytest.approx(harmonic, abs=0.2)
    found = [rig.error_cents(3, fret) - even.error_cents(3, fret) for fret in FRETS]
    assert found == pytest.approx(errors, abs=0.2)
    assert rig.error_cents(6) == pytest.approx(even.error_cents(6), abs=1e-5)


def test_the_partials_of_a_worn_string_differ_from_a_stiff_string():
    # A notch in the middle: the odd partials swing there, the even ones don't.
    instrument = load_instrument("six-string-648")
    worn = rig_of(instrument, faults=Faults(uneven={4: Uneven(0.495, 6.48, -0.2)}))
    even = rig_of(instrument)
    ratio = worn.stopped(4, OPEN).partials_hz(4) / even.stopped(4, OPEN).partials_hz(4)
    assert cents(ratio)[2] == pytest.approx(cents(ratio)[0], abs=0.2)
    assert cents(ratio)[3] == pytest.approx(cents(ratio)[1], abs=0.2)
    assert cents(ratio)[0] - cents(ratio)[1] > 3.0
    harmonic = worn.stopped(4, HARMONIC).partials_hz(2) / worn.stopped(4, OPEN).partials_hz(4)[1::2]
    assert harmonic == pytest.approx(np.ones(2), rel=1e-12)


def test_the_stretch_counts_only_where_the_string_sounds():
    instrument = load_instrument("six-string-648")
    even, worn = (rig_of(instrument, faults=f) for f in (Faults(), Faults(uneven={1: Uneven(0.0, 30.0, -0.4)})))
    # Behind the frets it only lets the open string reach its pitch with less tension.
    assert worn.error_cents(1, 5) - even.error_cents(1, 5) == pytest.approx(
        worn.error_cents(1, 12) - even.error_cents(1, 12), abs=0.05
    )
    tensions = [rig.stopped(1, Place("fret", 5)).tension_n for rig in (even, worn)]
    assert tensions[1] < tensions[0]


@pytest.mark.parametrize(
    "values", [(-0.1, 10.0, 0.1), (1.1, 10.0, 0.1), (math.nan, 10.0, 0.1), (0.5, 0.0, 0.1), (0.5, 10.0, -1.0)]
)
def test_an_impossible_string_is_refused(values):
    with pytest.raises(ValueError, match="expected"):
        Uneven(*values)
