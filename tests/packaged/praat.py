"""Praat on the first partial alone, as the pitch benchmark uses it: its autocorrelation behind a band-pass."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

_BENCH = str(Path(__file__).resolve().parents[1] / "bench" / "pitch")


def first_partial_hz(samples: NDArray[np.float64], rate_hz: float, hint_hz: float) -> float | None:
    """Mean pitch of ``samples``, shape (n,), band-passed around ``hint_hz``; None when Praat refuses."""
    sys.path.append(_BENCH)  # the benchmark's files are scripts and no package
    try:
        from peers import filtered, praat_ac
    finally:
        sys.path.remove(_BENCH)
    return filtered(praat_ac)(samples, rate_hz, hint_hz)
