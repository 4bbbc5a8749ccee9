"""Prediction of each saddle's place from the instrument file, and of its move for a change of the instrument.

The uncertain factors of a string (core, modulus, clamped ends, share of the stretch, action) go through the full model
(``instrument.fretting``) to first order. Setbacks are in mm, + away from the nut; errors in cents, + sharp.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto

from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.fretting import (
    ACTION_SD_MM,
    CLAMPED_ENDS_SD,
    PLAIN_CORE_SD,
    SHARE_SD,
    WOUND_CORE_SD,
    FrettedString,
    fretted_error_cents,
    fretted_string,
    true_setback_mm,
)
from oscservice.instrument.spec import Instrument, StringSpec
from oscservice.instrument.string_physics import (
    STEEL_MODULUS_PA,
    STEEL_MODULUS_SD_PA,
    inharmonicity,
    strength_share,
    tension_n,
)
from oscservice.instrument.tunings import both_tunings

STRESSED_SHARE = 0.8
"""Above this share of its core's strength a string may break while it is tuned up (common practice, no source)."""

_FRET = 12
_MODULUS_SD = STEEL_MODULUS_SD_PA / STEEL_MODULUS_PA
_NONE: Mapping[int, Stiffness] = {}


@dataclass(frozen=True)
class StringPrediction:
    """Prediction for one string.

    Attributes:
        string, note: number (from 1) and open note.
        open_hz: frequency that the open string should have.
        tension_n: tension at that frequency.
        strength_share: stress in its core over the strength of music wire; above 1 it breaks.
        inharmonicity: B of the open string, as measured if it was.
        kappa: relative rise of tension per relative stretch.
        setback_mm, setback_se_mm: setback that brings fret 12 to where it is wanted, and its standard error (1 sd).
        saddle_now_mm: setback in the instrument file.
    """

    string: int
    note: str
    open_hz: float
    tension_n: float
    strength_share: float
    inharmonicity: float
    kappa: float
    setback_mm: float
    setback_se_mm: float
    saddle_now_mm: float

    @property
    def move_mm(self) -> float:
        """Move from the present to the predicted setback, + away from the nut."""
        return self.setback_mm - self.saddle_now_mm

    @property
    def worth_moving(self) -> bool:
        """True when the move is larger than the standard error of the predicted setback."""
        return abs(self.move_mm) > self.setback_se_mm

    @property
    def near_breaking(self) -> bool:
        """True when the string may break while it is tuned up."""
        return self.strength_share > STRESSED_SHARE


@dataclass(frozen=True)
class SaddleFollowing:
    """Places of one saddle before and after a change of the instrument, and the move between them.

    Attributes:
        string: number, from 1.
        before_note, after_note: open notes.
        before_mm, after_mm: setbacks that bring fret 12 to where it is wanted.
        change_se_mm: standard error of their difference (1 sd); factors that are the same before and after cancel.
        stays_cents: error at fret 12 after the change, if it had none before and the saddle is not moved.
    """

    string: int
    before_note: str
    after_note: str
    before_mm: float
    after_mm: float
    change_se_mm: float
    stays_cents: float

    @property
    def change_mm(self) -> float:
        """Move of the saddle, + away from the nut."""
        return self.after_mm - self.before_mm


@dataclass(frozen=True)
class SharedSaddle:
    """The place of one saddle that serves two tunings, and the errors that remain.

    Attributes:
        string: number, from 1.
        notes: open note in either tuning.
        setback_mm: setback for both.
        alone_mm: setback that brings fret 12 to where it is wanted in either tuning alone.
        left_cents: error at fret 12 in either tuning with the setback for both.
    """

    string: int
    notes: tuple[str, str]
    setback_mm: float
    alone_mm: tuple[float, float]
    left_cents: tuple[float, float]


def predict(instrument: Instrument, *, stiffness: Mapping[int, Stiffness] = _NONE) -> tuple[StringPrediction, ...]:
    """Return the prediction for every string, string 1 first.

    Args:
        instrument: the instrument.
        stiffness: string number -> ln B measured on the open string; it replaces the core of the file.

    Raises:
        ValueError: no saddle makes fret 12 of a string true.
    """
    return tuple(
        _predicted(instrument, number, stiffness.get(number)) for number in range(1, len(instrument.strings) + 1)
    )


def follow_change(
    before: Instrument, after: Instrument, *, stiffness: Mapping[int, Stiffness] = _NONE
) -> tuple[SaddleFollowing, ...]:
    """Return the move of every saddle that follows a change of the instrument, string 1 first.

    Args:
        before, after: the instrument before and after the change.
        stiffness: string number -> ln B measured before the change; used for strings that stay the same.

    Raises:
        ValueError: not as many strings after as before, or no saddle makes fret 12 of a string true.
    """
    if len(before.strings) != len(after.strings):
        raise ValueError(f"{len(after.strings)} strings can't follow {len(before.strings)}")
    return tuple(
        _following(before, after, number, stiffness.get(number)) for number in range(1, len(before.strings) + 1)
    )


def shared_saddles(instrument: Instrument) -> tuple[SharedSaddle, ...]:
    """Return the places of the saddles of an instrument that serves two tunings, string 1 first; none if it doesn't.

    Raises:
        ValueError: no saddle brings fret 12 of a string to where it is wanted.
    """
    tunings = both_tunings(instrument)
    numbers = range(1, len(instrument.strings) + 1) if tunings else ()
    return tuple(_shared(instrument, tunings, number) for number in numbers)


def _shared(instrument: Instrument, tunings: Sequence[Instrument], number: int) -> SharedSaddle:
    specs = [one.string(number) for one in tunings]
    strings = [_model(one, number, None) for one in tunings]
    setback_mm = _wanted_setback_mm(_model(instrument, number, None), instrument.string(number))
    alone_mm = [_wanted_setback_mm(string, spec) for string, spec in zip(strings, specs, strict=True)]
    left_cents = [
        fretted_error_cents(replace(string, setback_mm=setback_mm), _FRET) - spec.target_cents(_FRET)
        for string, spec in zip(strings, specs, strict=True)
    ]
    return SharedSaddle(
        string=number,
        notes=(specs[0].note, specs[1].note),
        setback_mm=setback_mm,
        alone_mm=(alone_mm[0], alone_mm[1]),
        left_cents=(left_cents[0], left_cents[1]),
    )


class _Factor(Enum):
    """Uncertain factors of a string."""

    CLAMPED = auto()
    SHARE = auto()
    ACTION = auto()
    MODULUS = auto()
    CORE = auto()


def _predicted(instrument: Instrument, number: int, measured: Stiffness | None) -> StringPrediction:
    """Return the prediction for one string."""
    spec, open_hz = instrument.string(number), instrument.open_hz(number)
    length_mm = spec.open_run_mm()
    tension = tension_n(spec.unit_weight_kg_m, open_hz, length_mm)
    string = _model(instrument, number, measured)
    b = inharmonicity(spec.core_mm, tension, length_mm) if measured is None else math.exp(measured.log_b)
    return StringPrediction(
        string=number,
        note=spec.note,
        open_hz=open_hz,
        tension_n=tension,
        strength_share=strength_share(spec.core_mm, tension),
        inharmonicity=b,
        kappa=string.kappa,
        setback_mm=_wanted_setback_mm(string, spec),
        setback_se_mm=math.hypot(*_factor_shifts(string, spec, measured).values()),
        saddle_now_mm=spec.setback_mm,
    )


def _following(before: Instrument, after: Instrument, number: int, measured: Stiffness | None) -> SaddleFollowing:
    old_spec, new_spec = before.string(number), after.string(number)
    same = build_of(old_spec) == build_of(new_spec)
    carried = _carried(before, after, number, measured) if same and measured is not None else None
    old, new = _model(before, number, measured), _model(after, number, carried)
    old_mm, new_mm = _wanted_setback_mm(old, old_spec), _wanted_setback_mm(new, new_spec)
    shifts = _factor_shifts(new, new_spec, carried)
    own = 0.0
    for factor, mm in _factor_shifts(old, old_spec, measured).items():
        if factor is _Factor.CORE and not same:
            own = mm
        else:
            shifts[factor] -= mm
    return SaddleFollowing(
        string=number,
        before_note=old_spec.note,
        after_note=new_spec.note,
        before_mm=old_mm,
        after_mm=new_mm,
        change_se_mm=math.hypot(own, *shifts.values()),
        stays_cents=fretted_error_cents(replace(new, setback_mm=old_mm), _FRET) - new_spec.target_cents(_FRET),
    )


def _wanted_setback_mm(string: FrettedString, spec: StringSpec) -> float:
    """Return the setback that brings fret 12 to where it is wanted."""
    return true_setback_mm(string, _FRET, spec.target_cents(_FRET))


def _model(instrument: Instrument, number: int, measured: Stiffness | None) -> FrettedString:
    """Return the model of a string."""
    log_b = None if measured is None else measured.log_b
    return fretted_string(instrument.string(number), instrument.open_hz(number), log_stiffness=log_b)


def build_of(spec: StringSpec) -> tuple[bool, float, float, float]:
    """Return the build of a string, equal for equal products: wound, gauge, core and mass per length."""
    return spec.wound, spec.gauge_mm, spec.core_mm, spec.unit_weight_kg_m


def _carried(before: Instrument, after: Instrument, number: int, measured: Stiffness) -> Stiffness:
    """Return ln B of the same core at another tension and length: B is proportional to 1 / (T L^2)."""
    log_b = measured.log_b
    for instrument, sign in ((before, 1.0), (after, -1.0)):
        spec = instrument.string(number)
        length_mm = spec.open_run_mm()
        pull = tension_n(spec.unit_weight_kg_m, instrument.open_hz(number), length_mm)
        log_b += sign * math.log(pull * length_mm**2)
    return Stiffness(log_b, measured.sd)


def _factor_shifts(string: FrettedString, spec: StringSpec, measured: Stiffness | None) -> dict[_Factor, float]:
    """Return the shift of the true setback in mm by 1 sd of each factor."""

    def shift(up: FrettedString, down: FrettedString) -> float:
        return (true_setback_mm(up, _FRET) - true_setback_mm(down, _FRET)) / 2.0

    def by(field: str, sd: float) -> float:
        value = getattr(string, field)
        return shift(replace(string, **{field: value + sd}), replace(string, **{field: value - sd}))

    def stiffer(log_kappa: float, log_length: float) -> float:
        up, down = (
            replace(
                string,
                kappa=string.kappa * math.exp(sign * log_kappa),
                stiffness_mm=string.stiffness_mm * math.exp(sign * log_length),
            )
            for sign in (1.0, -1.0)
        )
        return shift(up, down)

    # kappa ~ E d^2 / T, stiffness length ~ d^2 sqrt(E / T), and T ~ d^2 for a plain string. A measured B fixes the
    # stiffness length for any E, and the core by d^4 E / T.
    if measured is None:
        core = 2.0 * WOUND_CORE_SD if spec.wound else PLAIN_CORE_SD
        modulus = stiffer(_MODULUS_SD, _MODULUS_SD / 2.0)
    else:
        core = measured.sd / 2.0
        modulus = stiffer(_MODULUS_SD / 2.0 if spec.wound else _MODULUS_SD, 0.0)
    return {
        _Factor.CLAMPED: by("clamped_ends", CLAMPED_ENDS_SD),
        _Factor.SHARE: by("share", SHARE_SD),
        _Factor.ACTION: by("saddle_over_nut_mm", 2.0 * ACTION_SD_MM),
        _Factor.MODULUS: modulus,
        _Factor.CORE: stiffer(core if spec.wound else 0.0, core),
    }
