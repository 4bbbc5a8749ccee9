"""The pitch track of a note: the frequency of its first partial in short windows, from the attack to the settled pitch.

Values are in cents above the settled pitch. A value is the mean over its window of both polarisations together, and of
any hum within the low-pass: where these beat, the track swings about the glide. The low-pass is as narrow as the window
allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.hearing.baseband import demodulate, mean_frequency
from oscservice.instrument.pitch import CENTS_PER_E

WINDOW_S, WINDOW_PERIODS = 0.1, 20.0
"""Length of a window in seconds, and in periods if that is longer."""

_FIRST_S = 0.01  # leave out the noise of the pluck
_GROWTH = 1.25  # the distance of the windows grows by this factor, as the glide slows down
_CLOSEST_S = 0.05
_WORST_SE_CENTS = 1.0
_LOWPASS_SHARE = 0.3  # each half of the low-pass takes this share of the window


@dataclass(frozen=True)
class TrackPoint:
    """Pitch at one time.

    Attributes
    ----------
    at_s : float
        Middle of the window, seconds after the pluck.
    cents : float
        Mean frequency of the first partial, in cents above the settled pitch.
    se_cents : float
        Standard error (1 sd).
    """

    at_s: float
    cents: float
    se_cents: float


def pitch_track(
    signal: npt.NDArray[np.floating], rate_hz: float, onset_s: float, f1_hz: float, until_s: float = 4.0
) -> tuple[TrackPoint, ...]:
    """Return the pitch track of a note.

    Parameters
    ----------
    signal : ndarray of float, shape (n,)
        The note with its attack.
    rate_hz : float
        Sample rate.
    onset_s : float
        Time of the pluck in the signal.
    f1_hz : float
        Settled frequency of the first partial.
    until_s : float, optional
        End of the track in seconds after the pluck.

    Returns
    -------
    tuple[TrackPoint, ...]
        Points in order of time; points with a standard error above 1 cent are left out.
    """
    length_s = max(WINDOW_S, WINDOW_PERIODS / f1_hz)
    found = []
    begin_s, step_s = _FIRST_S, _CLOSEST_S
    last_s = min(until_s, len(signal) / rate_hz - onset_s) - length_s
    while begin_s <= last_s:
        mean = _mean_in_window(signal, rate_hz, onset_s + begin_s, length_s, f1_hz)
        if mean is not None:
            found.append(TrackPoint(begin_s + length_s / 2.0, *mean))
        begin_s += step_s
        step_s *= _GROWTH
    return tuple(found)


def _mean_in_window(
    signal: npt.NDArray[np.floating], rate_hz: float, begin_s: float, length_s: float, f1_hz: float
) -> tuple[float, float] | None:
    """Return the mean of one window in cents above the settled pitch and its standard error; None if unclear."""
    first = round(begin_s * rate_hz)
    window = np.asarray(signal[first : first + round(length_s * rate_hz)], dtype=np.float64)
    band = demodulate(window, rate_hz, f1_hz, f1_hz, int(length_s * _LOWPASS_SHARE * f1_hz))
    if len(band.values) < 4 or not band.values.any():
        return None
    hz, se_hz = mean_frequency(band)
    se_cents = CENTS_PER_E * se_hz / f1_hz
    if hz <= 0.0 or not se_cents < _WORST_SE_CENTS:
        return None
    return CENTS_PER_E * math.log(hz / f1_hz), se_cents
