"""Level, pluck strength and clipping of a note.

What a note shows before any pitch: its level, where its pluck is, how hard it was plucked.

Clipping: seen in a stream without keeping the stream, or in a whole note.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from oscservice.errors import NoNoteError
from oscservice.hearing.resampling import Samples


def level_dbfs(samples: npt.NDArray[np.floating]) -> float:
    """RMS level of samples, shape (n,); a sine of full scale reads 0 dBFS. -200 for silence."""
    return power_dbfs(float(np.mean(np.square(samples))) if len(samples) else 0.0)


def power_dbfs(power: float) -> float:
    """Level of a mean square; 1/2, a sine of full scale, reads 0 dBFS. -200 for nothing."""
    return 10.0 * math.log10(max(2.0 * power, 1e-20))


def power_from_dbfs(dbfs: float) -> float:
    """Mean square of a level: the inverse of ``power_dbfs``."""
    return math.pow(10.0, dbfs / 10.0) / 2.0


def find_onset(signal: Samples, rate_hz: float, within_s: tuple[float, float] = (0.0, math.inf)) -> float:
    """Time in seconds of the strongest rise of level in the signal, shape (n,), within ``within_s``: the pluck.

    0 when the signal starts sounding.

    Raises:
        NoNoteError: nothing but silence.
    """
    hop = max(1, round(0.002 * rate_hz))
    count = len(signal) // hop
    if count < 4:
        raise NoNoteError("too few samples for a note")
    power = np.mean(signal[: count * hop].reshape(count, hop) ** 2, axis=1)
    if power.max() < 1e-10:
        raise NoNoteError("silence: nothing above -97 dBFS")
    # Level over the 40 ms after each hop against the 40 ms before; before the first sample there is silence.
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
    # The 40 ms mean blurs the edge: go to the first hop that stands clear of what was before.
    quiet = max(before[best] / span, floor)
    near = power[best : best + span]
    first = np.flatnonzero(near > quiet + 0.1 * (near.max() - quiet)) if len(near) else np.array([0])
    return (best + (int(first[0]) if len(first) else 0)) * hop / rate_hz


def strength_db(note: Samples, rate_hz: float, f1_hz: float) -> float:
    """Strength of a note that starts at its pluck: its level over the first half second taken back to the pluck."""
    frame = max(1, round(2.0 * rate_hz / f1_hz))
    count = min(len(note), round(0.5 * rate_hz)) // frame
    power = np.mean(note[: count * frame].reshape(count, frame) ** 2, axis=1) if count else np.zeros(0)
    first = min(count, max(1, math.ceil(0.03 * rate_hz / frame)))  # the pick's own noise is over by then
    power = power[first:]
    if not len(power):
        return level_dbfs(note) - 10.0 * math.log10(f1_hz / 100.0)
    log_power = np.log(np.maximum(power, 1e-20))
    times = (first + 0.5 + np.arange(len(power))) * frame / rate_hz
    at_pluck = np.polyfit(times, log_power, 1)[1] if len(power) > 3 else float(log_power[0])
    return power_dbfs(math.exp(float(at_pluck))) - 10.0 * math.log10(f1_hz / 100.0)


_LOUD = 0.5
_AT_THE_PEAK = 0.9999
_RUNS_NEEDED = 2


class ClipDetector:
    """Watches one note for samples that stand still at their own peak near full scale: three in a row, twice or more.

    Hops may be of any length; what lies across their border counts too.
    """

    def __init__(self) -> None:
        self._peak = 0.0
        self._runs = 0
        self._tail: npt.NDArray[np.float32] = np.zeros(2, dtype=np.float32)

    def feed(self, samples: npt.NDArray[np.float32]) -> None:
        """Take the next samples of the note, shape (n,), at the rate they came in."""
        joined = np.concatenate((self._tail, samples))
        self._tail = joined[-2:]
        size = np.abs(joined)
        peak = float(size.max())
        if peak < max(_LOUD, _AT_THE_PEAK * self._peak):
            return
        if peak * _AT_THE_PEAK > self._peak:
            self._runs = 0  # what stood still lower down was no limit
        self._peak = max(self._peak, peak)
        flat = size > self._peak * _AT_THE_PEAK
        self._runs += int(np.count_nonzero(flat[:-2] & flat[1:-1] & flat[2:]))

    @property
    def clipped(self) -> bool:
        """Whether the note has clipped so far."""
        return self._runs >= _RUNS_NEEDED


def is_clipped(samples: npt.NDArray[np.floating]) -> bool:
    """Whether the samples of a note, shape (n,), are clipped."""
    watch = ClipDetector()
    if len(samples):
        watch.feed(samples.astype(np.float32))
    return watch.clipped
