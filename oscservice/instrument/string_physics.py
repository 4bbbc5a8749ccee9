"""Physics of one steel string: tension, stiffness, and mass per length.

Lengths are in mm, tension in N, mass per length in kg/m, frequency in Hz. The stiffness of a wound string is that of
its core; its mass is that of core and winding.
"""

from __future__ import annotations

import math

import numpy as np

from oscservice.defaults import INCH_MM

STEEL_MODULUS_PA = 200e9
STEEL_MODULUS_SD_PA = 7e9
"""Young's modulus of music wire, and its standard deviation: between 190 GPa in materials tables for ASTM A228 and 203
GPa in spring design books for thin wire."""

MUSIC_WIRE_STRENGTH_PA = 2450e6
"""Tensile strength of music wire (ASTM A228 data sheet); thin wire is stronger, old and kinked wire weaker."""

PLAIN_STEEL_KG_M3 = 7806.0
"""Density by the plain rows of the published string tension chart (0.282 lb/in3)."""

LB_IN_KG_M = 0.45359237 / 0.0254
"""Pounds per inch in kg/m."""

# Unit weights of nickel-wound strings from the published string tension chart: gauge in inches, 1e-4 lb per inch.
_WOUND_GAUGE_IN, _WOUND_WEIGHT = np.array(
    [
        (0.018, 0.6215), (0.020, 0.7495), (0.022, 0.9184), (0.024, 1.0857), (0.026, 1.2671), (0.028, 1.4666),
        (0.030, 1.7236), (0.032, 1.9347), (0.034, 2.1590), (0.036, 2.3964), (0.038, 2.6471), (0.042, 3.2279),
        (0.044, 3.5182), (0.046, 3.8216), (0.048, 4.1382), (0.049, 4.3014), (0.052, 4.8109), (0.054, 5.3838),
        (0.056, 5.7598),
    ]
).T  # fmt: skip


def plain_unit_weight_kg_m(gauge_mm: float) -> float:
    """Return the mass per length of plain steel wire: density times cross-section."""
    return PLAIN_STEEL_KG_M3 * math.pi * (gauge_mm * 1e-3) ** 2 / 4.0


def wound_unit_weight_kg_m(gauge_mm: float) -> float:
    """Return the mass per length of a nickel-wound string, interpolated in the published chart (.018 to .056).

    The effective density (mass over the full cross-section) is interpolated, since it is nearly constant. Outside the
    chart that of its last row is used, so heavier strings (bass) are an estimate.
    """
    density = _WOUND_WEIGHT / _WOUND_GAUGE_IN**2
    gauge_in = gauge_mm / INCH_MM
    return float(np.interp(gauge_in, _WOUND_GAUGE_IN, density)) * gauge_in**2 * 1e-4 * LB_IN_KG_M


def tension_n(unit_weight_kg_m: float, frequency_hz: float, length_mm: float) -> float:
    """Return the tension of an ideal string of that pitch: T = mu (2 L f)^2 (Mersenne's law)."""
    return unit_weight_kg_m * (2.0 * length_mm * 1e-3 * frequency_hz) ** 2


def inharmonicity(core_mm: float, tension_n: float, length_mm: float, modulus_pa: float = STEEL_MODULUS_PA) -> float:
    """Return the inharmonicity coefficient B of f_k = k f0 sqrt(1 + B k^2) with pinned ends.

    B = pi^3 E d^4 / (64 T L^2), where ``core_mm`` is d (the core of a wound string) and ``tension_n`` T.
    Source: H. Fletcher, "Normal vibration frequencies of a stiff piano string", J. Acoust. Soc. Am. 36 (1964) 203.
    """
    return math.pi**3 * modulus_pa * (core_mm * 1e-3) ** 4 / (64.0 * tension_n * (length_mm * 1e-3) ** 2)


def kappa(core_mm: float, tension_n: float, modulus_pa: float = STEEL_MODULUS_PA) -> float:
    """Return the relative rise of tension per relative stretch: E A / T, with the core's cross-section A.

    Source: M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, where T = T0 (1 + kappa Q).
    """
    return modulus_pa * math.pi * (core_mm * 1e-3) ** 2 / 4.0 / tension_n


def stiffness_length_mm(core_mm: float, tension_n: float, modulus_pa: float = STEEL_MODULUS_PA) -> float:
    """Return sqrt(E I / T) with I = pi d^4 / 64: the length by which one clamped end shortens a stiff string.

    The inharmonicity of the same string is B = (pi length / L)^2.
    """
    second_moment_m4 = math.pi * (core_mm * 1e-3) ** 4 / 64.0
    return math.sqrt(modulus_pa * second_moment_m4 / tension_n) * 1e3


def strength_share(core_mm: float, tension_n: float) -> float:
    """Return the stress in a core over the tensile strength of music wire; the core alone carries the tension."""
    return tension_n / (math.pi * (core_mm * 1e-3) ** 2 / 4.0) / MUSIC_WIRE_STRENGTH_PA


def fret_position_mm(scale_mm: float, fret: int) -> float:
    """Return the distance from the nut to a fret in equal temperament: L (1 - 2^(-n/12))."""
    return scale_mm * (1.0 - float(2.0 ** (-fret / 12.0)))
