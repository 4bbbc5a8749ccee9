"""Remedies for a saddle at the end of its travel, and the setback that each makes up.

For a true fret 12 a string needs a setback of about m sqrt(E I / T) + kappa share h^2 / X0, h its action there. A
string that is less stiff, less stretched or lower needs less. The core's diameter, clamped ends and stretch are known
only roughly, so each value is an estimate, +-30 %. Setbacks are in mm, + away from the nut.

Source: M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, eq. 31.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from oscservice.advice.correction import SHOWN_MM, direction_of, error_after
from oscservice.advice.prediction import STRESSED_SHARE
from oscservice.defaults import INCH_MM
from oscservice.instrument.fretting import FrettedString, fret_12_setback_mm
from oscservice.instrument.hardware import SHAPED_SADDLE
from oscservice.instrument.spec import SHAPED, Instrument, StringSpec
from oscservice.instrument.string_physics import (
    MUSIC_WIRE_STRENGTH_PA,
    STEEL_MODULUS_PA,
    kappa,
    stiffness_length_mm,
    tension_n,
    wound_unit_weight_kg_m,
)

TURN_SADDLE = "turn saddle"
ACTION = "action"
CORE = "core"
WOUND = "wound"
PITCH = "pitch"
SHAPE_CROWN = "shape crown"
MOVE_BRIDGE = "move bridge"
ACCEPT_IT = "live with it"

MOST_ACTION_MM = 0.5
"""Largest change of the action: more changes how the instrument plays (common practice, no source)."""
LOWEST_ACTION_MM = 1.0
"""Below this at fret 12 strings buzz (common practice, no source)."""

_CORE_SHARE = 0.1  # thinner or thicker core: sets differ by this (common practice, no source)
_LEAST_WOUND_MM = 0.016 * INCH_MM  # thinner strings aren't wound (common practice, no source)
_THIRD = 3  # the string that is sold plain or wound (common practice, no source)
_WOUND_FOR_PLAIN = 20.0 / 17.0  # .020 wound in place of .017 plain (common practice, no source)
_CORE_OF_WOUND = 0.6  # of its gauge (assumed, +-10 %)
_SEMITONE = 2.0 ** (1.0 / 12.0)

_TENSION = "A string under tension can break: slacken it first, keep your face away; cut ends are sharp."
_SPRUNG = " Springs pull against the strings: never release either side all at once."


@dataclass(frozen=True)
class TravelRemedy:
    """One remedy.

    Attributes:
        code: fixed word for it.
        text: what to do, in one sentence.
        worth_mm: part of the missing setback that it makes up, >= 0; None if unknown.
        remaining_cents: error left at fret 12, + sharp; 0 where it makes up enough and the saddle can go back by the
            rest; None if unknown.
        caution: danger to person or instrument; empty if there is none.
    """

    code: str
    text: str
    worth_mm: float | None
    remaining_cents: float | None
    caution: str = ""


def travel_remedies(
    instrument: Instrument, string: int, missing_mm: float, fretted: FrettedString
) -> tuple[TravelRemedy, ...]:
    """Return the remedies for a string whose saddle can't go far enough, the least invasive first.

    Args:
        instrument: the instrument.
        string: the string's number.
        missing_mm: missing travel, + away from the nut, - toward it.
        fretted: the string as it is, its saddle at the end of its travel.

    Returns:
        The remedies for this string and bridge; none where the missing travel rounds to 0.0 mm.

    Raises:
        ValueError: no such string, or a distance that isn't finite.
    """
    spec = instrument.string(string)
    if not math.isfinite(missing_mm):
        raise ValueError(f"{missing_mm} mm is no distance")
    if abs(missing_mm) < SHOWN_MM / 2.0:
        return ()
    adjuster = instrument.adjuster_of(string)
    alone = adjuster is not None and len(adjuster.influence) == 1
    back_mm = (adjuster.toward_nut_mm + adjuster.away_mm) if adjuster is not None and alone else 0.0
    at = _Missing(missing_mm, fretted, instrument.bridge.floating, back_mm)
    remedies = [
        _turned(instrument, string),
        _action(at),
        _core(at, spec),
        _wound(at, spec, string, instrument.open_hz(string)),
        _pitch(at),
        _crown(instrument, string, at),
        _bridge(instrument, at),
        _accepted(at),
    ]
    return tuple(remedy for remedy in remedies if remedy is not None)


@dataclass(frozen=True)
class _Missing:
    """The missing travel of a string's saddle.

    Attributes:
        mm: missing travel, + away from the nut.
        fretted: the string as it is.
        floating: the bridge floats.
        back_mm: travel of this saddle alone in the other direction.
    """

    mm: float
    fretted: FrettedString
    floating: bool
    back_mm: float

    @property
    def direction(self) -> str:
        """The direction in words."""
        return direction_of(self.mm)

    @property
    def sharp(self) -> bool:
        """True when frets are sharp: the string should need less setback, or the saddle more travel."""
        return self.mm > 0.0

    def left_cents(self, worth_mm: float) -> float:
        """Return the error left at fret 12 when ``worth_mm`` is made up: the change by moving the saddle by the
        rest."""
        rest_mm = abs(self.mm) - worth_mm
        if rest_mm < 0.0:
            rest_mm = min(rest_mm + self.back_mm, 0.0)
        saddle_mm = self.fretted.scale_mm + self.fretted.setback_mm
        lengths = self.fretted.open_run_mm, saddle_mm - self.fretted.scale_mm / 2.0
        return 0.0 - error_after(0.0, lengths, math.copysign(rest_mm, self.mm * rest_mm))

    def remedy(self, code: str, text: str, changed: FrettedString, caution: str) -> TravelRemedy | None:
        """Return the remedy that changes the string; None where it makes up nothing that is shown."""
        worth = math.copysign(1.0, self.mm) * (fret_12_setback_mm(self.fretted) - fret_12_setback_mm(changed))
        if worth < SHOWN_MM / 2.0:
            return None
        return TravelRemedy(code, text, worth, self.left_cents(worth), caution + (_SPRUNG if self.floating else ""))


def _turned(instrument: Instrument, string: int) -> TravelRemedy | None:
    """Return the remedy of a saddle that is turned round."""
    adjuster = instrument.adjuster_of(string)
    if adjuster is None or adjuster.means == SHAPED or len(adjuster.influence) > 1:
        return None
    text = (
        "If the saddle is a block with its crest off the middle, turn it round; measure again to see what that gives."
    )
    return TravelRemedy(TURN_SADDLE, text, None, None, _TENSION + (_SPRUNG if instrument.bridge.floating else ""))


def _action(at: _Missing) -> TravelRemedy | None:
    """Return the smallest change of the action that makes up the missing travel, in tenths of a millimetre."""
    now_mm, per_mm2 = at.fretted.action_12_mm, at.fretted.kappa * at.fretted.share / at.fretted.scale_mm
    wanted_mm = math.sqrt(max(now_mm**2 - at.mm / per_mm2, 0.0)) - now_mm
    tenths = math.ceil(round(abs(wanted_mm) / SHOWN_MM, 6))
    most_mm = min(MOST_ACTION_MM, max(now_mm - LOWEST_ACTION_MM, 0.0)) if at.sharp else MOST_ACTION_MM
    change_mm = min(tenths, math.floor(round(most_mm / SHOWN_MM, 6))) * SHOWN_MM * (-1.0 if at.sharp else 1.0)
    over_nut_mm = at.fretted.saddle_over_nut_mm + 2.0 * change_mm
    how = "Lower" if at.sharp else "Raise"
    text = f"{how} the string by {abs(change_mm):.1f} mm at fret 12, if it then plays without buzz or strain."
    return at.remedy(ACTION, text, replace(at.fretted, saddle_over_nut_mm=over_nut_mm), _TENSION)


def _core(at: _Missing, spec: StringSpec) -> TravelRemedy | None:
    """Return the remedy of another core.

    A wound string keeps mass and tension. Those of a plain string change with the core, and its kappa stays.
    """
    factor = 1.0 - _CORE_SHARE if at.sharp else 1.0 + _CORE_SHARE
    word = "thinner" if at.sharp else "thicker"
    if spec.wound:
        changed = replace(
            at.fretted,
            kappa=at.fretted.kappa * factor**2,
            stiffness_mm=at.fretted.stiffness_mm * factor**2,
        )
        return at.remedy(CORE, f"Fit a string of the same weight whose core is a tenth {word}.", changed, _TENSION)
    changed = replace(at.fretted, stiffness_mm=at.fretted.stiffness_mm * factor)
    gauge_in = spec.gauge_mm * factor / INCH_MM
    return at.remedy(CORE, f"Fit a {word} string: {gauge_in:.3f} in, about a tenth {word}.", changed, _TENSION)


def _wound(at: _Missing, spec: StringSpec, number: int, open_hz: float) -> TravelRemedy | None:
    """Return the remedy of a wound third string in place of a plain one."""
    if not at.sharp or spec.wound or spec.gauge_mm < _LEAST_WOUND_MM - 1e-9 or number < _THIRD:
        return None
    gauge_mm = spec.gauge_mm * _WOUND_FOR_PLAIN
    pull = tension_n(wound_unit_weight_kg_m(gauge_mm), open_hz, at.fretted.open_run_mm)
    core_mm = _CORE_OF_WOUND * gauge_mm
    changed = replace(at.fretted, kappa=kappa(core_mm, pull), stiffness_mm=stiffness_length_mm(core_mm, pull))
    return at.remedy(WOUND, f"Fit a wound string instead, about {gauge_mm / INCH_MM:.3f} in.", changed, _TENSION)


def _pitch(at: _Missing) -> TravelRemedy | None:
    """Return the remedy of a semitone up or down: tension changes as the square of pitch, and kappa and stiffness
    too."""
    factor = _SEMITONE if at.sharp else 1.0 / _SEMITONE
    changed = replace(
        at.fretted,
        kappa=at.fretted.kappa / factor**2,
        stiffness_mm=at.fretted.stiffness_mm / factor,
    )
    stress_pa = STEEL_MODULUS_PA / changed.kappa
    if at.sharp and stress_pa > STRESSED_SHARE * MUSIC_WIRE_STRENGTH_PA:
        return None
    text = f"Tune it a semitone {'higher' if at.sharp else 'lower'}, if that suits the player."
    return at.remedy(PITCH, text, changed, _TENSION)


def _crown(instrument: Instrument, string: int, at: _Missing) -> TravelRemedy | None:
    """Return the remedy of shaping the crown of a one-piece saddle."""
    if instrument.bridge.saddle != SHAPED_SADDLE or instrument.adjuster_of(string) is not None:
        return None
    shaped = f"have its crown shaped {abs(at.mm):.1f} mm {at.direction}"
    text = f"If the saddle is wide enough, {shaped}; removed material can't be put back."
    return TravelRemedy(SHAPE_CROWN, text, None, None, _TENSION)


def _bridge(instrument: Instrument, at: _Missing) -> TravelRemedy:
    """Return the remedy of moving the bridge."""
    bridge, how_far = instrument.bridge, f"{abs(at.mm):.1f} mm {at.direction}"
    if bridge.saddle == SHAPED_SADDLE:
        text = f"Have a repairer move the saddle's slot {how_far} under this string."
    else:
        part = "posts of the bridge" if bridge.floating else "bridge"
        text = f"Have a repairer move the {part} {how_far}; the other saddles then go back by as much."
    return TravelRemedy(MOVE_BRIDGE, text, abs(at.mm), 0.0, _TENSION + (_SPRUNG if at.floating else ""))


def _accepted(at: _Missing) -> TravelRemedy:
    """Return the remedy of leaving everything as it is, with the error that stays."""
    cents = at.left_cents(0.0)
    heard, tuned = ("sharp", "flat") if cents > 0.0 else ("flat", "sharp")
    text = (
        f"Accept it: fret 12 stays {abs(cents):.1f} cents {heard}; tuning the open string "
        f"{abs(cents) / 2.0:.1f} cents {tuned} halves the error."
    )
    return TravelRemedy(ACCEPT_IT, text, 0.0, cents)
