"""The benchmark on recorded notes runs, and measures what was put into notes made here."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

import oscservice

pytestmark = pytest.mark.slow

BENCH = Path(__file__).parents[1] / "bench"
RATE_HZ = 24000


def plucked(hz: float, sharp_cents: float, loudness: float) -> np.ndarray:
    """A decaying tone of six partials after a tenth of a second of silence, 2.2 s."""
    t = np.arange(round(2.1 * RATE_HZ)) / RATE_HZ
    k = np.arange(1, 7)[:, None]
    f = k * hz * 2.0 ** (sharp_cents / 1200.0) * np.sqrt(1.0 + 1e-4 * k**2)
    tone = (np.exp(-t * (1.0 + 0.3 * k)) / k * np.sin(2.0 * np.pi * f * t + k)).sum(axis=0)
    hiss = np.random.default_rng(round(1000.0 * loudness + 7.0 * sharp_cents)).standard_normal(len(t) + RATE_HZ // 10)
    return np.concatenate((np.zeros(RATE_HZ // 10), loudness * tone)) + 1e-5 * hiss


@pytest.fixture
def folder(tmp_path) -> Path:
    """Two notes at four dynamics, twice: A3 sharpens with dynamic, C4 does not; the second takes are 1 cent sharp."""
    for note, hz, steps in (("a3", 220.0, (0.0, 1.0, 2.0, 4.0)), ("c4", 261.6256, (0.0, 0.0, 0.0, 0.0))):
        for dynamic, step, loudness in zip(("p", "mp", "mf", "f"), steps, (0.05, 0.1, 0.15, 0.3), strict=True):
            for take in (1, 2):
                sound = plucked(hz, step + take - 1.0, loudness)
                soundfile.write(tmp_path / f"{note}_{dynamic}_{take}.flac", sound, RATE_HZ, subtype="PCM_24")
    return tmp_path


def run(*options: str, recordings: str) -> str:
    """Return the output of the benchmark."""
    paths = os.pathsep.join(p for p in (str(Path(oscservice.__file__).parents[1]), os.environ.get("PYTHONPATH")) if p)
    result = subprocess.run(
        [sys.executable, str(BENCH / "real"), "--parts", "dynamics", *options],
        env={**os.environ, "OSCSERVICE_RECORDINGS": recordings, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    return result.stdout


def test_spreads_and_takes_come_out_as_made(folder):
    out = run("--each", recordings=str(folder))
    rows = {cells[0]: cells for line in out.splitlines() if (cells := line.split())}
    assert "16 recordings" in out
    plain, settled, level = (float(v) for v in rows["a3"][1:4])
    assert plain == pytest.approx(4.0, abs=0.1)
    assert settled == pytest.approx(4.0, abs=0.3)
    assert level < 0.6 * settled  # learnt from the other take: sharpening that follows strength goes
    assert float(rows["c4"][1]) == pytest.approx(0.0, abs=0.1)
    # Both second takes were made 1 cent sharp.
    assert float(rows["plain"][1]) == pytest.approx(1.0, abs=0.05)
    assert float(rows["settled"][1]) == pytest.approx(1.0, abs=0.2)
    off_the_law = 1200.0 * np.log2(np.sqrt(1.0 + 1e-4))  # the first partial is above f0
    assert float(rows["c4_p_1"][1]) == pytest.approx(off_the_law, abs=0.1)


def test_summary_is_one_line(folder):
    assert run("--summary", recordings=str(folder)).startswith("spread (median/worst): plain ")


def test_missing_recordings_are_reported(tmp_path):
    assert "Dynamics left out: OSCSERVICE_RECORDINGS names no folder" in run(recordings=str(tmp_path / "none"))
