"""Least squares of small problems: by their normal equations, and of many rows of values at once.

Parameters have very different sizes (radians, cents, seconds). So the columns of normal equations are first scaled to
the same size: that keeps rounding small.
"""

from __future__ import annotations

import numpy as np

from oscservice.hearing.resampling import Samples


def solution(normal: Samples, right: Samples) -> Samples:
    """Return the solution of normal equations; the shortest one where there are several.

    Parameters
    ----------
    normal : ndarray of float64, shape (p, p)
        Matrix of the equations, symmetric.
    right : ndarray of float64, shape (p,)
        Right side.

    Returns
    -------
    ndarray of float64
        Shape (p,).
    """
    unit = _unit(normal)
    scaled, *_ = np.linalg.lstsq(normal * (unit[:, None] * unit), right * unit, rcond=1e-13)
    return np.asarray(scaled * unit)


def inverse(normal: Samples, smallest: float) -> Samples:
    """Return the pseudo-inverse of a normal matrix.

    It has the bits of ``numpy.linalg.pinv``, which takes three times as long for matrices as small as these.

    Parameters
    ----------
    normal : ndarray of float64, shape (p, p)
        Symmetric.
    smallest : float
        Eigenvalues below this share of the largest count as 0.

    Returns
    -------
    ndarray of float64
        Shape (p, p).
    """
    unit = _unit(normal)
    scale = unit[:, None] * unit
    values, vectors = np.linalg.eigh(normal * scale)
    sizes = np.abs(values)
    order = sizes.argsort()[::-1]
    sizes, vectors, signs = sizes[order], vectors.take(order, axis=1), np.copysign(1.0, values[order])
    inverses = np.zeros_like(sizes)
    np.divide(1.0, sizes, out=inverses, where=sizes > smallest * sizes[0])
    return np.asarray(np.matmul(vectors * signs, inverses[:, None] * vectors.T) * scale)


def projected(columns: Samples, values: Samples, weight: Samples) -> tuple[Samples, Samples]:
    """Return the weighted least squares of each row of values on the same columns.

    Parameters
    ----------
    columns : ndarray of float64, shape (n, k)
        What each coefficient multiplies.
    values : ndarray of float64, shape (m, n)
        The rows.
    weight : ndarray of float64, shape (n,)
        Weight of each residual before it is squared.

    Returns
    -------
    tuple[Samples, Samples]
        Coefficients of each row, shape (m, k); its residual sum of squares, shape (m,).
    """
    orthogonal, triangle = np.linalg.qr(columns * weight[:, None])
    rows = values * weight[None, :]
    along = rows @ orthogonal
    left = (rows**2).sum(axis=1) - (along**2).sum(axis=1)
    return np.asarray(np.linalg.solve(triangle, along.T).T), np.asarray(left)


def _unit(normal: Samples) -> Samples:
    """Return the factor that scales each column, shape (p,)."""
    return np.asarray(1.0 / np.sqrt(np.maximum(normal.diagonal(), 1e-300)))
