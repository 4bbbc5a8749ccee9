"""Mains hum: found in quiet, foretold later, and not made up."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chance_bounds import fewest, sd_bounds

from oscservice.hearing.hum import SHORTEST_S, Hum, hum_in_peaks, measure_hum
from oscservice.hearing.note_buffer import NoteBuffer
from oscservice.hearing.resampling import Samples

RATE_HZ = 16000.0
LINES = {1: 1.0, 2: 0.5, 3: 0.6, 5: 0.3, 7: 0.2}


def hum(mains_hz: float, seconds: float, lines: dict[int, float] = LINES, seed: int = 0) -> Samples:
    """Hum of known lines, phases drawn, from sample 0 on."""
    draw = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    parts = [a * np.cos(2.0 * np.pi * n * mains_hz * time + draw.uniform(0.0, 6.28)) for n, a in lines.items()]
    return np.asarray(1e-3 * np.sum(parts, axis=0))


def noise(count: int, seed: int, level: float = 1e-4) -> Samples:
    """White noise."""
    return np.asarray(level * np.random.default_rng((seed, 1)).standard_normal(count))


def power(samples: Samples) -> float:
    """Mean square."""
    return float(np.mean(samples**2))


@pytest.mark.parametrize("mains_hz", [49.9, 50.05, 60.0, 60.08])
@pytest.mark.parametrize("seconds", [0.3, 1.0])
def test_lines_and_frequency_are_found(mains_hz, seconds):
    quiet = hum(mains_hz, seconds)
    found = measure_hum(quiet + noise(len(quiet), 1), RATE_HZ)
    assert found is not None
    assert found.multiples == tuple(LINES)
    assert found.lines_hz == pytest.approx([n * found.mains_hz for n in LINES])
    assert abs(found.mains_hz - mains_hz) < 4.0 * found.mains_se_hz < 0.1
    assert np.abs(found.amplitudes) == pytest.approx([1e-3 * a for a in LINES.values()], abs=3e-5)


def test_frequency_errors_are_those_of_the_bound():
    """One frequency shared by lines of amplitude a_n at its multiples n: the bound on a single tone (Rife & Boorstyn,
    IEEE Trans. Inf. Theory 20 (1974) 591), var(omega) = 24 sigma^2 / (b^2 T^2 N (N^2 - 1)), with the sum of n^2 a_n^2
    in the place of b^2."""
    count, sd = round(0.5 * RATE_HZ), 3e-4
    weight = sum((n * 1e-3 * a) ** 2 for n, a in LINES.items())
    bound_hz = RATE_HZ * math.sqrt(24.0 * sd**2 / weight / count / (count**2 - 1.0)) / (2.0 * math.pi)
    errors, ses = [], []
    for seed in range(60):
        mains_hz = 50.0 + float(np.random.default_rng(seed).uniform(-0.1, 0.1))
        found = measure_hum(hum(mains_hz, 0.5, seed=seed) + noise(count, seed, sd), RATE_HZ)
        assert found is not None
        errors.append(found.mains_hz - mains_hz)
        ses.append(found.mains_se_hz)
    low, high = sd_bounds(1.0, 1.0, len(errors))
    assert low < float(np.std(errors)) / bound_hz < high
    assert np.mean(ses) == pytest.approx(bound_hz, rel=0.05)


def test_predicted_hum_is_twenty_decibels_down_a_second_later():
    """Measured in a second of quiet with noise 20 dB under the hum; taken out of the second after the next one."""
    left = []
    for seed in range(25):
        stream = hum(49.97, 3.0, seed=seed)
        quiet = stream[: round(RATE_HZ)]
        found = measure_hum(quiet + noise(len(quiet), seed), RATE_HZ)
        assert found is not None
        start = round(2.0 * RATE_HZ)
        rest = stream[start:] - found.signal(start, len(stream) - start)
        left.append(power(rest) / power(stream[start:]))
    assert max(left) < 10.0 ** (-20.0 / 10.0)


def test_removing_poorly_known_hum_adds_none_on_average():
    """A quarter of a second of quiet in noise as loud as the hum says little of its phase three seconds later."""
    left, there = [], []
    for seed in range(30):
        stream = hum(50.03, 4.0, seed=seed)
        count = round(SHORTEST_S * RATE_HZ)
        found = measure_hum(stream[:count] + noise(count, seed, 1e-3), RATE_HZ)
        if found is None:
            continue
        start = round(3.0 * RATE_HZ)
        there.append(power(stream[start:]))
        left.append(power(stream[start:] - found.signal(start, len(stream) - start)))
    assert len(left) > 20
    assert np.mean(left) < np.mean(there)


def test_noise_and_silence_have_no_hum():
    assert measure_hum(np.zeros(8000), RATE_HZ) is None
    nothing = sum(measure_hum(noise(n, seed), RATE_HZ) is None for n in (4000, 16000) for seed in range(50))
    assert nothing >= fewest(0.98, 100)


def ringing(f1_hz: float, seconds: float) -> Samples:
    """Four partials of a string that rings on, in noise 40 dB below."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    parts = [np.sin(2.0 * np.pi * k * f1_hz * np.sqrt(1.0 + 1e-4 * k * k) * time) / k for k in range(1, 5)]
    return np.asarray(1e-3 * np.exp(-time) * np.sum(parts, axis=0)) + noise(len(time), 3, 1e-5)


@pytest.mark.parametrize("f1_hz", [41.2, 46.25, 55.0, 61.74, 98.0])
@pytest.mark.parametrize("seconds", [SHORTEST_S, 1.0])
def test_a_string_that_rings_on_is_not_hum(f1_hz, seconds):
    """Nor is one two per cent from a multiple of the mains, as G2 (98 Hz) is."""
    assert measure_hum(ringing(f1_hz, seconds), RATE_HZ) is None


def test_only_a_partial_on_a_multiple_is_taken_for_hum():
    """The third partial of A#2 is 349.8 Hz."""
    found = measure_hum(ringing(116.54, 1.0), RATE_HZ)
    assert found is None or found.multiples == (7,)


def test_too_little_quiet_says_nothing_and_only_the_last_second_counts():
    stream = hum(60.02, 3.0)
    assert measure_hum(stream[: round(SHORTEST_S * RATE_HZ) - 1], RATE_HZ) is None
    assert measure_hum(stream, RATE_HZ, 0) == measure_hum(stream[-round(RATE_HZ) :], RATE_HZ, round(2.0 * RATE_HZ))


def test_numbers_of_samples_are_those_of_the_stream():
    stream = hum(50.0, 1.0)
    first = 123_457
    found = measure_hum(stream, RATE_HZ, first)
    assert found is not None
    assert found.signal(first, len(stream)) == pytest.approx(stream, abs=2e-6)
    whole = found.signal(first, 900)
    assert found.signal(first + 400, 500) == pytest.approx(whole[400:], abs=1e-12)


def test_hum_fades_as_its_phase_is_forgotten():
    """A phase with a normal error of s radians has the mean exp(-s^2 / 2): so much of a line is foretold."""
    known = Hum(50.0, 0.02, (1, 3), (1e-3 + 0j, 1e-3 + 0j), RATE_HZ, 0.0)
    at = round(5.0 * RATE_HZ)
    heard = known.signal(at, round(0.4 * RATE_HZ))  # whole periods of both lines
    for n, hz in ((1, 50.0), (3, 150.0)):
        turn = np.exp(-2j * np.pi * hz / RATE_HZ * (at + np.arange(len(heard))))
        away = 2.0 * math.pi * 0.02 * n * 5.2
        assert abs(2.0 * np.mean(heard * turn)) == pytest.approx(1e-3 * math.exp(-0.5 * away**2), rel=0.1)


def test_a_note_has_the_same_bits_without_its_hum_hop_by_hop_and_at_once():
    hop, hops, first_hop = 128, 50, 977
    found = measure_hum(hum(50.02, 0.8) + noise(12800, 4), RATE_HZ)
    assert found is not None
    note = NoteBuffer(
        first_hop=first_hop,
        begun_hop=first_hop,
        hop=hop,
        rate_hz=RATE_HZ,
        smooth=6,
        capacity=hops * hop,
        quiet_power=0.0,
        hum=found,
        tracker=None,
    )
    signal = noise(hops * hop, 5, 0.1)
    for part in signal.reshape(hops, hop):
        note.append(part)
    at_once = signal - found.signal(first_hop * hop, hops * hop)
    assert note.since_begin().tobytes() == at_once.tobytes()
    assert not np.array_equal(at_once, signal)


def test_hum_among_partials():
    """Peaks of a spectrum with a note on 82.4 Hz in it; peaks at its partials say nothing of hum."""
    partials = 82.4 * np.arange(1.0, 10.0)
    peaks = np.array([49.96, 82.4, 149.9, 164.8, 247.2])
    found = hum_in_peaks(peaks, np.array([0.01, 1.0, 0.02, 0.5, 0.3]), partials, 1.0)
    assert found is not None
    assert found[0] == pytest.approx(149.9 / 3.0, abs=0.01)
    assert found[1] == 0.02
    assert hum_in_peaks(peaks[[1, 3, 4]], np.array([1.0, 0.5, 0.3]), partials, 1.0) is None
    # A string on a multiple of the mains: what is there is the string.
    assert hum_in_peaks(np.array([100.0, 200.0]), np.array([1.0, 0.5]), 100.0 * np.arange(1.0, 5.0), 1.0) is None
