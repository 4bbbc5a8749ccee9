"""How stiff a string should sound: its B open or stopped, what its build lets expect, and what its readings teach.

Everything is in natural logarithms of B, since what is unknown of B is a factor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from oscservice.instrument.pitch import OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.instrument.strings import inharmonicity, tension_n

WOUND_SD = 0.4
"""Core diameters are in no maker's chart: +-10 % in the core is +-40 % in B, which goes with its fourth power."""

PLAIN_SD = 0.25
"""A plain string one gauge off the profile's (.009 for .010) is 20 % off in B; its modulus is known to 3.5 %."""

STOPPED_SD = 0.1
"""How far a stopped string's B may leave the law. Measured B at fret 12 is 3.4 to 4.1 times the open string's, where
the law says 4 (Bastas et al., ICASSP 2022, 771: the trained table in the authors' public repository)."""

STRAY_SD = 0.1
"""How far a reading's B strays beyond its standard error, as neck and body pull at single partials: of 96 recorded
notes of twelve pitches three quarters lay within 8 % of their pitch's median, the farthest was 25 % off."""

BAD_SHARE = 0.1
"""Readings whose B is not the string's at all: a neighbour's partials, or a body's. None of those 96 notes was one,
which says little of other strings and other hands."""

_WIDEST = math.log(1e-2 / 1e-6)  # a bad B is anything between one and ten thousand millionths
_SUREST_SD = 0.05  # a string's B is never taken to be better known than this


@dataclass(frozen=True)
class Stiffness:
    """ln B of an open string at its nominal pitch, or of a place on it, and its standard deviation."""

    log_b: float
    sd: float


def expected_stiffness(instrument: Instrument, number: int) -> Stiffness:
    """What a string's build lets expect: Fletcher's B from core, weight, length and nominal pitch."""
    spec = instrument.string(number)
    length_mm = spec.scale_mm + spec.setback_mm
    tension = tension_n(spec.unit_weight_kg_m, instrument.open_hz(number), length_mm)
    b = inharmonicity(spec.core_mm, tension, length_mm)
    return Stiffness(math.log(b), WOUND_SD if spec.wound else PLAIN_SD)


def at_place(stiffness: Stiffness, place: Place, cents: float) -> Stiffness:
    """Stiffness of a place on a string that is ``cents`` sharp of its nominal pitch there.

    B = pi^3 E d^4 / (64 T L^2) (see ``inharmonicity``) goes with 1 / L^2 at one tension, so a string stopped at fret k
    has B 2^(k/6) (J. Kemp, SN Appl. Sci. 2 (2020) 636, second-hand); and T goes with the square of the open pitch. A
    12th-fret harmonic sounds the even partials 2k f0 sqrt(1 + 4 B k^2): 4 B in terms of its own first one, as fret 12.
    """
    log_b = stiffness.log_b + math.log(2.0) * (place.semitones / 6.0 - cents / 600.0)
    return Stiffness(log_b, stiffness.sd if place == OPEN else math.hypot(stiffness.sd, STOPPED_SD))


def log_stiffness(inharmonicity: float, inharmonicity_se: float | None) -> Stiffness | None:
    """A reading's B as a logarithm with its standard deviation, straying counted in; None where it is no evidence.

    A B below half its standard error is taken as that half, at a factor of e^2 (1 sd): it says that B is small.
    """
    if inharmonicity_se is None or not 0.0 < inharmonicity_se < math.inf or not math.isfinite(inharmonicity):
        return None
    b = max(inharmonicity, 0.5 * inharmonicity_se)
    return Stiffness(math.log(b), math.hypot(inharmonicity_se / b, STRAY_SD))


def likelihood(heard: Stiffness | None, expected: Stiffness | None) -> float:
    """Density of a heard ln B: normal about what is expected, or anything, one time in ten; 1 where nothing was heard.

    Anything, too, where nothing is expected.
    """
    if heard is None:
        return 1.0
    return _bad() if expected is None else BAD_SHARE * _bad() + (1.0 - BAD_SHARE) * _normal(heard, expected)


def bad_likelihood(heard: Stiffness | None) -> float:
    """The least that any heard ln B comes to, were it as far as can be from what is expected."""
    return 1.0 if heard is None else BAD_SHARE * _bad()


def learnt(before: Stiffness, cents: float, heard: Stiffness | None) -> Stiffness:
    """What is known of an open string's stiffness after a reading of it, ``cents`` sharp of its nominal pitch.

    The precision-weighted mean of both, the reading weighing as much as it is likely to be no bad one.
    """
    if heard is None:
        return before
    good = (1.0 - BAD_SHARE) * _normal(heard, at_place(before, OPEN, cents))
    weight = good / (good + BAD_SHARE * _bad()) / heard.sd**2
    at_nominal = heard.log_b + math.log(2.0) * cents / 600.0
    precision = before.sd**-2 + weight
    log_b = (before.log_b * before.sd**-2 + at_nominal * weight) / precision
    return Stiffness(log_b, max(_SUREST_SD, precision**-0.5))


def _normal(heard: Stiffness, expected: Stiffness) -> float:
    sd = math.hypot(heard.sd, expected.sd)
    return math.exp(-0.5 * ((heard.log_b - expected.log_b) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))


def _bad() -> float:
    return 1.0 / _WIDEST
