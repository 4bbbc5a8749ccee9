"""Least squares with the scatter averaged over: against what is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from oscservice.hearing.student_t_fit import scattered

GRID = np.geomspace(1e-3, 1e3, 400) ** 2


def test_the_mean_of_values_of_unknown_scatter_is_students():
    """Flat prior on mean and logarithm of the scatter: Student's t of n - 1 degrees about the mean with scale
    s / sqrt(n) (Gelman et al., Bayesian Data Analysis, section 3.2, from memory); its variance is scipy's."""
    for count in (5, 8, 30):
        values = np.random.default_rng(count).normal(3.0, 0.7, count)
        found = scattered(np.ones((count, 1)), values, np.zeros(count), GRID, 1.0, 0.0)
        scale = values.std(ddof=1) / np.sqrt(count)
        mean = float(found.likely @ found.solutions[:, 0])
        variance = float(found.likely @ (found.covariances[:, 0, 0] + (found.solutions[:, 0] - mean) ** 2))
        assert mean == pytest.approx(values.mean())
        assert variance == pytest.approx(scale**2 * student.var(count - 1), rel=0.01)


def test_columns_of_any_size_give_the_same_answer():
    draw = np.random.default_rng(1)
    design = np.stack((np.ones(9), draw.normal(size=9)), axis=1)
    values, known = draw.normal(size=9), draw.uniform(0.0, 0.2, 9)
    plain = scattered(design, values, known, GRID, 0.6, 4.0)
    stretched = scattered(design * [1.0, 1e7], values, known, GRID, 0.6, 4.0)
    assert stretched.likely == pytest.approx(plain.likely, abs=1e-9)
    assert stretched.solutions[:, 1] * 1e7 == pytest.approx(plain.solutions[:, 1], rel=1e-9)
    assert stretched.scatter == pytest.approx(plain.scatter)


def test_two_values_that_agree_keep_the_scatter_that_was_expected():
    found = scattered(np.ones((2, 1)), np.zeros(2), np.zeros(2), GRID, 0.6, 4.0)
    assert 0.3 < found.scatter < 0.6
