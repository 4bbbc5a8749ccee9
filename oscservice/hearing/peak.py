"""The top of a sampled curve between its samples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from oscservice.hearing.resample import Samples


def vertices(curve: Samples, at: npt.NDArray[np.int64]) -> tuple[Samples, Samples]:
    """Tops of parabolas through the samples at local maxima ``at``, shape (m,), and their neighbours.

    Returns:
        How far each top lies after its sample, in samples, and its height; both (m,).
    """
    left, middle, right = curve[at - 1], curve[at], curve[at + 1]
    shift = 0.5 * (left - right) / np.minimum(left - 2.0 * middle + right, -1e-12)
    return shift, middle - 0.25 * (left - right) * shift
