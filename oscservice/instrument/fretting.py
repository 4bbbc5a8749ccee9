"""Model of a fretted string: its error at each fret from geometry, stretch and stiffness, and the setback that nulls
it.

Two numbers of the published model are free here: the share of the stretch that stays in the sounding string, and the
number of its ends that are clamped. Lengths are in mm, errors in cents, + sharp. The saddle's setback is + away from
the nut, the nut's shift + away from the saddle.

Source: M. Anderson and R. Beausoleil, "Classical guitar intonation and compensation: the well-tempered guitar",
J. Acoust. Soc. Am. 156 (2024) 683, eqs. 11 to 23.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.instrument.pitch import CENTS_PER_E
from oscservice.instrument.root import root
from oscservice.instrument.spec import StringSpec
from oscservice.instrument.string_physics import inharmonicity, kappa, stiffness_length_mm, tension_n

Floats = npt.NDArray[np.float64]

CLAMPED_ENDS = 1.0
CLAMPED_ENDS_SD = 0.5
"""Number of clamped ends of the sounding string, saddle and fret together, and 1 sd: 0 is pinned, 2 both clamped. The
source measured 1.1 +- 0.2 on five guitars; the deviation here is larger to allow for other strings and saddles."""

SHARE = 0.9
SHARE_SD = 0.1
"""Share of the stretch that stays between nut and saddle, and 1 sd: 1 where both hold the string, 0.75 to 0.8 where it
slides freely to peg and anchor (by the lengths there)."""

WOUND_CORE_SD = 0.10
PLAIN_CORE_SD = 0.02
"""Relative error of a core's diameter, 1 sd (assumed): makers publish no cores; plain wire agrees with its gauge."""

ACTION_SD_MM = 0.2
"""Error of the action at fret 12 as read with a ruler, 1 sd (assumed)."""


@dataclass(frozen=True)
class FrettedString:
    """One string at pitch, as input of the model.

    Attributes:
        scale_mm: scale length, twice the distance from the nut's nominal place to the 12th fret.
        setback_mm: saddle beyond the scale length, + away from the nut.
        nut_height_mm: height of the string over the fret plane at the nut.
        saddle_over_nut_mm: height of the string at the saddle above that at the nut; the action at fret 12 is the
            height at the nut plus half of this.
        kappa: relative rise of tension per relative stretch, E A / T.
        stiffness_mm: sqrt(E I / T), by which one clamped end shortens the string.
        clamped_ends: number of clamped ends of the sounding string, fractions allowed.
        share: share of the stretch that stays between nut and saddle.
        nut_shift_mm: nut from its nominal place, + away from the saddle.
        take_up_mm: string taken up by the finger in addition to that by its place and by the height over the fret.
        finger_mm: distance of the finger behind the fret, 0 right at it; at most half way to the fret before.
        press_mm: depth below the crowns at which the finger holds the string.
    """

    scale_mm: float
    setback_mm: float
    nut_height_mm: float
    saddle_over_nut_mm: float
    kappa: float
    stiffness_mm: float
    clamped_ends: float = CLAMPED_ENDS
    share: float = SHARE
    nut_shift_mm: float = 0.0
    take_up_mm: float = 0.0
    finger_mm: float = 0.0
    press_mm: float = 0.0

    @property
    def open_run_mm(self) -> float:
        """Distance from nut to saddle along the neck."""
        return self.scale_mm + self.setback_mm + self.nut_shift_mm

    @property
    def action_12_mm(self) -> float:
        """Height of the string over the fret plane at fret 12."""
        return self.nut_height_mm + self.saddle_over_nut_mm / 2.0


@dataclass(frozen=True)
class Terms:
    """Error of a fret as inverse/u + constant + linear u with u = 2^(n/12) - 1; all in cents at fret 12.

    Attributes:
        inverse_cents: part of the nut's height.
        constant_cents: part of the nut's place, the open string's pitch and the finger.
        linear_cents: part of saddle, stiffness and action.
    """

    inverse_cents: float
    constant_cents: float
    linear_cents: float


def fretted_error_cents(string: FrettedString, fret: int) -> float:
    """Return the error of a fret by the full model, in cents, + sharp of equal temperament above the open string.

    It is eq. 11 with the lengths of eqs. 12, 13 and 18 and the tension of eqs. 22 and 23. A stiff string with m clamped
    ends has the partials of a pinned one that is shorter by m sqrt(E I / T), by the exact characteristic equation.

    Raises:
        ValueError: a fret below 1, or a setback that leaves no string between fret and saddle.
    """
    gamma = _interval(fret)
    beyond_mm = string.scale_mm / gamma
    sounding = beyond_mm + string.setback_mm
    if sounding <= string.clamped_ends * string.stiffness_mm:
        raise ValueError(f"a setback of {string.setback_mm} mm leaves no string beyond fret {fret}")
    open_mm = math.hypot(string.open_run_mm, string.saddle_over_nut_mm)
    stopped_mm = math.hypot(sounding, string.nut_height_mm + string.saddle_over_nut_mm)
    behind_mm = _behind_mm(string, fret)
    stretch = string.share * (stopped_mm + behind_mm + string.take_up_mm - open_mm) / open_mm
    lengths = math.log(open_mm / (gamma * stopped_mm))
    tension = 0.5 * math.log1p(string.kappa * stretch) + 0.5 * math.log1p(stretch)
    stiff = _log_stiffening(stopped_mm, string) - _log_stiffening(open_mm, string)
    return CENTS_PER_E * (lengths + tension + stiff)


def true_setback_mm(string: FrettedString, fret: int = 12, target_cents: float = 0.0) -> float:
    """Return the setback that gives a fret the error that is wanted there, + away from the nut: the root of the full
    model.

    Raises:
        ValueError: a fret below 1, or no saddle gives that error.
    """
    nearest = string.clamped_ends * string.stiffness_mm - 0.9 * string.scale_mm / _interval(fret)
    farthest = string.scale_mm

    def error(setback_mm: float) -> float:
        return fretted_error_cents(replace(string, setback_mm=setback_mm), fret) - target_cents

    if error(nearest) * error(farthest) > 0.0:
        raise ValueError(f"no saddle makes fret {fret} true")
    return root(error, nearest, farthest, within=1e-9)


def fret_12_setback_mm(string: FrettedString) -> float:
    """Return the setback that makes fret 12 true in closed form: m sqrt(E I / T) + kappa share h12^2 / X0.

    h12 is the action there. This follows from the three terms with u = 1, the nut at its nominal place and no string
    taken up.
    """
    raised = string.kappa * string.share * string.action_12_mm**2 / string.scale_mm
    return string.clamped_ends * string.stiffness_mm + raised


def fretted_string(
    spec: StringSpec, open_hz: float, *, log_stiffness: float | None = None, setback_mm: float | None = None
) -> FrettedString:
    """Return the model of a string of an instrument.

    Args:
        spec: the string.
        open_hz: frequency of the open string.
        log_stiffness: ln B of the open string measured at this frequency; the core then follows from it. The mass of a
            plain string, and so its tension, changes with its core; that of a wound one stays.
        setback_mm: setback of the saddle, + away from the nut; that of the spec if None.
    """
    setback = spec.setback_mm if setback_mm is None else setback_mm
    length_mm = spec.scale_mm + setback - spec.nut_offset_mm
    tension, core_mm = tension_n(spec.unit_weight_kg_m, open_hz, length_mm), spec.core_mm
    if log_stiffness is not None:
        excess = math.exp(log_stiffness) / inharmonicity(core_mm, tension, length_mm)
        core_mm *= excess**0.25 if spec.wound else excess**0.5  # B is proportional to d^4 / T
        tension *= 1.0 if spec.wound else excess
    return FrettedString(
        scale_mm=spec.scale_mm,
        setback_mm=setback,
        nut_height_mm=spec.nut_height_mm,
        saddle_over_nut_mm=2.0 * (spec.action_12_mm - spec.nut_height_mm),
        kappa=kappa(core_mm, tension),
        stiffness_mm=stiffness_length_mm(core_mm, tension),
        nut_shift_mm=0.0 - spec.nut_offset_mm,
    )


def _behind_mm(string: FrettedString, fret: int) -> float:
    """Return the length of the string from the nut down to the finger and up to the fret."""
    beyond_mm = string.scale_mm / _interval(fret)
    finger_mm = min(string.finger_mm, beyond_mm * (_interval(1) - 1.0) / 2.0)
    along_mm = string.scale_mm - beyond_mm + string.nut_shift_mm - finger_mm
    return math.hypot(along_mm, string.nut_height_mm + string.press_mm) + math.hypot(finger_mm, string.press_mm)


def _interval(fret: int) -> float:
    """Return the frequency ratio of a fret to the open string in equal temperament."""
    if fret < 1:
        raise ValueError(f"fret {fret} isn't there; expected 1 or more")
    return float(2.0 ** (fret / 12.0))


def _log_stiffening(length_mm: float, string: FrettedString) -> float:
    """Return ln of the first partial over that of a string of the same length and tension without stiffness."""
    shortened = length_mm - string.clamped_ends * string.stiffness_mm
    bend = math.pi * string.stiffness_mm / shortened
    return math.log(length_mm / shortened) + 0.5 * math.log1p(bend**2)
