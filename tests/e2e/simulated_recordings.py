"""Recordings for tests, played on the simulated guitar."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN, Place
from oscservice.simulate.guitar import Guitar

LEAD_S = 0.5
NOTE_S = 2.2
REST_S = 0.4


def guitar(
    instrument: str = "six-string-648", *, rate_hz: int = 48000, string_a_channel: bool = False, gain_db: float = 0.0
) -> Guitar:
    """Return a guitar in tune, its saddles in the places of the instrument's file, `gain_db` louder than usual."""
    profile = load_instrument(instrument)
    channels = len(profile.strings) if string_a_channel else 1
    return Guitar.from_instrument(
        profile, seed=5, sample_rate_hz=float(rate_hz), channels=channels, gain_dbfs_per_mm=gain_db - 20.0
    )


def played(on: Guitar, notes: Iterable[tuple[int, Place]], note_s: float = NOTE_S) -> NDArray[np.float32]:
    """Return the notes one after another, each stopped, with silence before and between; shape (frames, channels)."""
    parts = [_passed(on, LEAD_S)]
    for string, place in notes:
        on.pluck(string, place)
        parts.append(_passed(on, note_s))
        on.damp()
        parts.append(_passed(on, REST_S))
    return np.concatenate(parts)


def open_strings(on: Guitar, numbers: Iterable[int] = (6, 5, 4, 3, 2, 1)) -> NDArray[np.float32]:
    """Return notes of open strings, the thickest first."""
    return played(on, [(number, OPEN) for number in numbers])


def _passed(on: Guitar, seconds: float) -> NDArray[np.float32]:
    return on.render(round(seconds * on.sample_rate_hz))
