"""How sharp a stopped string is, from its geometry, its stretch and its stiffness; and where nut and saddle undo that.

The model is that of M. Anderson and R. Beausoleil, "Classical guitar intonation and compensation: the well-tempered
guitar", J. Acoust. Soc. Am. 156 (2024) 683, eqs. 11 to 23, with two numbers left free: how much of the stretch stays in
the sounding string, and how many of its ends are clamped. Lengths in mm, pitch in cents, + sharp. The saddle's setback
is + away from the nut, the nut's shift + away from the saddle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from oscservice.instrument.pitch import CENTS_PER_E
from oscservice.instrument.spec import StringSpec
from oscservice.instrument.string_physics import inharmonicity, kappa, stiffness_length_mm, tension_n

Floats = npt.NDArray[np.float64]

CLAMPED_ENDS = 1.0
CLAMPED_ENDS_SD = 0.5
"""Ends of the sounding string that are clamped, saddle and fret together: 0 pinned, 2 both clamped. Anderson and
Beausoleil measured 1.1 +- 0.2 on five guitars; the doubt here is wider, as for other strings and other saddles."""

SHARE = 0.9
SHARE_SD = 0.1
"""Share of the stretch that stays between nut and saddle: 1 where both hold the string, 0.75 to 0.8 where it slides
freely to peg and anchor (by their lengths)."""

WOUND_CORE_SD = 0.10
PLAIN_CORE_SD = 0.02
"""Relative doubt of a core's diameter (assumed): no maker's chart gives cores; plain wire is what its gauge says."""

ACTION_SD_MM = 0.2
"""Doubt of the action at fret 12 as read off a ruler (assumed)."""


@dataclass(frozen=True)
class FrettedString:
    """One string at pitch, as the model needs it.

    Attributes:
        scale_mm: scale length, twice the distance from the nut's nominal place to the 12th fret.
        setback_mm: saddle beyond the scale length, + away from the nut.
        nut_height_mm: string over the fret plane at the nut.
        saddle_over_nut_mm: string at the saddle over the string at the nut; the action at fret 12 is the nut's height
            and half of this.
        kappa: relative rise of tension per relative stretch, E A / T.
        stiffness_mm: sqrt(E I / T), by which one clamped end shortens the string.
        clamped_ends: how many ends of the sounding string are clamped, fractions allowed.
        share: share of the stretch that stays in the string between nut and saddle.
        nut_shift_mm: nut off its nominal place, + away from the saddle.
        take_up_mm: string taken up by the finger beyond what its place and the height over the fret take.
        finger_mm: the finger's distance behind the fret, 0 right at it; never more than half way to the fret before.
        press_mm: how far below the crowns the finger holds the string.
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
    def action_12_mm(self) -> float:
        """String over the fret plane at fret 12."""
        return self.nut_height_mm + self.saddle_over_nut_mm / 2.0


@dataclass(frozen=True)
class Terms:
    """Error of a fret with u = 2^(n/12) - 1 as inverse/u + constant + linear u, all in cents at fret 12.

    The nut's height makes ``inverse_cents``, saddle, stiffness and action ``linear_cents``; where the nut stands, the
    open string's pitch and the finger ``constant_cents``.
    """

    inverse_cents: float
    constant_cents: float
    linear_cents: float


def fretted_error_cents(string: FrettedString, fret: int) -> float:
    """Cents by which a fret stands sharp of its equal-tempered place above the open string, by the full model.

    Eq. 11 with the lengths of eqs. 12, 13 and 18, the tension of eqs. 22 and 23; the partial of a stiff string with m
    clamped ends is that of a pinned one shorter by m sqrt(E I / T), which follows the exact characteristic equation.

    Raises:
        ValueError: a fret below 1, or a setback that leaves no string between fret and saddle.
    """
    gamma = _interval(fret)
    beyond_mm = string.scale_mm / gamma
    shift = string.nut_shift_mm
    sounding = beyond_mm + string.setback_mm
    if sounding <= string.clamped_ends * string.stiffness_mm:
        raise ValueError(f"a setback of {string.setback_mm} mm leaves no string beyond fret {fret}")
    open_mm = math.hypot(string.scale_mm + string.setback_mm + shift, string.saddle_over_nut_mm)
    stopped_mm = math.hypot(sounding, string.nut_height_mm + string.saddle_over_nut_mm)
    behind_mm = _behind_mm(string, fret)
    stretch = string.share * (stopped_mm + behind_mm + string.take_up_mm - open_mm) / open_mm
    lengths = math.log(open_mm / (gamma * stopped_mm))
    tension = 0.5 * math.log1p(string.kappa * stretch) + 0.5 * math.log1p(stretch)
    stiff = _log_stiffening(stopped_mm, string) - _log_stiffening(open_mm, string)
    return CENTS_PER_E * (lengths + tension + stiff)


def true_setback_mm(string: FrettedString, fret: int = 12) -> float:
    """Setback that makes a fret true, + away from the nut: root of the full model, whatever the string's own setback.

    Raises:
        ValueError: a fret below 1, or no saddle makes it true.
    """
    nearest = string.clamped_ends * string.stiffness_mm - 0.9 * string.scale_mm / _interval(fret)
    farthest = string.scale_mm

    def error(setback_mm: float) -> float:
        return fretted_error_cents(replace(string, setback_mm=setback_mm), fret)

    if error(nearest) * error(farthest) > 0.0:
        raise ValueError(f"no saddle makes fret {fret} true")
    return float(brentq(error, nearest, farthest, xtol=1e-9))


def fret_12_setback_mm(string: FrettedString) -> float:
    """Setback that makes fret 12 true, in closed form: m sqrt(E I / T) + kappa share h12^2 / X0, h12 the action there.

    Follows from the three terms with u = 1; the nut at its nominal place and no string taken up.
    """
    raised = string.kappa * string.share * string.action_12_mm**2 / string.scale_mm
    return string.clamped_ends * string.stiffness_mm + raised


def fretted_string(
    spec: StringSpec, open_hz: float, *, log_stiffness: float | None = None, setback_mm: float | None = None
) -> FrettedString:
    """The model of an instrument file's string.

    Args:
        spec: the string.
        open_hz: pitch of the open string.
        log_stiffness: ln B of the open string as measured at this pitch; the core then follows from it. The mass of a
            plain string, and so its tension, goes with its core; that of a wound one is taken as known.
        setback_mm: where the saddle stands, + away from the nut; where the file says if None.
    """
    setback = spec.setback_mm if setback_mm is None else setback_mm
    length_mm = spec.scale_mm + setback
    tension, core_mm = tension_n(spec.unit_weight_kg_m, open_hz, length_mm), spec.core_mm
    if log_stiffness is not None:
        excess = math.exp(log_stiffness) / inharmonicity(core_mm, tension, length_mm)
        core_mm *= excess**0.25 if spec.wound else excess**0.5  # B goes with d^4 / T
        tension *= 1.0 if spec.wound else excess
    return FrettedString(
        scale_mm=spec.scale_mm,
        setback_mm=setback,
        nut_height_mm=spec.nut_height_mm,
        saddle_over_nut_mm=2.0 * (spec.action_12_mm - spec.nut_height_mm),
        kappa=kappa(core_mm, tension),
        stiffness_mm=stiffness_length_mm(core_mm, tension),
    )


def _behind_mm(string: FrettedString, fret: int) -> float:
    """Length of the string from the nut down to the finger and up to the fret."""
    beyond_mm = string.scale_mm / _interval(fret)
    finger_mm = min(string.finger_mm, beyond_mm * (_interval(1) - 1.0) / 2.0)
    along_mm = string.scale_mm - beyond_mm + string.nut_shift_mm - finger_mm
    return math.hypot(along_mm, string.nut_height_mm + string.press_mm) + math.hypot(finger_mm, string.press_mm)


def _interval(fret: int) -> float:
    if fret < 1:
        raise ValueError(f"fret {fret} isn't there; expected 1 or more")
    return float(2.0 ** (fret / 12.0))


def _log_stiffening(length_mm: float, string: FrettedString) -> float:
    """ln of the first partial over that of a limp string of the same length and tension."""
    shortened = length_mm - string.clamped_ends * string.stiffness_mm
    bend = math.pi * string.stiffness_mm / shortened
    return math.log(length_mm / shortened) + 0.5 * math.log1p(bend**2)
