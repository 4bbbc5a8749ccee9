"""Measuring a frequency with nothing but the definition: phase gained over time."""

from __future__ import annotations

import math

import numpy as np


def phase_slope_hz(samples, rate_hz, near_hz, t0_s, t1_s, width_s=0.25):
    """Frequency from the advance of one partial's phase between two windows centred at t0_s and t1_s."""
    half = int(width_s * rate_hz / 2)
    window = np.hanning(2 * half)
    phases = []
    for centre_s in (t0_s, t1_s):
        first = round(centre_s * rate_hz) - half
        time = (first + np.arange(2 * half)) / rate_hz
        piece = samples[first : first + 2 * half] * window
        phases.append(np.angle(np.sum(piece * np.exp(-2j * math.pi * near_hz * time))))
    turns = (phases[1] - phases[0]) / (2.0 * math.pi)
    return near_hz + (turns - round(turns)) / (t1_s - t0_s)
