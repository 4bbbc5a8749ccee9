"""Decimation of any sample rate to the working rate, 14.4 to 28.8 kHz (a lower rate stays as it is).

Pitch is measured at the working rate: the partials of a fretted string that matter are far below 7 kHz, and fewer
samples are less work. The filter has linear phase, so it moves no frequency, and its delay is known exactly.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from oscservice.defaults import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from oscservice.hearing.fir_filter import filtered, lowpass_taps

Samples = npt.NDArray[np.float64]

WORKING_RATE_HZ = 16000.0
"""Nominal working rate. The decimated rate is 0.9 times this or more, and less than twice that; a lower rate of the
input is kept."""

_HALF_LENGTH = 8  # delay of the filter, in decimated samples


def decimation(sample_rate_hz: float) -> int:
    """Return the whole factor that ``sample_rate_hz`` is divided by.

    Raises
    ------
    ValueError
        The rate is outside 8 to 192 kHz.
    """
    if not (math.isfinite(sample_rate_hz) and LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ):
        raise ValueError(f"a sample rate of {sample_rate_hz:g} Hz is outside {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g}")
    return max(1, int(sample_rate_hz // (0.9 * WORKING_RATE_HZ)))


class Decimator:
    """Low-pass and decimation of a stream by a whole factor.

    The same samples give the same output, however they are cut into calls of ``feed``. The output is ``delay``
    decimated samples late.
    """

    def __init__(self, factor: int) -> None:
        self.factor = factor
        self.delay = _HALF_LENGTH if factor > 1 else 0
        taps = 2 * _HALF_LENGTH * factor
        self._filter: Samples = lowpass_taps(taps + 1, 0.84 / factor, beta=7.0) if factor > 1 else np.ones(1)
        self._tail: Samples = np.zeros(taps if factor > 1 else 0)

    def feed(self, samples: npt.NDArray[np.floating]) -> Samples:
        """Return the next samples decimated, ``delay`` decimated samples late.

        Parameters
        ----------
        samples : ndarray of float, shape (n * factor,)
            The next samples.

        Returns
        -------
        ndarray of float64
            Decimated samples, shape (n,).
        """
        if self.factor == 1:
            return np.asarray(samples, dtype=np.float64)
        joined = np.concatenate((self._tail, np.asarray(samples, dtype=np.float64)))
        self._tail = joined[len(joined) - len(self._tail) :]
        return filtered(joined, self._filter, self.factor)[: len(samples) // self.factor]


def decimate(samples: npt.NDArray[np.floating], factor: int) -> Samples:
    """Return a whole signal decimated, without the delay of the filter.

    Parameters
    ----------
    samples : ndarray of float, shape (n,)
        One channel.
    factor : int
        Whole factor (``decimation``).

    Returns
    -------
    ndarray of float64
        Decimated signal, shape (ceil(n / factor),).
    """
    if factor == 1:
        return np.asarray(samples, dtype=np.float64)
    decimator = Decimator(factor)
    count = -(-len(samples) // factor)
    padded = np.concatenate((samples, np.zeros((count + decimator.delay) * factor - len(samples))))
    return decimator.feed(padded)[decimator.delay :]
