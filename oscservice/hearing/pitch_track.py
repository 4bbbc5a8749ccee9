"""How the pitch of a note falls from its attack to its rest: its first partial's frequency, stretch by stretch.

A value holds what the partial's two polarisations make of it together, and what hum is within the low-pass: where they
beat, it swings about the fall. The low-pass is as narrow as the stretch allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.hearing.baseband import demodulate, mean_frequency
from oscservice.instrument.pitch import CENTS_PER_E

WINDOW_S, WINDOW_PERIODS = 0.1, 20.0
"""Over so long a stretch a value is the mean; over so many periods, if they are longer."""

_FIRST_S = 0.01  # the pluck's own noise comes first
_GROWTH = 1.25  # values lie wider and wider apart, as the fall slows down
_CLOSEST_S = 0.05
_WORST_SE_CENTS = 1.0
_LOWPASS_SHARE = 0.3  # of the stretch, for each half of the low-pass


@dataclass(frozen=True)
class TrackPoint:
    """Cents above a note's rest at a time after its pluck, and their standard error."""

    at_s: float
    cents: float
    se_cents: float


def pitch_track(
    signal: npt.NDArray[np.floating], rate_hz: float, onset_s: float, f1_hz: float, until_s: float = 4.0
) -> tuple[TrackPoint, ...]:
    """The fall of a note.

    Args:
        signal: shape (n,), the note with its attack.
        rate_hz: samples a second.
        onset_s: where in it the pluck is.
        f1_hz: where its first partial comes to rest.
        until_s: seconds after the pluck to look at.

    Returns:
        Values in order, those left out that can't be told to a cent or two.
    """
    length_s = max(WINDOW_S, WINDOW_PERIODS / f1_hz)
    found = []
    begin_s, step_s = _FIRST_S, _CLOSEST_S
    last_s = min(until_s, len(signal) / rate_hz - onset_s) - length_s
    while begin_s <= last_s:
        moment = _mean_in_window(signal, rate_hz, onset_s + begin_s, length_s, f1_hz)
        if moment is not None:
            found.append(TrackPoint(begin_s + length_s / 2.0, *moment))
        begin_s += step_s
        step_s *= _GROWTH
    return tuple(found)


def _mean_in_window(
    signal: npt.NDArray[np.floating], rate_hz: float, begin_s: float, length_s: float, f1_hz: float
) -> tuple[float, float] | None:
    """Cents above the rest over one stretch and their standard error; None where they can't be told."""
    first = round(begin_s * rate_hz)
    stretch = np.asarray(signal[first : first + round(length_s * rate_hz)], dtype=np.float64)
    band = demodulate(stretch, rate_hz, f1_hz, f1_hz, int(length_s * _LOWPASS_SHARE * f1_hz))
    if len(band.values) < 4 or not band.values.any():
        return None
    hz, se_hz = mean_frequency(band)
    se_cents = CENTS_PER_E * se_hz / f1_hz
    if hz <= 0.0 or not se_cents < _WORST_SE_CENTS:
        return None
    return CENTS_PER_E * math.log(hz / f1_hz), se_cents
