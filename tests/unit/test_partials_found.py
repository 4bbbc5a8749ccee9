"""Free partials distinguished from sums of lower ones, from strays and from noise, and the B that follows from them.

Notes are built here from sines, so that what is free and what is a sum is known. That hard plucked strings sound sums
of their partials is from Conklin, J. Acoust. Soc. Am. 105 (1999) 536, cited from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from chance_bounds import fewest

from oscservice import read_note
from oscservice.hearing.baseband import demodulate
from oscservice.hearing.partial_selection import spectral_lines
from oscservice.hearing.settled_pitch import SettledPartials
from oscservice.instrument.pitch import CENTS_PER_E, cents_between

RATE_HZ = 16000.0
PLUCK_S = 0.3
COUNT = 12


def free_hz(f0_hz: float, inharmonicity: float) -> np.ndarray:
    """H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203: f_k = k f0 sqrt(1 + B k^2)."""
    k = np.arange(1, COUNT + 1)
    return np.asarray(k * f0_hz * np.sqrt(1.0 + inharmonicity * k * k))


def note(
    f0_hz: float,
    inharmonicity: float,
    seed: int,
    sums_db: float | None = None,
    only_sums: tuple[int, ...] = (),
    missing: tuple[int, ...] = (),
    off_cents: dict[int, float] | None = None,
    glide_cents: float = 3.0,
) -> np.ndarray:
    """Three seconds of a gliding, decaying string.

    From the fourth partial on, each has three sums beside it: a multiple of the second partial's half, the second and
    k - 2, and its two halves; from the eighth on ``sums_db`` louder than the free one, less below. Partials
    ``only_sums`` have no free one, ``missing`` ones have nothing; ``off_cents`` puts single ones off the law.
    """
    draw = np.random.default_rng(seed)
    time = np.arange(round(3.0 * RATE_HZ)) / RATE_HZ
    hz = free_hz(f0_hz, inharmonicity)
    hz *= 2.0 ** (0.2 * draw.standard_normal(COUNT) / 1200.0)
    for number, cents in (off_cents or {}).items():
        hz[number - 1] *= 2.0 ** (cents / 1200.0)
    tau = 1.2 / (1.0 + 0.15 * np.arange(1, COUNT + 1))
    loud = 0.1 * np.arange(1.0, COUNT + 1) ** -1.3 * 10.0 ** (draw.uniform(-4.0, 4.0, COUNT) / 20.0)
    turns = time + glide_cents / CENTS_PER_E * 0.6 * (1.0 - np.exp(-time / 0.6))
    sound = np.zeros(len(time))

    def tone(amplitude: float, tau_s: float, hertz: float) -> np.ndarray:
        return np.asarray(
            amplitude * np.exp(-time / tau_s) * np.cos(2.0 * np.pi * (hertz * turns + draw.uniform(0.0, 1.0)))
        )

    for k in range(1, COUNT + 1):
        if k in missing:
            continue
        if k not in only_sums:
            sound += tone(loud[k - 1], tau[k - 1], hz[k - 1])
        if sums_db is not None and k >= 4:
            gain = loud[k - 1] * 10.0 ** (sums_db * (min(k, 8) - 3) / 5.0 / 20.0)
            sound += tone(gain, tau[k - 1], k * hz[1] / 2.0)
            for m in {2, k // 2}:
                both = 1.0 / (0.6 / tau[m - 1] + 0.6 / tau[k - m - 1])
                sound += tone(gain * 10.0 ** (draw.uniform(-6.0, 0.0) / 20.0), both, hz[m - 1] + hz[k - m - 1])
    quiet = np.zeros(round(PLUCK_S * RATE_HZ))
    return np.concatenate((quiet, sound)) + 1e-5 * draw.standard_normal(len(quiet) + len(sound))


STRINGS = [(98.0, 5e-4), (131.0, 3.5e-4), (155.6, 2.6e-4), (220.0, 2.2e-4), (294.0, 3e-4), (392.0, 2.5e-4)]


@pytest.mark.slow
@pytest.mark.parametrize("sums_db", [None, -6.0, 6.0, 12.0])
@pytest.mark.parametrize(("f0_hz", "inharmonicity"), STRINGS)
def test_b_does_not_depend_on_the_level_of_sum_tones(f0_hz, inharmonicity, sums_db):
    reading = read_note(note(f0_hz, inharmonicity, round(f0_hz), sums_db), RATE_HZ)
    assert reading.inharmonicity == pytest.approx(inharmonicity, rel=0.06)
    assert abs(reading.inharmonicity - inharmonicity) < 3.0 * reading.inharmonicity_se
    assert abs(cents_between(reading.string_hz, free_hz(f0_hz, inharmonicity)[0])) < 0.6


@pytest.mark.parametrize("f0_hz", [82.4, 196.0, 440.0])
def test_a_string_without_stiffness_is_read_so(f0_hz):
    reading = read_note(note(f0_hz, 0.0, 5), RATE_HZ)
    assert reading.inharmonicity < 6e-6
    assert reading.inharmonicity < 2.0 * reading.inharmonicity_se
    assert abs(cents_between(reading.string_hz, f0_hz)) < 0.4


@pytest.mark.slow
def test_a_nearly_harmonic_string_is_read_within_its_error():
    true = 1.3e-5
    readings = [read_note(note(155.6, true, seed), RATE_HZ) for seed in range(24)]
    within = [abs(r.inharmonicity - true) < 2.0 * r.inharmonicity_se for r in readings]
    assert sum(within) >= fewest(0.95, len(within))
    assert max(r.inharmonicity_se for r in readings) < 1e-5


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_partial_of_which_only_sums_sound_is_left_out(seed):
    reading = read_note(note(155.6, 2.6e-4, seed, sums_db=0.0, only_sums=(7, 9)), RATE_HZ)
    assert reading.inharmonicity == pytest.approx(2.6e-4, rel=0.06)
    assert not {7, 9} & set(reading.partials)
    assert {2, 3, 8, 10} <= set(reading.partials)


def test_missing_partials_cost_nothing_but_themselves():
    reading = read_note(note(155.6, 2.6e-4, 4, missing=(3, 5, 8)), RATE_HZ)
    assert reading.inharmonicity == pytest.approx(2.6e-4, rel=0.06)
    assert set(reading.partials) == {1, 2, 4, 6, 7, 9, 10}


@pytest.mark.parametrize("cents", [-8.0, 8.0])
def test_a_straying_partial_does_not_change_the_stiffness(cents):
    reading = read_note(note(155.6, 2.6e-4, 6, off_cents={8: cents}), RATE_HZ)
    assert reading.inharmonicity == pytest.approx(2.6e-4, rel=0.06)
    assert abs(reading.inharmonicity - 2.6e-4) < 2.0 * reading.inharmonicity_se


def test_sums_too_near_to_be_separated_widen_the_standard_error():
    plain = read_note(note(110.0, 4e-5, 7), RATE_HZ)
    mixed = read_note(note(110.0, 4e-5, 7, sums_db=0.0), RATE_HZ)
    assert mixed.inharmonicity_se > 1.5 * plain.inharmonicity_se
    assert abs(plain.inharmonicity - 4e-5) < 2.0 * plain.inharmonicity_se


def test_lines_are_found_at_their_settled_frequencies():
    glide_cents, tau_s, number, base_hz = 12.0, 1.2, 8, 155.0
    time = np.arange(round(3.0 * RATE_HZ)) / RATE_HZ
    turns = time + glide_cents / CENTS_PER_E * tau_s / 2.0 * (1.0 - np.exp(-2.0 * time / tau_s))
    hz = number * base_hz * np.exp(np.array([2.0, 16.0]) / CENTS_PER_E)
    sound = sum(a * np.exp(-time / 1.5) * np.cos(2.0 * np.pi * f * turns) for a, f in zip((0.1, 0.04), hz, strict=True))
    band = demodulate(np.asarray(sound), RATE_HZ, number * base_hz, base_hz)
    settled = SettledPartials(hz, np.ones(2), glide_cents, tau_s, 1.5, np.eye(2))
    lines = spectral_lines(band, number, base_hz, 0.1, settled)
    assert [line.cents for line in lines[:2]] == pytest.approx([2.0, 16.0], abs=0.1)
    assert lines[1].amplitude / lines[0].amplitude == pytest.approx(0.4, rel=0.1)
    without = spectral_lines(band, number, base_hz, 0.1, SettledPartials(hz, np.ones(2), 0.0, tau_s, 1.5, np.eye(2)))
    assert without[0].cents > 2.3
