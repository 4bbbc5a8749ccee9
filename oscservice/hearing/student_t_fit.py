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
    """
    return (DEGREES + 1.0) / (DEGREES + square)


def t_quantile(probability: float, degrees: float) -> float:
    """Return the value below which Student's t is with this probability."""
    return float(ndtri(probability) if degrees > _NORMAL_ABOVE else stdtrit(degrees, probability))


@dataclass(frozen=True)
class Scattered:
    """Solutions for each scatter of a grid, and how likely each is.

    Attributes:
        likely: probabilities, shape (g,).
        solutions: shape (g, p).
        covariances: shape (g, p, p).
        scatter: likely size of the scatter, 1 sd.
        log_evidence: log of the likelihood, averaged over the scatter's prior: tells models of the same values apart.
    """

    likely: Samples
    solutions: Samples
    covariances: Samples
    scatter: float
    log_evidence: float = 0.0


def scattered(
    design: Samples, values: Samples, known: Samples, grid: Samples, prior_sd: float, prior_weight: float
) -> Scattered:
    """Weighted least squares of ``values``, (n,), on ``design``, (n, p), for every scatter variance of ``grid``, (g,).

    Likelihoods are restricted ones (Patterson & Thompson, Biometrika 58 (1971) 545, from memory), under a scaled
    inverse chi-squared prior.

    Args:
        known: variances of the values without the scatter, (n,); values are independent of each other.
        prior_sd: scatter expected beforehand, 1 sd.
        prior_weight: how many values' worth of evidence that is.
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
    """As ``scattered``, of values that are not independent and do not scatter alike.

    Args:
        known: covariance of the values without the scatter, (n, n).
        share: how much each value scatters, as a share of the scatter (a standard deviation), (n,).
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
    """The solutions of whitened ``design``, (g, n, p), and ``values``, (g, n), and their probabilities."""
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
