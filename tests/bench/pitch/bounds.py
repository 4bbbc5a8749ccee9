"""The Cramer-Rao bound: how well the pitch of a steady, dying tone in white noise can be known at all.

The model is a sum of partials a_k exp(-r_k t) cos(2 pi f_k t + p_k) in white Gaussian noise of known law; amplitudes,
phases and decay rates are unknown and free for every partial. The bound is the inverse of the Fisher information,
which for such noise is J'J / sigma^2 with J the derivatives of the model by its parameters (Kay, Fundamentals of
Statistical Signal Processing: Estimation Theory, 1993, ch. 3, from memory). Signal-to-noise ratios are powers, not dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
CENTS_PER_E = 1200.0 / math.log(2.0)


@dataclass(frozen=True)
class Tone:
    """A dying stiff-string tone with its partials on the law f_k = k f0 sqrt(1 + B k^2).

    ``amplitudes``, ``phases`` (at time 0) and ``rates`` (1/s) have one entry a partial, shape (K,).
    """

    f0_hz: float
    inharmonicity: float
    amplitudes: FloatArray
    phases: FloatArray
    rates: FloatArray

    @property
    def f1_hz(self) -> float:
        """The first partial."""
        return self.f0_hz * math.sqrt(1.0 + self.inharmonicity)

    @property
    def partials_hz(self) -> FloatArray:
        """All partials, shape (K,)."""
        k = np.arange(1.0, len(self.amplitudes) + 1.0)
        return np.asarray(k * self.f0_hz * np.sqrt(1.0 + self.inharmonicity * k * k))

    def samples(self, count: int, rate_hz: float) -> FloatArray:
        """The tone, shape (count,)."""
        return np.asarray(sum(column.real for column in self._analytic(count, rate_hz)))

    def first_power(self, count: int, rate_hz: float) -> float:
        """Mean square of the first partial over the samples."""
        return float(np.mean(self._analytic(count, rate_hz)[0].real ** 2))

    def _analytic(self, count: int, rate_hz: float) -> list[NDArray[np.complex128]]:
        t = np.arange(count) / rate_hz
        exponents = 2j * math.pi * self.partials_hz - self.rates
        starts = self.amplitudes * np.exp(1j * self.phases)
        return [start * np.exp(exponent * t) for start, exponent in zip(starts, exponents, strict=True)]

    def first_alone_sd_hz(self, count: int, rate_hz: float, noise_power: float) -> float:
        """Bound (1 sd, Hz) on the first partial when it stands alone: frequency, decay, amplitude and phase free."""
        t = np.arange(count) / rate_hz
        first = self._analytic(count, rate_hz)[0]
        columns = _scaled([(2j * math.pi * t * first).real, (t * first).real, first.real, (1j * first).real])
        covariance = np.linalg.inv(columns[0].T @ columns[0]) * noise_power
        return math.sqrt(covariance[0, 0]) / columns[1][0]

    def all_partials_sd_hz(self, count: int, rate_hz: float, noise_power: float) -> float:
        """Bound (1 sd, Hz) on f0 sqrt(1 + B) with f0, B and every partial's decay, amplitude and phase unknown."""
        t = np.arange(count) / rate_hz
        stiffness = self.inharmonicity
        by_f0, by_b = np.zeros(count), np.zeros(count)
        free: list[FloatArray] = []
        for k, analytic in enumerate(self._analytic(count, rate_hz), start=1):
            by_hz = (2j * math.pi * t * analytic).real
            root = math.sqrt(1.0 + stiffness * k * k)
            by_f0 += by_hz * k * root
            by_b += by_hz * self.f0_hz * k**3 / (2.0 * root)
            free += [(t * analytic).real, analytic.real, (1j * analytic).real]
        scaled, norms = _scaled([by_f0, by_b, *free])
        covariance = np.linalg.inv(scaled.T @ scaled)[:2, :2] * noise_power / np.outer(norms[:2], norms[:2])
        root = math.sqrt(1.0 + stiffness)
        gradient = np.array([root, self.f0_hz / (2.0 * root)])
        return math.sqrt(float(gradient @ covariance @ gradient))


def _scaled(columns: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """The columns as a matrix, each brought to length 1, and what they were divided by."""
    matrix = np.stack(columns, axis=1)
    norms = np.linalg.norm(matrix, axis=0)
    return matrix / norms, norms


def single_tone_sd_hz(snr: float, count: int, rate_hz: float) -> float:
    """Closed form for one steady real tone far from 0 and half the rate, phase and amplitude unknown (1 sd, Hz).

    Rife & Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591: var(omega) = 12 sigma^2 / (b^2 T^2 N (N^2 - 1)) for a
    complex tone of amplitude b with noise of variance sigma^2 in each of its two parts. A real tone is one part alone:
    var = 24 sigma^2 / (b^2 T^2 N (N^2 - 1)) = 12 / (snr T^2 N (N^2 - 1)), with ``snr`` = (b^2 / 2) / sigma^2.
    """
    return rate_hz * math.sqrt(12.0 / (snr * count * (count**2 - 1.0))) / (2.0 * math.pi)


def string_tone(f1_hz: float, rate_hz: float, draw: np.random.Generator, partials: int = 40) -> Tone:
    """A middling string on ``f1_hz``: B = 1e-4, plucked at 0.2 and heard at 0.12 of its length, phases drawn.

    It dies in 2 s at E2, its partials sooner (partial k in 2 s / (1 + 0.15 (k - 1))), high notes sooner as f^-0.3.
    """
    k = np.arange(1.0, partials + 1.0)
    f0_hz = f1_hz / math.sqrt(1.0 + 1e-4)
    k = k[k * f0_hz * np.sqrt(1.0 + 1e-4 * k * k) < 0.45 * rate_hz]
    amplitudes = np.sin(k * math.pi * 0.2) * np.sin(k * math.pi * 0.12) / k
    heard = np.abs(amplitudes) > 1e-6  # a partial at a node of pluck or pickup isn't there, and has no phase to know
    amplitudes = np.where(heard, amplitudes, 1e-6)
    rates = (1.0 + 0.15 * (k - 1.0)) / (2.0 * (f1_hz / 82.41) ** -0.3)
    return Tone(f0_hz, 1e-4, amplitudes, draw.uniform(0.0, 2.0 * math.pi, len(k)), rates)
