"""Pitch and thread standards."""

from __future__ import annotations

import pytest

from oscservice.instrument.pitch import note_hz, note_number
from oscservice.instrument.thread import THREADS_MM


def test_standard_tuning_frequency() -> None:
    """ISO 16:1975: A4 = 440 Hz."""
    assert note_hz(note_number("A4")) == 440.0


@pytest.mark.parametrize(("name", "mm"), [("M2", 0.40), ("M2.5", 0.45), ("M3", 0.50), ("M3.5", 0.60), ("M4", 0.70)])
def test_metric_coarse_pitches(name: str, mm: float) -> None:
    """ISO 261 and ISO 262, coarse series."""
    assert THREADS_MM[name] == mm


@pytest.mark.parametrize(("name", "mm"), [("#4-40", 0.6350), ("#6-32", 0.7937), ("#8-32", 0.7937)])
def test_unified_coarse_pitches(name: str, mm: float) -> None:
    """Unified coarse (UNC): 40 and 32 threads an inch."""
    assert THREADS_MM[name] == pytest.approx(mm, abs=1e-4)


@pytest.mark.parametrize("name", [name for name in THREADS_MM if name.startswith("#")])
def test_a_unified_thread_says_its_threads_an_inch(name: str) -> None:
    """The designation's second number is the threads an inch; an inch is 25.4 mm exactly."""
    size, threads = name.removeprefix("#").split("-")
    assert int(size) <= 10
    assert THREADS_MM[name] * int(threads) == pytest.approx(25.4)
