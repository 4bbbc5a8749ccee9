"""Phase models of a partial: a polynomial, or a glide down to a settled pitch.

Phases are in radians, times in seconds (or on the caller's scale), frequencies in Hz; a glide is in cents above the
settled pitch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from oscservice.hearing.resampling import Samples
from oscservice.instrument.pitch import CENTS_PER_E


class PhaseModel(Protocol):
    """The phase p(t) of a tone.

    Attributes
    ----------
    count : int
        Number of parameters.
    prior_mean : ndarray of float64, shape (count,)
        Mean of the parameters' normal prior.
    prior_precision : ndarray of float64, shape (count, count)
        Inverse covariance of that prior; 0 where nothing is known beforehand.
    """

    @property
    def count(self) -> int: ...

    @property
    def prior_mean(self) -> Samples: ...

    @property
    def prior_precision(self) -> Samples: ...

    def phase(self, parameters: Samples) -> Samples:
        """Return p at every time of the model.

        Parameters
        ----------
        parameters : ndarray of float64, shape (count,)
            Parameters of the model.

        Returns
        -------
        ndarray of float64
            Radians, shape (n,).
        """

    def jacobian(self, parameters: Samples) -> Samples:
        """Return the derivatives of p by the parameters at every time of the model.

        Parameters
        ----------
        parameters : ndarray of float64, shape (count,)
            Parameters of the model.

        Returns
        -------
        ndarray of float64
            Radians per unit of each parameter, shape (n, count).
        """


@dataclass(frozen=True)
class PolynomialPhase:
    """p(t) as a polynomial; the parameters are its coefficients, ascending. Nothing is known of them beforehand.

    Attributes
    ----------
    times : ndarray of float64, shape (n,)
        Time of each value, on any scale.
    degree : int
        Degree of the polynomial.
    count : int
        Number of parameters: ``degree`` + 1.
    prior_mean, prior_precision : ndarray of float64
        Zeros; shapes (count,) and (count, count).
    """

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
        """Return the polynomial at ``times``.

        Parameters
        ----------
        parameters : ndarray of float64, shape (count,)
            Coefficients, ascending.

        Returns
        -------
        ndarray of float64
            Radians, shape (n,).
        """
        return np.asarray(np.polynomial.polynomial.polyval(self.times, parameters))

    def jacobian(self, parameters: Samples) -> Samples:
        """Return the powers of ``times``: the derivatives by the coefficients.

        Parameters
        ----------
        parameters : ndarray of float64, shape (count,)
            Coefficients; they have no effect.

        Returns
        -------
        ndarray of float64
            Powers 0 to ``degree``, shape (n, count).
        """
        return np.vander(self.times, self.count, increasing=True)


@dataclass(frozen=True)
class GlidePhase:
    """p(t) of a string that glides down to its settled pitch: a phase, a slope, and a glide of g exp(-2 t / tau).

    The parameters are the phase in rad, the slope in rad/s, g in cents at time 0, and ln tau (tau in seconds). The
    glide follows the energy of the vibration, so tau is near the time constant of the amplitude.
    Source: K. A. Legge and N. H. Fletcher, J. Acoust. Soc. Am. 76 (1984) 5, from memory.

    Attributes
    ----------
    times_s : ndarray of float64, shape (n,)
        Time of each value, seconds.
    carrier_hz : float
        Frequency that the cents of the glide refer to.
    mean : ndarray of float64, shape (2,)
        Prior mean of g and ln tau.
    precision : ndarray of float64, shape (2, 2)
        Inverse covariance of that prior.
    count : int
        Number of parameters: 4.
    prior_mean, prior_precision : ndarray of float64
        ``mean`` and ``precision``, with 0 for the phase and the slope; shapes (4,) and (4, 4).
    """

    times_s: Samples
    carrier_hz: float
    mean: Samples
    precision: Samples
    count: int = 4
    _latest: dict[float, tuple[float, Samples, Samples]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )  # by ln tau: a fit asks for the same one several times

    @property
    def prior_mean(self) -> Samples:
        return np.concatenate(([0.0, 0.0], self.mean))

    @property
    def prior_precision(self) -> Samples:
        precision = np.zeros((4, 4))
        precision[2:, 2:] = self.precision
        return precision

    def phase(self, parameters: Samples) -> Samples:
        """Return p at ``times_s``.

        Parameters
        ----------
        parameters : ndarray of float64, shape (4,)
            Phase in rad, slope in rad/s, g in cents, ln tau.

        Returns
        -------
        ndarray of float64
            Radians, shape (n,).
        """
        start, slope, glide, log_tau = parameters.tolist()
        _, per_cent, _ = self._glide(log_tau)
        return np.asarray(start + slope * self.times_s + glide * per_cent)

    def jacobian(self, parameters: Samples) -> Samples:
        """Return the derivatives of p by the parameters at ``times_s``.

        Parameters
        ----------
        parameters : ndarray of float64, shape (4,)
            Phase in rad, slope in rad/s, g in cents, ln tau.

        Returns
        -------
        ndarray of float64
            Radians per unit of each parameter, shape (n, 4).
        """
        scale, per_cent, left = self._glide(float(parameters[3]))
        slopes = np.empty((len(self.times_s), 4))
        slopes[:, 0], slopes[:, 1], slopes[:, 2] = 1.0, self.times_s, per_cent
        slopes[:, 3] = parameters[2] * (per_cent - scale * self.times_s * left)
        return slopes

    def _glide(self, log_tau: float) -> tuple[float, Samples, Samples]:
        """Return the rad/s of one cent, the phase of a glide of one cent, (n,), and the share of it left, (n,)."""
        known = self._latest.get(log_tau)
        if known is None:
            scale, tau, left = _glide_terms(self.times_s, self.carrier_hz, log_tau)
            known = scale, scale * tau / 2.0 * (1.0 - left), left
            self._latest.clear()
            self._latest[log_tau] = known
        return known


def glide_phase(times_s: Samples, carrier_hz: float, log_tau: float) -> Samples:
    """Return the phase that a glide of one cent at time 0 has added at each time.

    Parameters
    ----------
    times_s : ndarray of float64, shape (n,)
        Seconds.
    carrier_hz : float
        Frequency that the cents refer to.
    log_tau : float
        Ln of tau in seconds; the glide falls as exp(-2 t / tau).

    Returns
    -------
    ndarray of float64
        Radians, shape (n,).
    """
    scale, tau, left = _glide_terms(times_s, carrier_hz, log_tau)
    return np.asarray(scale * tau / 2.0 * (1.0 - left))


def glide_phase_and_derivative(times_s: Samples, carrier_hz: float, log_tau: float) -> tuple[Samples, Samples]:
    """Return the phase by ``glide_phase``, and its derivative by ln tau.

    Parameters
    ----------
    times_s : ndarray of float64, shape (n,)
        Seconds.
    carrier_hz : float
        Frequency that the cents refer to.
    log_tau : float
        Ln of tau in seconds.

    Returns
    -------
    tuple[Samples, Samples]
        Phase in radians and its derivative, both shape (n,).
    """
    scale, tau, left = _glide_terms(times_s, carrier_hz, log_tau)
    phase = scale * tau / 2.0 * (1.0 - left)
    return phase, phase - scale * times_s * left


def _glide_terms(times_s: Samples, carrier_hz: float, log_tau: float) -> tuple[float, float, Samples]:
    """Return the rad/s of one cent, tau in seconds (limited), and the share of the glide left at each time, (n,)."""
    tau = math.exp(min(max(log_tau, -5.0), 5.0))
    return 2.0 * math.pi * carrier_hz / CENTS_PER_E, tau, np.exp(-2.0 * times_s / tau)
