"""Mean frequency over a window: against the bound, against the integral of known glides and beats, and its doubt."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from chance_bounds import fewest, sd_bounds
from made_sound import synthetic_note

from oscservice.hearing.baseband import demodulate, lowpass_periods
from oscservice.hearing.mean_pitch import MeanPitch, mean_pitch
from oscservice.hearing.resampling import Samples
from oscservice.hearing.tone_fit import Line
from oscservice.instrument.pitch import cents_between

RATE_HZ = 16000.0


def mean_of(samples: Samples, f1_hz: float, lines: list[Line] | None = None) -> MeanPitch:
    """Mean pitch over all of the samples, the carrier a cent off."""
    length_s = len(samples) / RATE_HZ
    periods = lowpass_periods(f1_hz, length_s)
    return mean_pitch(demodulate(samples, RATE_HZ, f1_hz * 1.0006, f1_hz, periods), length_s, lines or [])


def rife_boorstyn_sd_hz(snr: float, count: int) -> float:
    """1 sd in Hz for one steady real tone of unknown phase and amplitude, ``snr`` its power over the noise's.

    Rife & Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591: var(omega) = 12 sigma^2 / (b^2 T^2 N (N^2 - 1)) for a
    complex tone of amplitude b, noise of variance sigma^2 in either part. A real tone is one part alone: twice that;
    snr = b^2 / (2 sigma^2).
    """
    return RATE_HZ * math.sqrt(12.0 / (snr * count * (count**2 - 1.0))) / (2.0 * math.pi)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("f1_hz", "most", "calmest"), [(30.868, 2.0, 0.4), (82.407, 1.5, 0.8), (329.628, 1.5, 0.8)], ids=["B0", "E2", "E4"]
)
@pytest.mark.parametrize("seconds", [0.5, 1.0])
def test_errors_in_white_noise_are_near_the_bound_and_fit_the_standard_error(f1_hz, most, calmest, seconds):
    """At 30 dB. With 40 draws a standard deviation is known to 11 % (1 sd): nothing is allowed for that above, twice
    that below 1, where an unbiased estimator can't be. Over the 15 periods of half a second of B0 a beat or a bend
    can't be ruled out, and the doubt is allowed to be too wide."""
    count = round(seconds * RATE_HZ)
    time = np.arange(count) / RATE_HZ
    bound_hz = rife_boorstyn_sd_hz(1000.0, count)
    errors, ses = [], []
    for seed in range(40):
        draw = np.random.default_rng((seed, count, round(f1_hz)))
        hz = f1_hz * 2.0 ** (draw.uniform(-0.5, 0.5) / 1200.0)
        tone = np.cos(2.0 * math.pi * hz * time + draw.uniform(0.0, 6.28))
        found = mean_of(tone + math.sqrt(0.5e-3) * draw.standard_normal(count), f1_hz)
        errors.append(found.hz - hz)
        ses.append(found.se_hz)
    rms = math.sqrt(float(np.mean(np.square(errors))))
    assert 0.77 < rms / bound_hz < most
    low, high = sd_bounds(calmest, 1.25, len(errors))
    assert low < math.sqrt(float(np.mean(np.square(np.array(errors) / np.array(ses))))) < high


@pytest.mark.parametrize("f1_hz", [30.868, 82.407, 329.628, 1318.51])
def test_a_glide_is_averaged_as_its_integral(f1_hz):
    """Truth: the integral of f1 (1 + r exp(-t / tau)) over the window, divided by its length."""
    samples, truth = synthetic_note(
        f1_hz=f1_hz, glide_cents=10.0, glide_tau_s=0.7, pluck_s=0.0, seconds=1.2, sample_rate_hz=RATE_HZ
    )
    found = mean_of(samples[round(0.4 * RATE_HZ) :], f1_hz)
    true_hz = truth.mean_hz(0.4, 1.2)
    assert cents_between(true_hz, f1_hz) > 2.0
    assert abs(cents_between(found.hz, true_hz)) < 0.01


@pytest.mark.parametrize("split_cents", [-3.0, 2.0])
def test_beats_are_averaged_as_they_are_heard(split_cents):
    """Two polarisations, the second nearly as loud: the mean lies between theirs, where the heard phase puts it."""
    for f1_hz in (196.0, 659.26):
        samples, truth = synthetic_note(
            f1_hz=f1_hz,
            polarisation_split_cents=split_cents,
            polarisation_share=0.4,
            pluck_s=0.0,
            seconds=1.5,
            sample_rate_hz=RATE_HZ,
            noise_dbfs=-90.0,
        )
        start, end = round(0.4 * RATE_HZ), round(1.2 * RATE_HZ)
        found = mean_of(samples[start:end], f1_hz)
        true_hz = truth.heard_mean_hz(0.4, 1.2)
        assert abs(cents_between(true_hz, truth.mean_hz(0.4, 1.2))) > 0.1
        doubt = cents_between(found.hz + found.se_hz, found.hz)
        assert abs(cents_between(found.hz, true_hz)) < 3.0 * doubt < 0.1


def test_hum_beside_a_low_string_is_separated_if_its_frequency_is_given():
    time = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
    f1_hz, without, along = 61.735, [], []
    for seed in range(20):
        draw = np.random.default_rng(seed)
        tone = np.exp(-time) * np.cos(2.0 * math.pi * f1_hz * time + draw.uniform(0.0, 6.28))
        tone += 0.02 * np.cos(2.0 * math.pi * (60.0 + draw.uniform(-0.05, 0.05)) * time + draw.uniform(0.0, 6.28))
        tone += 3e-4 * draw.standard_normal(len(time))
        without.append(mean_of(tone, f1_hz))
        along.append(mean_of(tone, f1_hz, [Line(60.0, 0.04, 1)]))
    plain, fitted = (np.array([cents_between(found.hz, f1_hz) for found in every]) for every in (without, along))
    assert np.median(np.abs(plain)) > 0.1
    assert np.median(np.abs(fitted)) < 0.25 * np.median(np.abs(plain))
    doubt = np.array([cents_between(found.hz + found.se_hz, found.hz) for found in along])
    assert np.count_nonzero(np.abs(fitted) < 2.0 * doubt) >= fewest(0.95, len(fitted))


def test_a_line_that_never_turns_against_the_partial_is_part_of_the_doubt():
    """Hum 0.2 Hz off a string that dies to a tenth, over 0.8 s: they can't be separated."""
    time = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
    tone = np.exp(-3.0 * time) * np.cos(2.0 * math.pi * 100.2 * time)
    plain, doubted = mean_of(tone, 100.2), mean_of(tone, 100.2, [Line(100.0, 0.01, 2)])
    # Half of 0.01 over what is left in the end, 0.09: 0.055 rad in 2 pi times 0.8 s.
    assert doubted.se_hz > 0.7 * 0.5 * 0.01 / math.exp(-2.4) / (2.0 * math.pi * 0.8) > 10.0 * plain.se_hz


def test_too_few_periods_are_refused():
    time = np.arange(round(0.12 * RATE_HZ)) / RATE_HZ
    with pytest.raises(ValueError, match="too few"):
        mean_of(np.cos(2.0 * math.pi * 41.2 * time), 41.2)


def test_the_answer_is_that_of_the_scaled_signal():
    samples, _ = synthetic_note(f1_hz=110.0, seconds=1.0, pluck_s=0.0, noise_dbfs=-70.0, sample_rate_hz=RATE_HZ)
    band = demodulate(samples[3200:], RATE_HZ, 110.0, 110.0)
    found, louder = (mean_pitch(replace(band, values=band.values * factor), 0.8) for factor in (1.0, 512.0))
    assert louder.hz == pytest.approx(found.hz, rel=1e-10)
    assert louder.se_hz == pytest.approx(found.se_hz, rel=1e-3)


@pytest.mark.parametrize(
    "values",
    [
        np.ones(40, dtype=np.complex128),
        np.resize(np.array([1.0, -1.0 + 0j]), 40),
        1e-160 * np.exp(1j * np.arange(40.0) ** 2),
    ],
    ids=["constant", "turning at the fastest", "all but silent"],
)
def test_degenerate_basebands_give_an_answer_in_finite_numbers(values):
    samples = np.cos(2.0 * math.pi * 100.0 * np.arange(8000) / RATE_HZ)
    band = demodulate(samples, RATE_HZ, 100.0, 100.0)
    found = mean_pitch(replace(band, values=values, times_s=band.times_s[:40]), 0.5)
    assert math.isfinite(found.hz)
    assert math.isfinite(found.se_hz)


@pytest.mark.parametrize("at", [100, 4000, 7900])
@pytest.mark.filterwarnings("ignore:The fit may be poorly conditioned")  # and so it is
def test_a_click_is_flagged_as_having_no_pitch(at):
    click = np.zeros(8000)
    click[at] = 1.0
    found = mean_of(click, 100.0)
    assert math.isfinite(found.hz)
    assert found.se_hz > 1.0
