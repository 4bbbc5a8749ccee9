"""The settled first partial: without the glide, polarisations separated, larger errors for short notes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from chance_bounds import fewest
from made_sound import synthetic_note

from oscservice.hearing.baseband import Baseband, demodulate
from oscservice.hearing.phase_model import GlidePhase
from oscservice.hearing.resampling import Samples
from oscservice.hearing.settled_pitch import FirstPartial, settled_first_partial
from oscservice.instrument.pitch import cents_between

RATE_HZ = 16000.0
F1_HZ = 196.0
NOISE_DBFS = -75.0
NOISE_POWER = 10.0 ** (NOISE_DBFS / 10.0)


def first_of(samples: Samples, start_s: float = 0.3, end_s: float = 3.0) -> Baseband:
    """Baseband of the first partial over a stretch, times from the pluck at 0."""
    band = demodulate(samples, RATE_HZ, F1_HZ, F1_HZ, 2)
    inside = (band.times_s >= start_s) & (band.times_s < end_s)
    return replace(band, times_s=band.times_s[inside], values=band.values[inside])


def settled_of(band: Baseband, glide_cents: float = 4.0, decay_s: float = 1.5, sd_cents: float = 4.0) -> FirstPartial:
    """The fit, the glide known to ``sd_cents`` and its time constant to 30 %."""
    glide = GlidePhase(
        band.times_s,
        band.carrier_hz,
        np.array([glide_cents, math.log(decay_s)]),
        np.diag([sd_cents**-2, 0.3**-2]),
    )
    return settled_first_partial(band, glide, decay_s, NOISE_POWER)


def plucked(seed: int = 0, **more: float) -> Samples:
    """A string on ``F1_HZ`` that glides by 6 cents, plucked at 0."""
    parameters = {"glide_cents": 6.0, "glide_tau_s": 0.75, "decay_s": 1.5, "noise_dbfs": NOISE_DBFS, **more}
    samples, _ = synthetic_note(f1_hz=F1_HZ, seconds=3.1, pluck_s=0.0, sample_rate_hz=RATE_HZ, seed=seed, **parameters)
    return samples


def test_a_glide_is_followed_to_its_end():
    """The glide starts 6 cents up and falls with the power, tau = 0.75 s being half of the decay of 1.5 s."""
    for seed in range(5):
        found = settled_of(first_of(plucked(seed)))
        assert abs(cents_between(found.hz, F1_HZ)) < 3.0 * found.se_cents < 0.3
        assert found.beat_cents == 0.0
        assert found.confidence == 1.0


@pytest.mark.parametrize("split_cents", [-1.5, 1.2, 3.0])
def test_two_polarisations_are_resolved(split_cents):
    """The second beats with the first 0.4 to 1 times in the stretch; unresolved it would pull by tenths of a cent."""
    inside = 0
    for seed in range(12):
        share = {"polarisation_split_cents": split_cents, "polarisation_share": 0.3, "polarisation_decay": 1.2}
        found = settled_of(first_of(plucked(seed, **share)))
        error = cents_between(found.hz, F1_HZ)
        assert abs(error) < 0.2
        assert found.beat_cents == pytest.approx(split_cents, abs=0.4)
        inside += abs(error) < 2.0 * found.se_cents
    assert inside >= fewest(0.95, 12)


def test_the_stronger_polarisation_is_the_answer_on_either_side():
    for share in (0.1, 0.25, 0.4):
        for split_cents in (-2.5, 2.5):
            samples = plucked(1, polarisation_split_cents=split_cents, polarisation_share=share)
            found = settled_of(first_of(samples))
            assert abs(cents_between(found.hz, F1_HZ)) < 0.2


@pytest.mark.parametrize("split_cents", [-2.5, 2.5])
def test_the_stronger_one_at_the_pluck_counts_though_the_other_outlives_it(split_cents):
    """The second polarisation dies three times as slowly and carries the end of the note."""
    for seed in range(4):
        more = {"polarisation_split_cents": split_cents, "polarisation_share": 0.4, "polarisation_decay": 1.0 / 3.0}
        found = settled_of(first_of(plucked(seed, **more)))
        assert abs(cents_between(found.hz, F1_HZ)) < 4.0 * found.se_cents < 1.0


def test_the_shorter_the_note_the_wider_its_doubt():
    doubts, inside = [], 0
    for end_s in (3.0, 1.5, 0.9, 0.6):
        ses = []
        for seed in range(6):
            found = settled_of(first_of(plucked(seed), end_s=end_s))
            ses.append(found.se_cents)
            inside += abs(cents_between(found.hz, F1_HZ)) < 2.0 * found.se_cents
        doubts.append(float(np.median(ses)))
    assert doubts == sorted(doubts)
    assert doubts[-1] > 10.0 * doubts[0]
    assert inside >= fewest(0.95, 24)


def test_a_wandering_pitch_has_no_confidence():
    """A finger that moves: the pitch wanders by a cent or so, at random."""
    band = first_of(plucked(2))
    draw = np.random.default_rng(4)
    wander = np.cumsum(np.cumsum(draw.standard_normal(len(band.values)))) * 2e-3
    moved = replace(band, values=band.values * np.exp(1j * wander))
    assert settled_of(moved).confidence < 0.2
    assert settled_of(band).confidence == 1.0


@pytest.mark.parametrize("seed", [0, 1])
def test_noise_has_finite_numbers_and_large_errors(seed):
    noise = 1e-3 * np.random.default_rng(seed).standard_normal(round(1.5 * RATE_HZ))
    found = settled_of(first_of(noise, end_s=1.5))
    assert math.isfinite(found.hz)
    assert found.se_cents > 0.3


@pytest.mark.parametrize("values", [np.ones(60), np.resize([1.0, -1.0], 60)], ids=["constant", "turning"])
def test_degenerate_basebands_give_finite_numbers(values):
    band = first_of(plucked())
    found = settled_of(replace(band, times_s=band.times_s[:60], values=values.astype(np.complex128)))
    assert math.isfinite(found.hz)
    assert math.isfinite(found.se_cents)
