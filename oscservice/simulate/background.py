"""A pickup's noise: white noise and mains hum, continuous in time.

Both follow from the sample counter and a seed, in pieces on a fixed grid, so the samples don't depend on how many are
asked for at a time.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from oscservice.simulate.voice import TOP_OF_BAND

FloatArray = NDArray[np.float64]

HUM_MULTIPLES = {1: 1.0, 2: 0.5, 3: 0.6, 4: 0.15, 5: 0.3, 6: 0.1, 7: 0.2, 9: 0.1}
"""Relative amplitude of each multiple of the mains frequency (a made-up but ordinary mix; odd ones lead)."""

_PIECE = 8192
_NOISE_STREAM = 1
_HUM_STREAM = 2


class Background:
    """Noise (its own on every channel) and hum (the same on all). Levels are 20 log10(rms); None for none."""

    def __init__(
        self,
        *,
        seed: int,
        sample_rate_hz: float,
        channels: int,
        noise_dbfs: float | None,
        hum_hz: float,
        hum_dbfs: float | None,
    ) -> None:
        self._seed = seed
        self._channels = channels
        self._noise_rms = 0.0 if noise_dbfs is None else math.pow(10.0, noise_dbfs / 20.0)
        multiples = {m: s for m, s in HUM_MULTIPLES.items() if m * hum_hz < TOP_OF_BAND * sample_rate_hz}
        self._turns = np.array([m * hum_hz / sample_rate_hz for m in multiples])
        rms = math.sqrt(sum(s * s for s in multiples.values()) / 2.0) or 1.0
        scale = 0.0 if hum_dbfs is None else math.pow(10.0, hum_dbfs / 20.0) / rms
        self._strengths = scale * np.array(list(multiples.values()))
        self._phases = np.random.default_rng([seed, _HUM_STREAM]).random(len(multiples))
        self._hum_table = np.exp(2j * math.pi * np.multiply.outer(self._turns, np.arange(_PIECE)))
        self._index = -1
        self._piece = np.zeros((_PIECE, channels))

    def add_into(self, out: FloatArray, first_frame: int) -> None:
        """Add the samples from ``first_frame`` on to ``out``.

        Parameters
        ----------
        out : ndarray of float64, shape (frames, channels)
            Samples, full scale 1; changed in place.
        first_frame : int
            Number of its first frame, 0 or more.
        """
        frame, end = first_frame, first_frame + out.shape[0]
        while frame < end:
            index, offset = divmod(frame, _PIECE)
            if index != self._index:
                self._render(index)
            count = min(end - frame, _PIECE - offset)
            out[frame - first_frame : frame - first_frame + count] += self._piece[offset : offset + count]
            frame += count

    def _render(self, index: int) -> None:
        self._index = index
        self._piece = np.zeros((_PIECE, self._channels))
        if self._noise_rms:
            rng = np.random.default_rng([self._seed, _NOISE_STREAM, index])
            self._piece += self._noise_rms * rng.standard_normal((_PIECE, self._channels), dtype=np.float32)
        if np.any(self._strengths):
            turns = self._turns * (index * _PIECE) + self._phases
            starts = self._strengths * np.exp(2j * math.pi * (turns - np.floor(turns)))
            # Not a BLAS product: its threads cost more than they save here.
            self._piece += np.einsum("m,mn->n", starts, self._hum_table).imag[:, np.newaxis]
