"""Filters with a finite impulse response: the taps of a low-pass, and every n-th output of a filter.

An output is the sum of samples times taps. The order of that sum is fixed, from the oldest sample to the newest, so the
last bit of an output does not depend on how a signal is cut into blocks.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import i0

_Number = TypeVar("_Number", np.float64, np.complex128)

_AT_ONCE = 1 << 14  # about so many products of samples and taps are in memory at once: more is slower


def lowpass_taps(count: int, cutoff: float, beta: float) -> npt.NDArray[np.float64]:
    """Return the taps of an ideal low-pass under a Kaiser window, scaled to a sum of 1.

    Parameters
    ----------
    count : int
        Number of taps, 2 or more.
    cutoff : float
        Frequency where the gain is 1/2, over half the sample rate.
    beta : float
        Shape of the window: a larger one has a wider main lobe and lower side lobes.

    Returns
    -------
    ndarray of float64
        Taps, shape (count,).
    """
    middle = 0.5 * (count - 1)
    at = np.arange(count) - middle
    window = i0(beta * np.sqrt(1.0 - (at / middle) ** 2)) / i0(beta)
    taps = cutoff * np.sinc(cutoff * at) * window
    return np.asarray(taps / taps.sum())


def filtered(signal: npt.NDArray[_Number], taps: npt.NDArray[np.float64], step: int) -> npt.NDArray[_Number]:
    """Return every ``step``-th output of a filter, only those with the whole filter inside the signal.

    Parameters
    ----------
    signal : ndarray of float64 or complex128, shape (n,)
        Samples.
    taps : ndarray of float64, shape (m,)
        The filter; its first tap is for the newest sample.
    step : int
        Samples from one output to the next.

    Returns
    -------
    ndarray of float64 or complex128
        Outputs, shape ((n - m) // step + 1,); the first is that of the first m samples. Empty for n < m.
    """
    count = max(0, (len(signal) - len(taps)) // step + 1)
    outputs = np.empty(count, dtype=signal.dtype)
    at_once = max(1, _AT_ONCE // (step * (signal.itemsize // 8)))
    for first in range(0, count, at_once):
        block = outputs[first : first + at_once]
        block[:] = _first_outputs(signal[first * step :], taps, step, len(block))
    return outputs


def _first_outputs(
    signal: npt.NDArray[_Number], taps: npt.NDArray[np.float64], step: int, count: int
) -> npt.NDArray[_Number]:
    """Return the first ``count`` outputs of ``filtered``."""
    turns, parts = -(-len(taps) // step), signal.itemsize // 8
    oldest_first = np.zeros((turns, step, 1))
    oldest_first.reshape(-1)[: len(taps)] = taps[::-1]
    # Row i holds the samples i, i + step, i + 2 step ...: what a tap is multiplied by lies side by side in memory.
    # There is one output too many, because numpy adds a single column in another order than from top to bottom.
    table = np.zeros((count + turns, step), dtype=signal.dtype)
    used = signal[: (count - 1) * step + len(taps)]
    table.reshape(-1)[: len(used)] = used
    rows = np.ascontiguousarray(table.T)
    columns = (count + 1) * parts  # real and imaginary part of a complex sample are two columns
    met_by_tap = np.ndarray((turns, step, columns), np.float64, rows, strides=(8 * parts, rows.strides[0], 8))
    together = min(turns, max(1, _AT_ONCE // (step * columns)))
    products = np.zeros((1 + together * step, columns))  # below the sum so far
    for first in range(0, turns, together):
        now = slice(first, first + together)
        new = products[1 : 1 + step * len(oldest_first[now])]
        np.multiply(met_by_tap[now], oldest_first[now], out=new.reshape(-1, step, columns))
        products[0] = np.add.reduce(products[: 1 + len(new)], axis=0)
    sums: npt.NDArray[_Number] = products[0].view(signal.dtype)
    return sums[:count]
