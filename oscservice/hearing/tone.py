"""One partial as a signal model: least squares on its complex baseband.

    z(t) = exp(a(t) + i p(t)) (1 + c exp(g t)) + sum_l h_l exp(i d_l t)

a(t) is a polynomial (the decay), p(t) whatever the caller's phase model says, c and g (complex) a second polarisation
that beats with the first, and h_l the lines of hum or of a neighbouring string that lie within the low-pass. Everything
is fitted at once by damped Gauss-Newton steps. Phases in radians, times in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from oscservice.hearing.baseband import Complexes
from oscservice.hearing.resample import Samples
from oscservice.instrument.pitch import CENTS_PER_E


class PhaseModel(Protocol):
    """The phase p(t) of a tone."""

    @property
    def count(self) -> int:
        """Number of parameters."""

    @property
    def prior_mean(self) -> Samples:
        """Shape (count,)."""

    @property
    def prior_precision(self) -> Samples:
        """Inverse covariance, shape (count, count); 0 where nothing is known beforehand."""

    def phase(self, parameters: Samples) -> Samples:
        """p at every time, shape (n,)."""

    def slopes(self, parameters: Samples) -> Samples:
        """Its derivatives by the parameters, shape (n, count)."""


@dataclass(frozen=True)
class Polynomial:
    """p(t) as a polynomial of ``degree``."""

    times: Samples
    degree: int

    @property
    def count(self) -> int:
        return self.degree + 1

    @property
    def prior_mean(self) -> Samples:
        return np.zeros(self.count)

    @property
    def prior_precision(self) -> Samples:
        return np.zeros((self.count, self.count))

    def phase(self, parameters: Samples) -> Samples:
        return np.asarray(np.polynomial.polynomial.polyval(self.times, parameters))

    def slopes(self, parameters: Samples) -> Samples:
        return np.vander(self.times, self.count, increasing=True)


@dataclass(frozen=True)
class Glide:
    """p(t) of a string that falls to its pitch: a phase, a slope, and a glide of g exp(-2 t / tau).

    Parameters: phase in rad, slope in rad/s, g in cents at time 0 of ``times_s``, ln tau. The glide follows the energy
    of the vibration (Legge & Fletcher, J. Acoust. Soc. Am. 76 (1984) 5, cited from memory), so tau lies near the decay.

    Attributes:
        times_s: seconds, shape (n,).
        carrier_hz: frequency whose cents the glide is in.
        mean: of the prior of g and ln tau, shape (2,).
        precision: inverse covariance of that prior, shape (2, 2).
    """

    times_s: Samples
    carrier_hz: float
    mean: Samples
    precision: Samples
    count: int = 4

    @property
    def prior_mean(self) -> Samples:
        return np.concatenate(([0.0, 0.0], self.mean))

    @property
    def prior_precision(self) -> Samples:
        precision = np.zeros((4, 4))
        precision[2:, 2:] = self.precision
        return precision

    def phase(self, parameters: Samples) -> Samples:
        start, slope, glide, log_tau = parameters.tolist()
        bend = bend_alone(self.times_s, self.carrier_hz, log_tau)
        return np.asarray(start + slope * self.times_s + glide * bend)

    def slopes(self, parameters: Samples) -> Samples:
        bend, by_log_tau = bend_of(self.times_s, self.carrier_hz, float(parameters[3]))
        return np.stack((np.ones_like(self.times_s), self.times_s, bend, parameters[2] * by_log_tau), axis=1)


def grown(rate: complex, times: Samples) -> Complexes:
    """exp(rate t), shape (n,), held where it would leave what floats can hold."""
    exponent = rate * times
    return np.asarray(np.exp(np.minimum(exponent.real, 50.0) + 1j * exponent.imag))


def bend_alone(times_s: Samples, carrier_hz: float, log_tau: float) -> Samples:
    """Phase in radians that one cent of glide at time 0 adds by each time, shape (n,)."""
    scale, tau, fallen = _fallen(times_s, carrier_hz, log_tau)
    return np.asarray(scale * tau / 2.0 * (1.0 - fallen))


def bend_of(times_s: Samples, carrier_hz: float, log_tau: float) -> tuple[Samples, Samples]:
    """The same, and its derivative by ln tau; both (n,)."""
    scale, tau, fallen = _fallen(times_s, carrier_hz, log_tau)
    bend = scale * tau / 2.0 * (1.0 - fallen)
    return bend, bend - scale * times_s * fallen


def _fallen(times_s: Samples, carrier_hz: float, log_tau: float) -> tuple[float, float, Samples]:
    """Radians a second of one cent, tau in seconds, and what is left of a glide of 1 by each time."""
    tau = math.exp(min(max(log_tau, -5.0), 5.0))
    return 2.0 * math.pi * carrier_hz / CENTS_PER_E, tau, np.exp(-2.0 * times_s / tau)


@dataclass(frozen=True)
class Line:
    """Another steady tone near the partial: its frequency in Hz and how large it may be (1 sd of its amplitude).

    ``multiple`` says which multiple of the mains it is: the multiples share what is not known of its frequency.
    """

    hz: float
    amplitude: float
    multiple: int = 0


@dataclass(frozen=True)
class Tone:
    """A fitted tone.

    Attributes:
        decay: coefficients of a(t), ascending.
        phase: parameters of the phase model.
        second: c and g of a second polarisation, or None.
        covariance: of (decay, phase, Re c, Im c, Re g, Im g) in that order, shape (p, p).
        independent: how many independent values the residual is worth.
        power: mean square of the residual.
        score: Bayesian information criterion (Schwarz, Ann. Stat. 6 (1978) 461); smaller is likelier.
        evidence: -2 log of the model's evidence by Laplace's method, for models that differ only in parameters with a
            prior (Kass & Raftery, J. Am. Stat. Assoc. 90 (1995) 773); smaller is likelier.
    """

    decay: Samples
    phase: Samples
    second: tuple[complex, complex] | None = None
    covariance: Samples = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    independent: float = 0.0
    power: float = math.inf
    score: float = math.inf
    evidence: float = math.inf

    def beating(self, times: Samples) -> Complexes:
        """1 + c exp(g t): what the second polarisation does to the first, shape (n,)."""
        if self.second is None:
            return np.ones(len(times), dtype=np.complex128)
        c, g = self.second
        return np.asarray(1.0 + c * grown(g, times))


@dataclass(frozen=True)
class Beforehand:
    """What is known of a tone before it is heard, besides its phase: standard deviations, infinite for nothing.

    Attributes:
        decay: of the coefficients of a(t), ascending, as far as given.
        second: of c (real and imaginary part alike), Re g and Im g.
    """

    decay: tuple[float, ...] = ()
    second: tuple[float, float, float] = (math.inf, math.inf, math.inf)

    def precision(self, decays: int, poles: int) -> tuple[Samples, Samples]:
        """Diagonals of the inverse covariance for the decay, (decays,), and for the second polarisation, (poles,)."""
        decay = [1.0 / sd**2 for sd in self.decay[:decays]]
        c, g_re, g_im = (1.0 / sd**2 for sd in self.second)
        return np.array(decay + [0.0] * (decays - len(decay))), np.array([c, c, g_re, g_im][:poles])


def averaged(scores: Sequence[float], values: Sequence[float], variances: Sequence[float]) -> tuple[float, float]:
    """Several models' answers to one question as one, with its variance: what they disagree about is part of it.

    Bayesian model averaging (Hoeting et al., Stat. Sci. 14 (1999) 382).

    Args:
        scores: -2 log of each model's evidence, but for a constant.
        values, variances: each model's answer.

    Returns:
        Mean and variance; not a number and infinite when no model has an answer.
    """
    each = np.array([scores, values, variances])
    score, answer, variance = each[:, np.isfinite(each).all(axis=0)]  # a fit that ran away is no model
    if not len(score):
        return math.nan, math.inf
    likely = np.exp(-0.5 * np.minimum(score - score.min(), 700.0))
    likely /= likely.sum()
    mean = float(likely @ answer)
    return mean, max(0.0, float(likely @ (variance + (answer - mean) ** 2)))
