"""One partial as a signal model: its derivatives, and what least squares makes of known tones."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chance_bounds import sd_bounds

from oscservice.hearing.baseband import (
    Baseband,
    ComplexSamples,
    correlation_length,
    demodulate,
    first_null_hz,
    lowpass,
    lowpass_gain,
    lowpass_periods,
)
from oscservice.hearing.phase_model import GlidePhase, PolynomialPhase, glide_phase_and_derivative
from oscservice.hearing.resampling import Samples
from oscservice.hearing.tone_fit import Line, Tone, fit_tone, line_columns, second_polarisation_starts

RATE_HZ = 8000.0
CENTS = 1200.0 / math.log(2.0)


def band_of(values: ComplexSamples, step_s: float = 0.01, carrier_hz: float = 200.0) -> Baseband:
    """A baseband whose values share no samples."""
    times = np.arange(len(values)) * step_s
    return Baseband(carrier_hz, times, values, step_s, step_s, 1.0, np.ones(1), RATE_HZ)


def white(count: int, seed: int, sd: float) -> ComplexSamples:
    """Noise with ``sd`` in either part."""
    draw = np.random.default_rng(seed)
    return np.asarray(sd * (draw.standard_normal(count) + 1j * draw.standard_normal(count)))


def glide_model(times_s: Samples) -> GlidePhase:
    """A glide that hardly anything is known of."""
    return GlidePhase(times_s, 200.0, np.array([2.0, 0.0]), np.diag([1e-2, 1.0]))


@pytest.mark.parametrize(
    "model", [PolynomialPhase(np.linspace(-1.0, 1.0, 9), 3), glide_model(np.linspace(0.0, 3.0, 9))]
)
def test_slopes_are_derivatives_of_the_phase(model):
    at = np.array([0.3, 0.5, 4.0, 0.2])
    for i in range(model.count):
        step = np.zeros(4)
        step[i] = 1e-5
        numeric = (model.phase(at + step) - model.phase(at - step)) / 2e-5
        assert model.jacobian(at)[:, i] == pytest.approx(numeric, abs=1e-6)


def test_a_glide_starts_at_its_cents_and_decays_with_the_power():
    """Cents of the slope of the phase: g exp(-2 t / tau)."""
    times = np.linspace(0.0, 2.0, 20001)
    bend, _ = glide_phase_and_derivative(times, 200.0, math.log(0.8))
    cents = CENTS * np.gradient(7.0 * bend, times) / (2.0 * math.pi * 200.0)
    assert cents[1:-1] == pytest.approx(7.0 * np.exp(-2.0 * times[1:-1] / 0.8), abs=1e-4)


def test_a_clean_tone_is_found_to_rounding():
    times = np.linspace(-1.0, 1.0, 80)
    decay, phase = np.array([-1.0, -0.8, 0.1]), np.array([0.4, 3.0, -1.5, 0.3])
    values = np.exp(
        np.polynomial.polynomial.polyval(times, decay) + 1j * np.polynomial.polynomial.polyval(times, phase)
    )
    start = Tone(decay + 0.1, phase + np.array([0.2, -0.1, 0.1, 0.05]))
    found = fit_tone(band_of(values), times, start, PolynomialPhase(times, 3))
    assert found.decay == pytest.approx(decay, abs=1e-6)
    assert found.phase == pytest.approx(phase, abs=1e-6)
    assert found.power < 1e-10


def test_two_exponentials_are_separated_with_fitting_errors():
    """Two dying tones 0.4 Hz apart over three seconds: 1.2 beats, in noise 54 dB below the first."""
    model_times = np.arange(300) * 0.01
    errors = []
    for seed in range(40):
        draw = np.random.default_rng(seed)
        turn = np.exp(2j * math.pi * draw.random())
        g = complex(draw.uniform(-0.3, 0.3), 2.0 * math.pi * 0.4 * draw.choice([-1.0, 1.0]))
        c = 0.3 * turn
        clean = np.exp(-model_times + 2j * math.pi * 0.1 * model_times) * (1.0 + c * np.exp(g * model_times))
        band = band_of(clean + white(300, seed, 1.4e-3))
        model = PolynomialPhase(model_times, 1)
        single = fit_tone(band, model_times, Tone(np.array([0.0, -1.0]), np.array([0.0, 0.6])), model)
        rates = [2j * math.pi * hz for hz in (-0.8, -0.5, -0.3, 0.3, 0.5, 0.8)]
        starts = second_polarisation_starts(band, model_times, model, single, rates)
        best = min((fit_tone(band, model_times, start, model) for start in starts), key=lambda tone: tone.score)
        assert best.score < single.score - 100.0
        assert best.second is not None
        assert abs(best.second[0] - c) < 0.03
        assert abs(best.second[1] - g) < 0.1
        slope_sd, g_sd = (math.sqrt(float(best.covariance[i, i])) for i in (3, -1))
        errors += [(float(best.phase[1]) - 0.2 * math.pi) / slope_sd, (best.second[1] - g).imag / g_sd]
    low, high = sd_bounds(1.0, 1.0, 40)  # two of one fit hang together: they count for one
    assert low < math.sqrt(float(np.mean(np.square(errors)))) < high


def test_evidence_and_score_prefer_one_tone_where_there_is_one():
    times = np.arange(200) * 0.01
    band = band_of(np.exp(-times) + white(200, 3, 1e-3))
    model = PolynomialPhase(times, 1)
    single = fit_tone(band, times, Tone(np.zeros(2), np.zeros(2)), model)
    for start in second_polarisation_starts(
        band, times, model, single, [2j * math.pi * hz for hz in (-1.0, -0.5, 0.5, 1.0)]
    ):
        assert fit_tone(band, times, start, model).score > single.score


@pytest.mark.parametrize("off_hz", [-0.05, 0.05])
def test_a_hum_line_beside_the_partial_is_fitted_along(off_hz):
    """B1 (61.7 Hz) and the mains 1.7 Hz below, 30 dB down, their frequency known to 0.05 Hz only."""
    rate_hz, f1_hz = RATE_HZ, 61.735
    time = np.arange(round(1.2 * rate_hz)) / rate_hz
    pulled = []
    for phase in (0.0, 1.6, 3.1, 4.7):
        signal = np.exp(-0.5 * time) * np.cos(2.0 * math.pi * f1_hz * time)
        signal += 0.03 * np.cos(2.0 * math.pi * (60.0 + off_hz) * time + phase)
        band = demodulate(signal, rate_hz, f1_hz + 0.02, f1_hz)
        model = PolynomialPhase(band.times_s, 1)
        start = Tone(np.array([0.0, -0.5]), np.zeros(2))
        lines = [Line(60.0, 0.05, 1)]
        alone, along = (fit_tone(band, band.times_s, start, model, known) for known in ([], lines))
        assert along.power < 1e-6 * alone.power
        assert abs(CENTS * (float(along.phase[1]) / 2.0 / math.pi + 0.02) / f1_hz) < 1e-4
        pulled.append(CENTS * (float(alone.phase[1]) / 2.0 / math.pi + 0.02) / f1_hz)
    assert max(map(abs, pulled)) > 0.1


def test_line_columns_equal_the_lines_in_the_baseband():
    time = np.arange(4000) / RATE_HZ
    band = demodulate(0.2 * np.cos(2.0 * math.pi * 103.0 * time), RATE_HZ, 100.0, 100.0)
    columns, precision = line_columns(band, [Line(103.0, 0.5)])
    # A real tone has its mirror at -203 Hz, which the low-pass leaves a trace of.
    assert 0.2 * columns[:, 0] == pytest.approx(band.values, abs=2e-4)
    assert precision == pytest.approx([4.0])


def test_the_low_pass_has_its_nulls_on_the_other_partials():
    """A Hann window of L samples is 0 at every multiple of 1 / L from 2 / L on (Harris, Proc. IEEE 66 (1978) 51, from
    memory)."""
    time = np.arange(4000) / RATE_HZ
    for periods in (2, 5):
        band = demodulate(np.cos(2.0 * math.pi * 100.0 * time), RATE_HZ, 100.0, 100.0, periods)
        assert lowpass_gain(band, 0.0) == pytest.approx(1.0)
        assert [lowpass_gain(band, k * 100.0) for k in (-2, -1, 1, 2, 3)] == pytest.approx([0.0] * 5, abs=2e-3)
        assert abs(lowpass_gain(band, first_null_hz(100.0, periods))) < 2e-3
        assert lowpass_gain(band, 0.3 * first_null_hz(100.0, periods)) > 0.4
        assert len(lowpass(80.0, periods)) == len(band.taps)
        assert np.abs(band.values) == pytest.approx(np.ones(len(band.values)), abs=2e-3)


def test_white_noise_comes_through_the_low_pass_by_its_gain():
    noise = np.random.default_rng(5).standard_normal(400_000)
    band = demodulate(noise, RATE_HZ, 500.0, 100.0)
    assert np.mean(np.abs(band.values) ** 2) == pytest.approx(band.noise_gain, rel=0.05)


def test_periods_of_the_low_pass():
    assert lowpass_periods(82.4, 3.0) == 2
    assert lowpass_periods(1318.5, 3.0) == 16  # 12 ms
    assert lowpass_periods(1318.5, 0.3) == 7  # a sixtieth of the length
    assert lowpass_periods(1318.5, 0.01) == 2


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_the_correlation_length_of_an_autoregression(rho):
    """The correlations of a first-order autoregression are r^n: 1 + 2 sum r^n = (1 + r) / (1 - r)."""
    steps = white(20_000, 2, 1.0)
    values = np.zeros_like(steps)
    for i in range(1, len(values)):
        values[i] = rho * values[i - 1] + steps[i]
    assert correlation_length(values) == pytest.approx((1.0 + rho) / (1.0 - rho), rel=0.15)


def test_values_that_share_samples_count_once():
    """In noise through the low-pass, so many values are independent as fit into it one after the other, at most."""
    noise = 1e-3 * np.random.default_rng(7).standard_normal(16_000)
    tone = np.cos(2.0 * math.pi * 200.0 * np.arange(16_000) / RATE_HZ)
    band = demodulate(tone + noise, RATE_HZ, 200.0, 200.0)
    assert band.step_s < 0.6 * band.memory_s
    start = Tone(np.zeros(1), np.zeros(2))
    found = fit_tone(band, band.times_s, start, PolynomialPhase(band.times_s, 1))
    most = len(band.values) * band.step_s / band.memory_s
    assert 0.4 * most < found.independent <= most * 1.0001
    fewer = fit_tone(band, band.times_s, start, PolynomialPhase(band.times_s, 1), independent=0.2 * most)
    assert fewer.independent == pytest.approx(0.2 * most)
    # A fifth of the values: five times the variance, or a little more for the parameters fitted.
    assert 4.0 < fewer.covariance[2, 2] / found.covariance[2, 2] * found.independent / most < 7.0


def test_a_residual_that_is_nothing_or_short_counts_as_it_is():
    assert correlation_length(np.zeros(50, dtype=np.complex128)) == 1.0
    assert correlation_length(np.ones(5, dtype=np.complex128)) == 1.0


@pytest.mark.parametrize("second", [None, (0.3 + 0.1j, 2.0j), (1.0 + 0.0j, 0.0j), (1e6 + 0.0j, 400.0 + 0.0j)])
@pytest.mark.parametrize(
    "values",
    [
        np.ones(40, dtype=np.complex128),
        np.eye(1, 40)[0].astype(np.complex128),
        np.exp(-np.arange(40.0)) + 0j,
        1e-160 * np.exp(1j * np.arange(40.0) ** 2),
        np.resize(np.array([1.0, -1.0 + 0j]), 40),
    ],
    ids=["constant", "one click", "gone at once", "all but silent", "turning at the fastest"],
)
def test_degenerate_basebands_do_not_break_the_fit(values, second):
    band = band_of(values)
    times = band.times_s
    for model in (PolynomialPhase(times, 3), glide_model(times)):
        start = Tone(np.zeros(3), np.zeros(4), second)
        found = fit_tone(band, times, start, model, [Line(200.0, 0.1, 4)])
        assert np.isfinite(found.phase).all()
        assert np.isfinite(found.covariance).all()
