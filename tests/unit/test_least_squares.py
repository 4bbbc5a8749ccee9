"""Least squares of small problems, against numpy's general functions."""

from __future__ import annotations

import numpy as np
import pytest

from oscservice.hearing.least_squares import inverse, projected, solution


def matrices(count: int) -> list[np.ndarray]:
    """Normal matrices of ``count`` parameters of very different sizes, the last of them without full rank."""
    rng = np.random.default_rng(count)
    rows = [count + 40] * 20 + [count + 1, max(1, count - 1)]
    columns = [rng.standard_normal((each, count)) * 10.0 ** rng.uniform(-4.0, 4.0, count) for each in rows]
    return [each.T @ each for each in columns]


@pytest.mark.parametrize("count", range(1, 35))
def test_the_inverse_has_the_bits_of_numpys_pseudo_inverse(count: int) -> None:
    for normal in matrices(count):
        unit = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
        scale = np.outer(unit, unit)
        for smallest in (1e-15, 1e-14, 1e-3):
            expected = np.linalg.pinv(normal * scale, rcond=smallest, hermitian=True) * scale
            assert inverse(normal, smallest).tobytes() == expected.tobytes()


def test_an_inverse_of_zeros_is_zeros() -> None:
    assert not inverse(np.zeros((3, 3)), 1e-15).any()


@pytest.mark.parametrize("count", [1, 2, 7, 20])
def test_the_solution_solves_the_equations(count: int) -> None:
    normal, wanted = matrices(count)[0], np.arange(1.0, count + 1.0)
    assert solution(normal, normal @ wanted) == pytest.approx(wanted, rel=1e-6)


def test_each_row_is_fitted_apart() -> None:
    rng = np.random.default_rng(3)
    columns, values, weight = rng.standard_normal((50, 3)), rng.standard_normal((4, 50)), rng.uniform(0.1, 2.0, 50)
    coefficients, left = projected(columns, values, weight)
    for row, own, squares in zip(values, coefficients, left, strict=True):
        expected, residual, *_ = np.linalg.lstsq(columns * weight[:, None], row * weight)
        assert own == pytest.approx(expected)
        assert squares == pytest.approx(float(residual[0]))
