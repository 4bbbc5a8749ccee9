"""The synthetic note: what is claimed of it holds in its samples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_sound import synthetic_note
from phase_slope import phase_slope_hz
from scipy.integrate import quad

RATE = 48000.0


def cents(a, b):
    return 1200.0 * math.log2(a / b)


@pytest.mark.parametrize("f1_hz", [61.735, 82.407, 196.0, 329.628])
def test_first_partial_is_as_stated(f1_hz):
    samples, truth = synthetic_note(f1_hz=f1_hz, inharmonicity=1e-4, seconds=2.0)
    assert truth.f1_hz == f1_hz
    assert abs(cents(phase_slope_hz(samples, RATE, f1_hz, 0.6, 1.4), f1_hz)) < 0.01


@pytest.mark.parametrize("k", [2, 5, 9])
def test_partials_are_sharp_by_stiffness(k):
    # f_k = k f0 sqrt(1 + B k^2): H. Fletcher, JASA 36 (1964) 203.
    samples, truth = synthetic_note(f0_hz=110.0, inharmonicity=2e-4, seconds=2.0, decay_s=4.0, pluck_position=0.17)
    expected = k * 110.0 * math.sqrt(1.0 + 2e-4 * k * k)
    assert truth.partials_hz[k - 1] == pytest.approx(expected, rel=1e-12)
    assert abs(cents(phase_slope_hz(samples, RATE, expected, 0.5, 1.0), expected)) < 0.01


def test_strays_do_not_change_the_first_partial():
    _, straight = synthetic_note(f1_hz=196.0, seconds=0.5)
    _, stray = synthetic_note(f1_hz=196.0, seconds=0.5, stray_cents=1.0)
    offsets = 1200.0 * np.log2(stray.partials_hz / straight.partials_hz)
    assert offsets[0] == 0.0
    assert 0.5 < np.std(offsets[1:]) < 1.6


def test_the_glide_starts_at_the_stated_cents_and_ends_at_the_settled_pitch():
    samples, truth = synthetic_note(f1_hz=82.407, seconds=4.0, glide_cents=16.0, glide_tau_s=0.8, pluck_s=0.1)
    assert cents(truth.momentary_hz(0.1), 82.407) == pytest.approx(16.0, abs=1e-9)
    assert cents(truth.momentary_hz(0.9), 82.407) == pytest.approx(16.0 / math.e, abs=0.1)
    for start, end in ((0.4, 0.8), (1.5, 2.5), (3.0, 3.6)):
        heard = phase_slope_hz(samples, RATE, truth.mean_hz(start, end), start, end)
        assert abs(cents(heard, truth.mean_hz(start, end))) < 0.05
    with pytest.raises(ValueError, match="before the pluck"):
        truth.momentary_hz(0.05)
    with pytest.raises(ValueError, match="no time"):
        truth.mean_hz(1.0, 1.0)


def test_second_polarisation_beats_at_the_split():
    # Two sines 6 cents apart at 440 Hz beat every 1 / (440 * (2^(6/1200) - 1)) = 0.655 s.
    samples, _ = synthetic_note(
        f1_hz=440.0, partials=1, polarisation_split_cents=6.0, polarisation_share=0.5, decay_s=1e6, pluck_s=0.0
    )
    beat_s = 1.0 / (440.0 * (2.0 ** (6.0 / 1200.0) - 1.0))

    def level(t):
        first = round(t * RATE)
        return np.std(samples[first - 480 : first + 480])

    assert level(beat_s / 2) < 0.05 * level(beat_s)
    assert level(1.5 * beat_s) < 0.05 * level(2 * beat_s)


BEATING = {
    "f1_hz": 196.0,
    "pluck_s": 0.1,
    "seconds": 2.0,
    "glide_cents": 8.0,
    "glide_tau_s": 0.6,
    "polarisation_split_cents": 4.0,
    "polarisation_share": 0.35,
    "polarisation_decay": 1.6,
    "decay_s": 1.2,
}


def both_polarisations(t, settings=BEATING):
    """The first partial as an analytic signal, written from the definition: each polarisation's phase is 2 pi times
    the integral of its momentary frequency, f (1 + r exp(-t / tau)), its amplitude share exp(-t / decay)."""
    since = t - settings["pluck_s"]
    rise = 2.0 ** (settings["glide_cents"] / 1200.0) - 1.0
    tau = settings["glide_tau_s"]
    total = 0.0
    for part, split, decay in (
        (1.0 - settings["polarisation_share"], 0.0, 1.0),
        (settings["polarisation_share"], settings["polarisation_split_cents"], settings["polarisation_decay"]),
    ):
        hz = settings["f1_hz"] * 2.0 ** (split / 1200.0)
        cycles = hz * (since + rise * tau * (1.0 - np.exp(-since / tau)))
        total = total + part * np.exp(-decay * since / settings["decay_s"] + 2j * math.pi * cycles)
    return total


def test_samples_are_the_sum_of_both_polarisations():
    samples, _ = synthetic_note(**BEATING, partials=1)
    t = np.arange(len(samples)) / RATE
    expected = np.where(t >= 0.1, both_polarisations(np.maximum(t, 0.1)).imag, 0.0)
    factor = float(samples @ expected / (expected @ expected))
    assert samples == pytest.approx(factor * expected, abs=1e-9)


@pytest.mark.parametrize("t_s", [0.11, 0.35, 0.8, 1.3, 1.9])
def test_heard_frequency_is_the_slope_of_the_heard_phase(t_s):
    _, truth = synthetic_note(**BEATING)
    step = 1e-6
    before, after = both_polarisations(np.array([t_s - step, t_s + step]))
    slope_hz = float(np.angle(after / before)) / (2.0 * math.pi * 2.0 * step)
    assert truth.heard_hz(t_s) == pytest.approx(slope_hz, abs=1e-5)


@pytest.mark.parametrize(("start", "end"), [(0.1, 0.3), (0.5, 1.3), (0.2, 2.0), (0.8, 0.80001)])
def test_heard_mean_is_the_integral_of_the_heard_frequency(start, end):
    _, truth = synthetic_note(**BEATING)
    area, _ = quad(truth.heard_hz, start, end, epsabs=1e-10, epsrel=1e-12, limit=400)
    assert truth.heard_mean_hz(start, end) == pytest.approx(area / (end - start), abs=1e-6)
    # Cycles counted on the signal itself, with the multiple of a turn that only the signal's own advance can give.
    t = np.linspace(start, end, 20_001)
    turned = np.unwrap(np.angle(both_polarisations(t)))
    assert truth.heard_mean_hz(start, end) * (end - start) == pytest.approx((turned[-1] - turned[0]) / (2.0 * math.pi))


def test_heard_frequency_of_a_single_polarisation_is_its_own():
    _, truth = synthetic_note(f1_hz=110.0, glide_cents=5.0, polarisation_share=0.3)
    assert truth.heard_hz(0.7) == pytest.approx(truth.momentary_hz(0.7), abs=1e-9)
    assert truth.heard_mean_hz(0.4, 1.2) == pytest.approx(truth.mean_hz(0.4, 1.2), abs=1e-9)
    with pytest.raises(ValueError, match="before the pluck"):
        truth.heard_hz(0.05)
    with pytest.raises(ValueError, match="no time"):
        truth.heard_mean_hz(1.0, 1.0)


def test_second_polarisation_dies_faster_by_its_factor():
    """Beats between amplitudes A and a swing by (A + a) / (A - a): from that, how the ratio has fallen."""
    # 12 cents at 440 Hz beat every 0.327 s.
    settings = {"f1_hz": 440.0, "partials": 1, "polarisation_split_cents": 12.0, "pluck_s": 0.0, "decay_s": 1.0}
    samples, truth = synthetic_note(
        **settings, polarisation_share=0.4, polarisation_decay=2.5, seconds=2.0, sample_rate_hz=RATE
    )
    assert truth.polarisation_rates == (1.0, 2.5)
    beat_s = 1.0 / (440.0 * (2.0 ** (12.0 / 1200.0) - 1.0))

    def swing(t):
        first = round(t * RATE)
        return np.std(samples[first - 218 : first + 218]) * math.exp(t)  # four periods, the common decay taken out

    for beat in (1, 3):
        loud, quiet = swing(beat * beat_s), swing((beat + 0.5) * beat_s)
        a_loud, a_quiet = (0.4 / 0.6 * math.exp(-1.5 * t * beat_s) for t in (beat, beat + 0.5))
        assert loud / quiet == pytest.approx((1.0 + a_loud) / (1.0 - a_quiet), rel=0.01)


def test_spread_polarisations_do_not_change_the_first_partial():
    """The ratio of two notes' partials is constant for the first, and changes with time for all others."""
    settings = {"f1_hz": 200.0, "partials": 4, "polarisation_split_cents": 6.0, "seconds": 2.0, "pluck_s": 0.0}
    even, truth = synthetic_note(**settings)
    spread, _ = synthetic_note(**settings, polarisation_spread=0.6)
    other, _ = synthetic_note(**settings, polarisation_spread=0.6, seed=1)

    def pieces(samples, hz):
        turns = np.exp(-2j * math.pi * hz * np.arange(len(samples)) / RATE)
        width = round(0.2 * RATE)
        cut = (samples * turns)[: 10 * width].reshape(10, width)
        return cut @ np.hanning(width)

    for one, two in ((even, spread), (spread, other)):
        for k, hz in enumerate(truth.partials_hz.tolist(), start=1):
            ratio = pieces(two, hz) / pieces(one, hz)
            changed = float(np.abs(ratio / ratio[0] - 1.0).max())
            assert changed < 1e-4 if k == 1 else changed > 0.01


def test_levels_of_tone_noise_and_hum():
    tone, _ = synthetic_note(f1_hz=110.0, level_dbfs=-23.0, pluck_s=0.5)
    first = round(0.5 * RATE)
    assert 20 * math.log10(np.std(tone[first : first + 4800])) == pytest.approx(-23.0, abs=0.05)
    noisy, _ = synthetic_note(f1_hz=110.0, noise_dbfs=-60.0, pluck_s=0.5)
    assert 20 * math.log10(np.std(noisy[:first])) == pytest.approx(-60.0, abs=0.2)
    hum, _ = synthetic_note(f1_hz=110.0, hum_hz=60.0, hum_dbfs=-50.0, pluck_s=0.5)
    assert 20 * math.log10(np.std(hum[:first])) == pytest.approx(-50.0, abs=0.1)
    spectrum = np.abs(np.fft.rfft(hum[:first]))
    assert np.argmax(spectrum) * 2.0 == 60.0
    assert not np.any(tone[:first])


def test_same_seed_same_bits():
    settings = {"f1_hz": 146.83, "noise_dbfs": -70.0, "attack_noise": 1.0, "stray_cents": 0.5, "seconds": 0.5}
    first, _ = synthetic_note(seed=5, **settings)
    again, _ = synthetic_note(seed=5, **settings)
    other, _ = synthetic_note(seed=6, **settings)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"f1_hz": 100.0, "f0_hz": 100.0},
        {"f1_hz": 23000.0},
        {"f1_hz": 100.0, "inharmonicity": -1e-4},
        {"f1_hz": 100.0, "pluck_s": 5.0},
        {"f1_hz": 100.0, "polarisation_share": 0.7},
    ],
)
def test_nonsense_is_refused(wrong):
    with pytest.raises(ValueError):
        synthetic_note(**wrong)
