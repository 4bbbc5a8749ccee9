"""The sound of one pluck, rendered piece by piece as it is asked for.

A voice is a set of decaying partials in two polarisations whose pitch falls as the swing dies away. Each partial is a
sine at its settled frequency (a fixed table over a few samples) times everything that changes slowly: decay, the beat
of the two polarisations, the glide's phase. The slow part is computed every STEP samples in double precision and
cubically interpolated between, so that a piece of sound is a matrix product.

Pieces lie on a fixed grid counted from the pluck, so the samples don't depend on how many are asked for at a time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

STEP = 32
STEPS_PER_PIECE = 128
PIECE = STEP * STEPS_PER_PIECE

_SLAB = 32
"""Rows of a matrix product done at a time: small enough that the BLAS library keeps it on one thread. Its other threads
would wait busily for the next product and use several times the processor time."""

TOP_OF_BAND = 0.45
"""Partials above this fraction of the sample rate are left out."""

FAINTEST = 3e-6
"""A partial below this amplitude (-110 dB of full scale) is dropped."""

_SILENT_GAIN = 1e-5


@dataclass(frozen=True)
class Tones:
    """The tones of a pluck.

    Attributes
    ----------
    frequencies_hz : ndarray of float64, shape (polarisations, partials)
        Settled frequencies.
    amplitudes : ndarray of float64, shape (polarisations, partials)
        At the pluck, full scale 1; a negative one starts the other way.
    decays_per_s : ndarray of float64, shape (polarisations, partials)
        The amplitude falls as exp(-decay t).
    rises : ndarray of float64, shape (polarisations, partials)
        Relative rise of all frequencies at the pluck by each; it falls with the square of its amplitude.
    """

    frequencies_hz: FloatArray
    amplitudes: FloatArray
    decays_per_s: FloatArray
    rises: FloatArray


class Voice:
    """One pluck from its first sample on.

    Parameters
    ----------
    tones : Tones
        Its tones.
    start_frame : int
        Number of the first frame.
    sample_rate_hz : float
        Sample rate.
    attack : ndarray of float64, shape (frames,)
        Samples added from the first frame on, full scale 1.
    """

    def __init__(self, tones: Tones, *, start_frame: int, sample_rate_hz: float, attack: FloatArray) -> None:
        self.start_frame = start_frame
        self._tones = tones
        self._rate_hz = sample_rate_hz
        self._attack = attack
        self._settled_hz = tones.frequencies_hz[0]
        self._tables = _tables(self._settled_hz, sample_rate_hz)
        self._piece_index = -1
        self._piece = np.zeros(PIECE)
        self._faded_at: int | None = None
        self._damped_at: int | None = None
        self._damping_frames = 1.0

    def damp(self, frame: int, time_constant_s: float) -> None:
        """Let the sound die away from ``frame`` on, with this time constant. A second damping changes nothing."""
        if self._damped_at is None:
            self._damped_at = max(frame, self.start_frame)
            self._damping_frames = max(1.0, time_constant_s * self._rate_hz)

    def finished(self, frame: int) -> bool:
        """Return True when nothing is left to hear from ``frame`` on."""
        return frame >= self._end()

    @property
    def damped(self) -> bool:
        """True once a hand or a new pluck has stopped it."""
        return self._damped_at is not None

    def add_into(self, out: FloatArray, first_frame: int) -> None:
        """Add the samples from ``first_frame`` on to ``out``. Frames only ever go forward.

        Parameters
        ----------
        out : ndarray of float64, shape (frames,)
            Samples of one channel, full scale 1; changed in place.
        first_frame : int
            Number of its first frame.
        """
        frame = max(first_frame, self.start_frame)
        end = min(first_frame + out.size, self._end())
        while frame < end:
            index, offset = divmod(frame - self.start_frame, PIECE)
            if index != self._piece_index:
                self._render(index)
            count = min(end - frame, PIECE - offset)
            piece = self._piece[offset : offset + count]
            if self._damped_at is not None and frame + count > self._damped_at:
                since = np.arange(frame, frame + count) - self._damped_at
                piece = piece * np.exp(-np.maximum(since, 0) / self._damping_frames)
            out[frame - first_frame : frame - first_frame + count] += piece
            frame += count
            end = min(end, self._end())

    def _end(self) -> int:
        ends = [2**62]
        if self._damped_at is not None:
            ends.append(self._damped_at + math.ceil(-math.log(_SILENT_GAIN) * self._damping_frames))
        if self._faded_at is not None:
            ends.append(self._faded_at)
        return min(ends)

    def _render(self, index: int) -> None:
        self._piece_index = index
        first = index * PIECE
        tones = self._tones
        levels = np.abs(tones.amplitudes) * np.exp(-tones.decays_per_s * (first / self._rate_hz))
        alive = levels.sum(axis=0) > FAINTEST
        if not np.any(alive):
            self._piece = np.zeros(PIECE)
            self._faded_at = self.start_frame + first
            return
        time = (first + STEP * np.arange(-1, STEPS_PER_PIECE + 2)) / self._rate_hz
        settled = self._settled_hz[alive]
        slow = self._slow(time, settled, alive)
        turns = np.multiply.outer(time[1:-2], settled)
        carriers = np.exp(2j * math.pi * (turns - np.floor(turns)))
        count = settled.size
        weights = np.empty((STEPS_PER_PIECE, 8, count))
        for node in range(4):
            rotated = slow[node : node + STEPS_PER_PIECE] * carriers
            weights[:, node] = rotated.real
            weights[:, 4 + node] = rotated.imag
        tables = self._tables[:, alive].reshape(8 * count, STEP)
        rows = weights.reshape(STEPS_PER_PIECE, 8 * count)
        slabs = [rows[row : row + _SLAB] @ tables for row in range(0, STEPS_PER_PIECE, _SLAB)]
        self._piece = np.concatenate(slabs).reshape(PIECE)
        if first < self._attack.size:
            burst = self._attack[first : first + PIECE]
            self._piece[: burst.size] += burst

    def _slow(self, time: FloatArray, settled_hz: FloatArray, alive: NDArray[np.bool_]) -> ComplexArray:
        """Return amplitude and phase of every partial relative to its settled sine, shape (times, partials)."""
        tones = self._tones
        excess_s = _glide_s(time, tones)
        slow = np.zeros((time.size, settled_hz.size), dtype=np.complex128)
        for frequencies, amplitudes, decays in zip(
            tones.frequencies_hz[:, alive], tones.amplitudes[:, alive], tones.decays_per_s[:, alive], strict=True
        ):
            turns = np.multiply.outer(time, frequencies - settled_hz) + np.multiply.outer(excess_s, frequencies)
            slow += amplitudes * np.exp(np.multiply.outer(time, -decays) + 2j * math.pi * turns)
        return slow


def _glide_s(time_s: FloatArray, tones: Tones) -> FloatArray:
    """Return the integral of the relative frequency excess since the pluck, in s."""
    rates = 2.0 * tones.decays_per_s.ravel()
    return np.asarray(-np.expm1(np.multiply.outer(time_s, -rates)) @ (tones.rises.ravel() / rates))


def _tables(settled_hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Return sines over one step times the four weights of cubic interpolation, shape (8, partials, STEP).

    Rows 0 to 3 go with the real part of the slow nodes at steps -1, 0, 1, 2, rows 4 to 7 with the imaginary part: the
    imaginary part of slow times carrier is the sound, so that every partial starts at zero.
    """
    n = np.arange(STEP)
    x = n / STEP
    lagrange = np.stack(
        [
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        ]
    )
    angles = 2.0 * math.pi * np.multiply.outer(settled_hz / sample_rate_hz, n)
    return np.concatenate(
        [lagrange[:, np.newaxis, :] * np.sin(angles), lagrange[:, np.newaxis, :] * np.cos(angles)], axis=0
    )
