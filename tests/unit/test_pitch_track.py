"""The fall of a note is found as it was made."""

from __future__ import annotations

import numpy as np
import pytest

from oscservice.hearing.pitch_track import WINDOW_PERIODS, WINDOW_S, pitch_track

RATE_HZ = 48000.0
ONSET_S = 0.3


def note(f1_hz: float, fall_cents: float, tau_s: float, length_s: float = 3.0, noise: float = 1e-4) -> np.ndarray:
    """A note of eight partials, each fading faster than the one below, that falls exponentially to its rest."""
    times = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    factor = 2.0 ** (fall_cents * np.exp(-times / tau_s) / 1200.0)
    turns = np.cumsum(factor) / RATE_HZ * f1_hz
    sound = sum(np.exp(-times * 0.6 * k) / k * np.sin(2.0 * np.pi * k * turns + k) for k in range(1, 9))
    quiet = np.zeros(round(ONSET_S * RATE_HZ))
    signal = np.concatenate((quiet, 0.2 * sound))
    return signal + np.random.default_rng(1).normal(0.0, noise, len(signal))


def mean_fall(fall_cents: float, tau_s: float, begin_s: float, length_s: float) -> float:
    """The mean of the exponential over a stretch."""
    return fall_cents * tau_s / length_s * (np.exp(-begin_s / tau_s) - np.exp(-(begin_s + length_s) / tau_s))


@pytest.mark.parametrize("f1_hz", [61.7, 82.4, 196.0, 329.6, 659.3])
@pytest.mark.parametrize(("fall_cents", "tau_s"), [(12.0, 0.5), (4.0, 1.2), (0.0, 1.0)])
def test_the_fall_is_found_as_it_was_made(f1_hz, fall_cents, tau_s):
    found = pitch_track(note(f1_hz, fall_cents, tau_s), RATE_HZ, ONSET_S, f1_hz)
    length_s = max(WINDOW_S, WINDOW_PERIODS / f1_hz)
    assert len(found) >= 8
    assert found[0].at_s < 0.2
    assert found[-1].at_s > 1.5
    for moment in found:
        wanted = mean_fall(fall_cents, tau_s, moment.at_s - length_s / 2.0, length_s)
        assert moment.cents == pytest.approx(wanted, abs=0.25 + 4.0 * moment.se_cents)
    assert [one.at_s for one in found] == sorted(one.at_s for one in found)


@pytest.mark.parametrize(("f1_hz", "hum_hz"), [(82.4, 50.0), (82.4, 100.0), (110.0, 100.0), (61.7, 60.0)])
def test_hum_beside_a_low_string_moves_it_little(f1_hz, hum_hz):
    """A hum of a hundredth of the note's amplitude, 18 to 1.7 Hz away: 60 Hz can't be separated from a low B's 61.7."""
    signal = note(f1_hz, 6.0, 0.8)
    hummed = signal + 0.002 * np.sin(2.0 * np.pi * hum_hz / RATE_HZ * np.arange(len(signal)))
    clean = {one.at_s: one.cents for one in pitch_track(signal, RATE_HZ, ONSET_S, f1_hz)}
    off = [abs(one.cents - clean[one.at_s]) for one in pitch_track(hummed, RATE_HZ, ONSET_S, f1_hz) if one.at_s < 1.0]
    assert len(off) >= 5
    assert max(off) < 1.0


def test_short_or_silent_notes_have_no_pitch_track():
    assert pitch_track(np.zeros(96000), RATE_HZ, ONSET_S, 110.0) == ()
    assert pitch_track(note(110.0, 5.0, 0.5)[: round((ONSET_S + 0.05) * RATE_HZ)], RATE_HZ, ONSET_S, 110.0) == ()
    assert pitch_track(np.zeros(0), RATE_HZ, 0.0, 110.0) == ()


def test_noise_has_no_pitch_track():
    noise = np.random.default_rng(2).normal(0.0, 0.1, 96000)
    assert len(pitch_track(noise, RATE_HZ, 0.0, 110.0)) <= 2
