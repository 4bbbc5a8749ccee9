"""Bringing any sample rate down to the one band that plucked strings need.

Everything that measures pitch works on a decimated signal of about 16 kHz (8 kHz files stay as they are): the first
partials of every fretted string lie far below 8 kHz, and a third of the samples is a third of the work. The filter is
linear in phase and symmetric, so it moves no frequency and its delay is exact.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.signal import firwin, upfirdn

Samples = npt.NDArray[np.float64]

WORKING_RATE_HZ = 16000.0
"""The decimated rate lies between this and twice this (or is the file's own, when that is lower)."""

LOWEST_RATE_HZ = 8000.0
HIGHEST_RATE_HZ = 192000.0

_HALF_LENGTH = 8  # delay of the filter, in decimated samples


def decimation(sample_rate_hz: float) -> int:
    """Whole factor by which ``sample_rate_hz`` is divided.

    Raises:
        ValueError: the rate lies outside 8 to 192 kHz.
    """
    if not (math.isfinite(sample_rate_hz) and LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ):
        raise ValueError(f"a sample rate of {sample_rate_hz:g} Hz is outside {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g}")
    return max(1, int(sample_rate_hz // (0.9 * WORKING_RATE_HZ)))


class Decimator:
    """Streaming low-pass and decimation by a whole factor.

    ``feed`` takes any whole multiple of ``factor`` samples and gives that many divided by ``factor``; the same samples
    give the same output however they are cut. The output runs ``delay`` decimated samples late.
    """

    def __init__(self, factor: int) -> None:
        self.factor = factor
        self.delay = _HALF_LENGTH if factor > 1 else 0
        taps = 2 * _HALF_LENGTH * factor
        self._filter: Samples = firwin(taps + 1, 0.84 / factor, window=("kaiser", 7.0)) if factor > 1 else np.ones(1)
        self._tail: Samples = np.zeros(taps if factor > 1 else 0)

    def feed(self, samples: npt.NDArray[np.floating]) -> Samples:
        """Decimate the next stretch, shape (n * factor,), to shape (n,)."""
        if self.factor == 1:
            return np.asarray(samples, dtype=np.float64)
        joined = np.concatenate((self._tail, np.asarray(samples, dtype=np.float64)))
        self._tail = joined[len(joined) - len(self._tail) :]
        first = 2 * _HALF_LENGTH
        return np.asarray(upfirdn(self._filter, joined, 1, self.factor)[first : first + len(samples) // self.factor])


def decimate(samples: npt.NDArray[np.floating], factor: int) -> Samples:
    """Decimate a whole signal of shape (n,), delay taken out; shape (ceil(n / factor),)."""
    if factor == 1:
        return np.asarray(samples, dtype=np.float64)
    decimator = Decimator(factor)
    count = -(-len(samples) // factor)
    padded = np.concatenate((samples, np.zeros((count + decimator.delay) * factor - len(samples))))
    return decimator.feed(padded)[decimator.delay :]
