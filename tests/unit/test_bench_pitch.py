"""The pitch benchmark: its bounds agree with the literature's closed form, and it runs."""

from __future__ import annotations

import importlib
import math
import os
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from conftest import miss

BENCH = Path(__file__).parents[1] / "bench" / "pitch"
RATE_HZ = 48000.0


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch):
    """Imports one of the benchmark's files, which are scripts and no package."""
    monkeypatch.syspath_prepend(str(BENCH))
    before = set(sys.modules)

    def load(name: str) -> ModuleType:
        return importlib.import_module(name)

    yield load
    for name in set(sys.modules) - before:
        if str(getattr(sys.modules[name], "__file__", "") or "").startswith(str(BENCH)):
            del sys.modules[name]


def steady(bench, f0_hz: float, amplitude: float, phase: float):
    """One steady partial."""
    return bench("bounds").Tone(f0_hz, 0.0, np.array([amplitude]), np.array([phase]), np.array([0.0]))


@pytest.mark.parametrize(("hz", "seconds", "snr_db"), [(329.63, 1.0, 30.0), (329.63, 0.25, 50.0), (82.41, 1.0, 30.0)])
def test_fisher_information_meets_rife_and_boorstyn(bench, hz, seconds, snr_db):
    # Rife & Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591: the closed form for one tone, amplitude and phase unknown.
    count = round(seconds * RATE_HZ)
    noise_power = 0.3**2 / 2.0 * 10.0 ** (-snr_db / 10.0)
    closed = bench("bounds").single_tone_sd_hz(10.0 ** (snr_db / 10.0), count, RATE_HZ)
    numeric = [
        steady(bench, hz, 0.3, phase).first_alone_sd_hz(count, RATE_HZ, noise_power)
        for phase in np.arange(0.0, 6.0, 0.7)
    ]
    # Over a few dozen periods a real tone's bound swings a little with its phase, around the closed form.
    assert math.sqrt(float(np.mean(np.square(numeric)))) == pytest.approx(closed, rel=0.01)
    assert numeric == pytest.approx([closed] * len(numeric), rel=3.0 / (hz * seconds))


def test_closed_form_by_hand(bench):
    # Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), example 3.14 (from memory):
    # var(f) >= 12 / ((2 pi)^2 eta N (N^2 - 1)) in cycles a sample, eta = A^2 / (2 sigma^2). One second at 48 kHz and
    # 30 dB, by hand: sqrt(12 / 1000 / 48000) / (2 pi) = 7.9577e-5 Hz.
    assert bench("bounds").single_tone_sd_hz(1000.0, 48000, RATE_HZ) == pytest.approx(7.9577e-5, rel=1e-4)


def test_best_unbiased_estimator_reaches_the_bound(bench):
    # Maximum likelihood on one tone is the peak of its periodogram (Rife & Boorstyn), which reaches the bound here.
    draw = np.random.default_rng(5)
    count, rate_hz, snr = 2048, 8000.0, 100.0
    t = np.arange(count) / rate_hz
    errors = []
    for _ in range(150):
        hz = float(draw.uniform(900.0, 1100.0))
        heard = np.cos(2.0 * math.pi * hz * t + draw.uniform(0.0, 6.28)) + math.sqrt(0.5 / snr) * draw.standard_normal(
            count
        )
        near = hz + np.linspace(-0.25, 0.25, 41)
        power = np.abs(np.exp(-2j * math.pi * np.outer(near, t)) @ heard) ** 2
        a, b, _ = np.polyfit(near - hz, power, 2)
        errors.append(-b / (2.0 * a))
    rms = math.sqrt(float(np.mean(np.square(errors))))
    assert rms == pytest.approx(bench("bounds").single_tone_sd_hz(snr, count, rate_hz), rel=0.2)


def test_all_partials_know_more_than_the_first(bench):
    tone = bench("bounds").string_tone(82.41, RATE_HZ, np.random.default_rng(1))
    first = tone.first_alone_sd_hz(12000, RATE_HZ, 1e-6)
    every = tone.all_partials_sd_hz(12000, RATE_HZ, 1e-6)
    assert 0.0 < every < first
    # The noise enters by its square root.
    assert tone.all_partials_sd_hz(12000, RATE_HZ, 1e-4) == pytest.approx(10.0 * every)


def test_derivatives_of_the_model(bench):
    # With one partial and no stiffness to know of, both bounds are one: two ways to the same number.
    tone = steady(bench, 329.63, 0.3, 1.0)
    t = np.arange(4800) / RATE_HZ
    shifted = steady(bench, 329.63 + 1e-5, 0.3, 1.0)
    slope = (shifted.samples(4800, RATE_HZ) - tone.samples(4800, RATE_HZ)) / 1e-5
    assert slope == pytest.approx(-2.0 * math.pi * t * 0.3 * np.sin(2.0 * math.pi * 329.63 * t + 1.0), abs=1e-4)


def test_ours_runs_on_both_sets(bench):
    notes, accuracy = bench("notes"), bench("accuracy")
    for made in (notes.full_set(2), notes.steady_set(2)):
        told, untold, whole, *peers = accuracy.measure(made, [])
        assert not peers
        assert told.refused == untold.refused == whole.refused == 0
        assert max(abs(cents) for cents in told.window_cents) < 1.0


def test_the_command_prints_every_part(bench, capsys):
    main = importlib.util.spec_from_file_location("pitch_bench_main", BENCH / "__main__.py")
    assert main is not None
    assert main.loader is not None
    module = importlib.util.module_from_spec(main)
    main.loader.exec_module(module)
    assert module.main(["--quick", "--ours", "--markdown", "--notes", "1", "--parts", "accuracy,calibration"]) == 0
    printed = capsys.readouterr().out
    assert "| ours, window_pitch" in printed
    assert "### Errors divided by their standard errors" in printed


@pytest.mark.parametrize(
    "name", ["interpolated FFT", "aubio mcomb", "Praat, band-pass", "WORLD Harvest", "librosa reassigned"]
)
@pytest.mark.filterwarnings("ignore")  # warnings of the peers are their own
def test_peers_find_the_note(bench, name):
    peers = bench("peers")
    peer = next(p for p in peers.all_peers() if p.name == name)
    if not peer.installed:
        # The README's test command doesn't install all of them; CI does so after it, and says that they must be there.
        (miss if os.environ.get("OSCSERVICE_PEERS") else pytest.skip)(f"needs {peer.module}: {peers.INSTALL}")
    note = next(bench("notes").steady_set(1))
    found_hz = peer.estimate(note.window, note.rate_hz, note.nominal_hz)
    assert found_hz is not None
    assert abs(1200.0 * math.log2(found_hz / note.window_hz)) < 20.0
