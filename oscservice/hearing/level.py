"""Level, onset, pluck strength and clipping of a note.

Levels are RMS in dBFS; a sine of full scale (amplitude 1) is 0 dBFS. Powers are mean squares. Times are in seconds from
the first sample.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from oscservice.errors import NoNoteError
from oscservice.hearing.resampling import Samples

_LOUD = 0.5  # clipping is looked for at this amplitude and above: converters clip near full scale
_AT_THE_PEAK = 0.9999  # samples of at least this share of the peak are at the peak
_RUNS_NEEDED = 2  # one run of equal samples may be chance


def level_dbfs(samples: npt.NDArray[np.floating]) -> float:
    """Return the RMS level of samples.

    Parameters
    ----------
    samples : ndarray of float, shape (n,)
        Full scale 1.

    Returns
    -------
    float
        Level in dBFS; -200 for silence, and for no samples.
    """
    return power_dbfs(float(np.mean(np.square(samples))) if len(samples) else 0.0)


def power_dbfs(power: float) -> float:
    """Return the level in dBFS of a mean square; 1/2 (a sine of full scale) is 0 dBFS, 0 is -200."""
    return 10.0 * math.log10(max(2.0 * power, 1e-20))


def power_from_dbfs(dbfs: float) -> float:
    """Return the mean square of a level: the inverse of ``power_dbfs``."""
    return math.pow(10.0, dbfs / 10.0) / 2.0


def find_onset(signal: Samples, rate_hz: float, within_s: tuple[float, float] = (0.0, math.inf)) -> float:
    """Return the time of the pluck: the strongest rise of level.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        A note.
    rate_hz : float
        Sample rate.
    within_s : tuple[float, float], optional
        Earliest and latest time of the pluck.

    Returns
    -------
    float
        Seconds from the first sample; 0 when the signal starts in the middle of a sound.

    Raises
    ------
    NoNoteError
        The signal is silence, or shorter than 8 ms.
    """
    hop = max(1, round(0.002 * rate_hz))
    count = len(signal) // hop
    if count < 4:
        raise NoNoteError("too few samples for a note")
    power = np.mean(signal[: count * hop].reshape(count, hop) ** 2, axis=1)
    if power.max() < 1e-10:
        raise NoNoteError("silence: nothing above -97 dBFS")
    # Compare the power of the 40 ms after each hop with that of the 40 ms before; before the first sample is silence.
    span = 20
    padded = np.concatenate((np.full(span, power.max() * 1e-6), power, np.full(span, power[-1])))
    total = np.concatenate(([0.0], np.cumsum(padded)))
    before = total[span : span + count] - total[:count]
    after = total[2 * span : 2 * span + count] - total[span : span + count]
    floor = max(1e-12, 1e-6 * float(after.max()))
    rise = np.log((after + floor) / (before + floor))
    times_s = np.arange(count) * hop / rate_hz
    inside = (times_s >= within_s[0]) & (times_s < within_s[1])
    loud = inside & (after > 0.05 * after[inside].max()) if inside.any() else after > 0.05 * after.max()
    best = int(np.argmax(np.where(loud, rise, -np.inf)))
    # The 40 ms mean blurs the edge: take the first hop that is clearly louder than the sound before.
    quiet = max(before[best] / span, floor)
    near = power[best : best + span]
    first = np.flatnonzero(near > quiet + 0.1 * (near.max() - quiet)) if len(near) else np.array([0])
    return (best + (int(first[0]) if len(first) else 0)) * hop / rate_hz


def strength_db(note: Samples, rate_hz: float, f1_hz: float) -> float:
    """Return the strength of a pluck: the level of the note at its pluck less 10 log10(f1 / 100 Hz).

    The level at the pluck is extrapolated from the decay over the first half second. One plucking force gives one
    strength at any fret of a string (see ``Reading.strength_db``).

    Parameters
    ----------
    note : ndarray of float64, shape (n,)
        The note from its pluck on, full scale 1.
    rate_hz : float
        Sample rate.
    f1_hz : float
        Frequency of the first partial.

    Returns
    -------
    float
        Strength in dB. Of a note that is too short for a decay the level is its mean.
    """
    frame = max(1, round(2.0 * rate_hz / f1_hz))
    count = min(len(note), round(0.5 * rate_hz)) // frame
    power = np.mean(note[: count * frame].reshape(count, frame) ** 2, axis=1) if count else np.zeros(0)
    first = min(count, max(1, math.ceil(0.03 * rate_hz / frame)))  # leave out the noise of the pick
    power = power[first:]
    if not len(power):
        return level_dbfs(note) - 10.0 * math.log10(f1_hz / 100.0)
    log_power = np.log(np.maximum(power, 1e-20))
    times = (first + 0.5 + np.arange(len(power))) * frame / rate_hz
    at_pluck = np.polyfit(times, log_power, 1)[1] if len(power) > 3 else float(log_power[0])
    return power_dbfs(math.exp(float(at_pluck))) - 10.0 * math.log10(f1_hz / 100.0)


class ClipDetector:
    """Detects clipping in the stream of one note: twice or more, three samples in a row at the peak, near full scale.

    The samples may come in pieces of any length: a run across a border counts too.
    """

    def __init__(self) -> None:
        self._peak = 0.0
        self._runs = 0
        self._tail: npt.NDArray[np.float32] = np.zeros(2, dtype=np.float32)

    def feed(self, samples: npt.NDArray[np.float32]) -> None:
        """Take the next samples of the note.

        Parameters
        ----------
        samples : ndarray of float32, shape (n,)
            As they came in, before any resampling, full scale 1.
        """
        joined = np.concatenate((self._tail, samples))
        self._tail = joined[-2:]
        size = np.abs(joined)
        peak = float(size.max())
        if peak < max(_LOUD, _AT_THE_PEAK * self._peak):
            return
        if peak * _AT_THE_PEAK > self._peak:
            self._runs = 0  # earlier runs at a lower peak were not at the limit of the input
        self._peak = max(self._peak, peak)
        flat = size > self._peak * _AT_THE_PEAK
        self._runs += int(np.count_nonzero(flat[:-2] & flat[1:-1] & flat[2:]))

    @property
    def clipped(self) -> bool:
        """True when the note has clipped so far."""
        return self._runs >= _RUNS_NEEDED


def is_clipped(samples: npt.NDArray[np.floating]) -> bool:
    """Return True when a note is clipped (see ``ClipDetector``).

    Parameters
    ----------
    samples : ndarray of float, shape (n,)
        The note as it came in, before any resampling, full scale 1.

    Returns
    -------
    bool
        False for no samples.
    """
    detector = ClipDetector()
    if len(samples):
        detector.feed(samples.astype(np.float32))
    return detector.clipped
