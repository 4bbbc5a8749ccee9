"""Least squares of values that scatter by an unknown size: the size is averaged over, not guessed.

So two or three values that happen to agree don't claim to know their mean to a hundredth of a cent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oscservice.hearing.resample import Samples


@dataclass(frozen=True)
class Scattered:
    """Solutions for each scatter of a grid, and how likely each is.

    Attributes:
        likely: probabilities, shape (g,).
        solutions: shape (g, p).
        covariances: shape (g, p, p).
        scatter: likely size of the scatter, 1 sd.
    """

    likely: Samples
    solutions: Samples
    covariances: Samples
    scatter: float


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
    variance = known + grid[:, None]  # (g, n)
    unit = 1.0 / np.maximum(np.abs(design).max(axis=0), 1e-300)  # columns of one size keep rounding out
    scaled = design * unit
    normal = np.einsum("ni,gn,nj->gij", scaled, 1.0 / variance, scaled)
    inverse = np.linalg.inv(normal)
    solutions = np.einsum("gij,nj,gn,n->gi", inverse, scaled, 1.0 / variance, values)
    misfit = ((values - solutions @ scaled.T) ** 2 / variance).sum(axis=1)
    log_likelihood = -0.5 * (np.log(variance).sum(axis=1) + np.linalg.slogdet(normal)[1] + misfit)
    log_prior = -0.5 * prior_weight * (np.log(grid) + prior_sd**2 / grid)
    likely = np.exp(log_likelihood + log_prior - (log_likelihood + log_prior).max())
    likely /= likely.sum()
    return Scattered(
        np.asarray(likely),
        solutions * unit,
        inverse * np.outer(unit, unit),
        float((likely / grid).sum() ** -0.5),
    )
