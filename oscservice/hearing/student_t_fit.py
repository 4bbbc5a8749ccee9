"""Student's t: fits of values that scatter by an unknown size, weights that resist outliers, and quantiles.

``scattered`` averages over the size of the scatter and does not guess it. So two or three values that happen to agree
don't claim to know their mean to a hundredth of a cent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from oscservice.hearing.resampling import Samples

DEGREES = 4.0
"""Degrees of freedom of robust weights: nearly normal for most values, and a few far ones count little."""

NORMAL_VARIANCE = (DEGREES + 1.0) * (
    1.0 - math.sqrt(DEGREES * math.pi / 2.0) * math.exp(DEGREES / 2.0) * math.erfc(math.sqrt(DEGREES / 2.0))
)
"""Variance that robust weights leave of normal values of variance 1: the mean of (nu + 1) z^2 / (nu + z^2)."""

_NORMAL_ABOVE = 1e4  # degrees of freedom


def robust_weight(square: Samples) -> Samples:
    """Return the weights of values in an iterated fit, by their squared residuals over their variances.

    Source: K. L. Lange, R. J. A. Little and J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881.

    Parameters
    ----------
    square : ndarray of float64
        Squared residuals over variances; any shape.

    Returns
    -------
    ndarray of float64
        Weights, the shape of ``square``: 1.25 at a residual of 0, less for larger ones.
    """
    return (DEGREES + 1.0) / (DEGREES + square)


def t_quantile(probability: float, degrees: float) -> float:
    """Return the value below which Student's t is with this probability."""
    return float(ndtri(probability) if degrees > _NORMAL_ABOVE else stdtrit(degrees, probability))


@dataclass(frozen=True)
class Scattered:
    """Solutions for each scatter of a grid, and how likely each is.

    Attributes
    ----------
    likely : ndarray of float64, shape (g,)
        Probability of each scatter of the grid; they sum to 1.
    solutions : ndarray of float64, shape (g, p)
        Solution for each scatter.
    covariances : ndarray of float64, shape (g, p, p)
        Covariance of each solution.
    scatter : float
        Likely size of the scatter, 1 sd: the root of the harmonic mean of its variance.
    log_evidence : float
        Log of the likelihood, averaged over the scatter's prior: tells models of the same values apart.
    """

    likely: Samples
    solutions: Samples
    covariances: Samples
    scatter: float
    log_evidence: float = 0.0


def scattered(
    design: Samples, values: Samples, known: Samples, grid: Samples, prior_sd: float, prior_weight: float
) -> Scattered:
    """Return the weighted least squares of values on the columns of a design, for every scatter of a grid.

    Likelihoods are restricted ones (Patterson & Thompson, Biometrika 58 (1971) 545, from memory), under a scaled
    inverse chi-squared prior.

    Parameters
    ----------
    design : ndarray of float64, shape (n, p)
        Derivatives of the values by the p parameters.
    values : ndarray of float64, shape (n,)
        The values; they are independent of each other.
    known : ndarray of float64, shape (n,)
        Variances of the values without the scatter.
    grid : ndarray of float64, shape (g,)
        Variances of the scatter to try, above 0.
    prior_sd : float
        Scatter expected beforehand, 1 sd, in the unit of the values.
    prior_weight : float
        Number of values that this expectation counts as.

    Returns
    -------
    Scattered
        The solution for each scatter, and its probability.
    """
    deviation = np.sqrt(known + grid[:, None])  # (g, n)
    unit = 1.0 / np.maximum(np.abs(design).max(axis=0), 1e-300)  # columns of one size keep rounding out
    whitened = (design * unit) / deviation[:, :, None]
    return _averaged(whitened, values / deviation, np.log(deviation).sum(axis=1), unit, grid, prior_sd, prior_weight)


def scattered_unlike(
    design: Samples,
    values: Samples,
    known: Samples,
    share: Samples,
    grid: Samples,
    prior_sd: float,
    prior_weight: float,
) -> Scattered:
    """Return the same as ``scattered`` for values that are not independent and do not scatter alike.

    Parameters
    ----------
    design : ndarray of float64, shape (n, p)
        Derivatives of the values by the p parameters.
    values : ndarray of float64, shape (n,)
        The values.
    known : ndarray of float64, shape (n, n)
        Covariance of the values without the scatter.
    share : ndarray of float64, shape (n,)
        Scatter of each value over the scatter of the grid (a ratio of standard deviations).
    grid : ndarray of float64, shape (g,)
        Variances of the scatter to try, above 0.
    prior_sd, prior_weight : float
        The prior of the scatter, as in ``scattered``.

    Returns
    -------
    Scattered
        The solution for each scatter, and its probability.
    """
    covariance = known + grid[:, None, None] * np.diag(share**2)
    lower = np.linalg.cholesky(covariance)  # (g, n, n)
    unit = 1.0 / np.maximum(np.abs(design).max(axis=0), 1e-300)
    right = np.column_stack([design * unit, values])
    whitened = np.linalg.solve(lower, np.broadcast_to(right, (len(grid), *right.shape)))
    log_deviation = np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    return _averaged(whitened[:, :, :-1], whitened[:, :, -1], log_deviation, unit, grid, prior_sd, prior_weight)


def _averaged(
    design: Samples,
    values: Samples,
    log_deviation: Samples,
    unit: Samples,
    grid: Samples,
    prior_sd: float,
    prior_weight: float,
) -> Scattered:
    """Return the solutions of whitened ``design``, (g, n, p), and ``values``, (g, n), and their probabilities."""
    normal = np.einsum("gni,gnj->gij", design, design)
    inverse = np.linalg.inv(normal)
    solutions = np.einsum("gij,gnj,gn->gi", inverse, design, values)
    misfit = ((values - np.einsum("gni,gi->gn", design, solutions)) ** 2).sum(axis=1)
    log_likelihood = -log_deviation - 0.5 * (np.linalg.slogdet(normal)[1] + misfit)
    log_prior = -0.5 * prior_weight * (np.log(grid) + prior_sd**2 / grid)
    log_both = log_likelihood + log_prior
    likely = np.exp(log_both - log_both.max())
    total = float(likely.sum())
    likely /= total
    return Scattered(
        np.asarray(likely),
        solutions * unit,
        inverse * np.outer(unit, unit),
        float((likely / grid).sum() ** -0.5),
        # The columns' scale is no part of the evidence.
        float(log_both.max()) + math.log(total) + float(np.log(unit).sum()),
    )
