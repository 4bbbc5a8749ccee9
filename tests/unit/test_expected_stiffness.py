"""The expected stiffness of a string, and the one learnt from its readings."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.hearing.inharmonicity import (
    OUTLIER_SHARE,
    SCATTER_SD,
    Stiffness,
    expected_stiffness,
    log_stiffness,
    stiffness_at_place,
    stiffness_likelihood,
    updated_stiffness,
)
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.string_physics import inharmonicity, tension_n

GUITAR = load_instrument("six-string-648")


@pytest.mark.parametrize("fret", [1, 5, 12, 19])
@pytest.mark.parametrize("cents", [-500.0, 0.0, 40.0])
def test_a_stopped_string_has_the_stiffness_of_its_shorter_length_at_its_tension(fret, cents):
    spec = GUITAR.string(5)
    length_mm = spec.scale_mm + spec.setback_mm
    open_hz = GUITAR.open_hz(5) * 2.0 ** (cents / 1200.0)
    b = inharmonicity(
        spec.core_mm, tension_n(spec.unit_weight_kg_m, open_hz, length_mm), length_mm * 2.0 ** (-fret / 12.0)
    )
    found = stiffness_at_place(expected_stiffness(GUITAR, 5), Place("fret", fret), cents)
    assert found.log_b == pytest.approx(math.log(b), abs=1e-9)


def test_a_harmonic_and_fret_12_are_as_stiff_as_each_other():
    open_string = Stiffness(math.log(1e-4), 0.2)
    assert stiffness_at_place(open_string, HARMONIC, 3.0) == stiffness_at_place(open_string, Place("fret", 12), 3.0)
    # Partials 2, 4, 6 of a string with B, as partials 1, 2, 3 of a note: the law itself, B of the note unknown.
    f0_hz, b = 82.4, 1e-4
    first, third = (2 * k * f0_hz * math.sqrt(1.0 + b * (2 * k) ** 2) for k in (1, 3))
    ratio = (third / (3.0 * first)) ** 2
    assert (ratio - 1.0) / (9.0 - ratio) == pytest.approx(4.0 * b, rel=1e-6)
    assert stiffness_at_place(open_string, HARMONIC, 0.0).log_b == pytest.approx(math.log(4e-4))


@pytest.mark.parametrize(("b", "se"), [(1e-4, math.inf), (1e-4, None), (math.nan, 1e-5), (1e-4, 0.0), (1e-4, math.nan)])
def test_a_stiffness_without_a_standard_error_is_no_evidence(b, se):
    assert log_stiffness(b, se) is None
    before = Stiffness(-9.0, 0.4)
    assert updated_stiffness(before, 0.0, log_stiffness(b, se)) == before
    assert stiffness_likelihood(log_stiffness(b, se), before) == 1.0


def test_a_stiffness_that_could_be_none_says_little_but_that_it_is_small():
    heard = log_stiffness(0.0, 1e-5)
    assert heard is not None
    assert heard.sd > 1.9
    assert stiffness_likelihood(heard, Stiffness(math.log(1e-5), 0.2)) > 2.0 * stiffness_likelihood(
        heard, Stiffness(math.log(1e-3), 0.2)
    )


def test_readings_teach_a_string_its_stiffness():
    known = expected_stiffness(GUITAR, 6)
    truth = known.log_b + 0.5  # a core 13 % thicker than the profile has it
    widths = [known.sd]
    for cents in (-100.0, -20.0, 0.0, 1.0, -1.0, 0.0):
        b = math.exp(truth - cents / 600.0 * math.log(2.0))  # slacker is stiffer
        known = updated_stiffness(known, cents, log_stiffness(b, 0.1 * b))
        widths.append(known.sd)
    assert known.log_b == pytest.approx(truth, abs=0.05)
    assert widths == sorted(widths, reverse=True)
    assert known.sd < 0.08


def test_a_bad_reading_changes_the_estimate_little():
    known = Stiffness(math.log(1e-4), 0.1)
    after = updated_stiffness(known, 0.0, log_stiffness(1e-3, 1e-5))
    assert after.log_b - known.log_b < 0.001
    assert after.sd == pytest.approx(known.sd, rel=0.01)


@given(st.floats(-16.0, 0.0), st.floats(1e-3, 3.0), st.floats(-16.0, 0.0), st.floats(0.01, 1.0))
def test_no_reading_counts_for_more_than_bad_ones_allow(log_b, relative_se, expected, sd):
    heard = log_stiffness(math.exp(log_b), relative_se * math.exp(log_b))
    of_this, of_another = (
        stiffness_likelihood(heard, Stiffness(expected, sd)),
        stiffness_likelihood(heard, Stiffness(expected + 5.0, sd)),
    )
    least = OUTLIER_SHARE / math.log(1e4)
    most = least + (1.0 - OUTLIER_SHARE) / math.sqrt(2.0 * math.pi) / math.hypot(SCATTER_SD, sd)
    assert least <= of_this <= most
    assert of_this / of_another <= most / least


@given(st.floats(-14.0, -5.0), st.floats(0.05, 1.0), st.floats(-500.0, 300.0), st.floats(-14.0, -5.0))
def test_learning_stays_between_prior_and_evidence(before, sd, cents, heard):
    b = math.exp(heard)
    after = updated_stiffness(Stiffness(before, sd), cents, log_stiffness(b, 0.2 * b))
    at_nominal = heard + math.log(2.0) * cents / 600.0
    assert min(before, at_nominal) - 1e-9 <= after.log_b <= max(before, at_nominal) + 1e-9
    assert after.sd <= max(sd, 0.05) + 1e-12


def test_the_stiffness_of_an_open_string_is_unchanged():
    known = Stiffness(-9.0, 0.3)
    assert stiffness_at_place(known, OPEN, 0.0) == known
