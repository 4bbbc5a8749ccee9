"""The synthetic note: what is claimed of it holds in its samples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from phase_slope import phase_slope_hz

from oscservice.simulate.sound import synthetic_note

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


def test_strays_leave_the_first_partial_alone():
    _, straight = synthetic_note(f1_hz=196.0, seconds=0.5)
    _, stray = synthetic_note(f1_hz=196.0, seconds=0.5, stray_cents=1.0)
    offsets = 1200.0 * np.log2(stray.partials_hz / straight.partials_hz)
    assert offsets[0] == 0.0
    assert 0.5 < np.std(offsets[1:]) < 1.6


def test_glide_falls_from_the_stated_cents_to_the_settled_pitch():
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
