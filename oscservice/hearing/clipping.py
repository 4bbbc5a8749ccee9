"""Clipping: seen in a stream without keeping the stream, or in a whole note."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_LOUD = 0.5
_AT_THE_PEAK = 0.9999
_RUNS_NEEDED = 2


class ClipWatch:
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
    watch = ClipWatch()
    if len(samples):
        watch.feed(samples.astype(np.float32))
    return watch.clipped
