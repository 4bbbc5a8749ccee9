"""The form of an instrument file: its tables and keys, and the instrument it describes.

A technician writes it: gauges in inches as the trade names them, a thread by its name, a bridge by its balance and its
saddles or adjuster by adjuster. ``expand`` turns it into an Instrument. The forms of the bridge and of the other
hardware are in ``bridge_form`` and ``hardware_form``.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, PlainValidator, model_validator

from oscservice.defaults import A4_HZ, INCH_MM, REFERENCE_RANGE_HZ
from oscservice.instrument import hardware, setup_targets, spec
from oscservice.instrument.bridge_form import BridgeForm, bridge_of, numbered, one_of
from oscservice.instrument.bridge_kinds import NO_KINDS, Kinds
from oscservice.instrument.hardware_form import FineTunersForm, NutForm, fine_tuners_of, nut_of, step_of
from oscservice.instrument.length_form import LengthForm
from oscservice.instrument.string_physics import plain_unit_weight_kg_m, wound_unit_weight_kg_m
from oscservice.instrument.tuning_form import TuningForm, tunings_of
from oscservice.toml_file import Form


def _number_in(limits: setup_targets.Range, unit: str) -> str:
    return f"a number from {limits[0]:g} to {limits[1]:g} ({unit})"


_GAUGE = _number_in(spec.GAUGE_RANGE_MM, "mm")
_GAUGE_IN = f"inches from {spec.GAUGE_RANGE_MM[0] / INCH_MM:.3f} to {spec.GAUGE_RANGE_MM[1] / INCH_MM:.3f}, e.g. 0.010"
_SCALE = _number_in(spec.SCALE_RANGE_MM, "mm")

GaugeIn = Annotated[float, Field(ge=spec.GAUGE_RANGE_MM[0] / INCH_MM, le=spec.GAUGE_RANGE_MM[1] / INCH_MM)]


def _fret_targets(given: object) -> dict[int, float]:
    targets = numbered(given)
    low, high = spec.OFFSET_RANGE_CENTS
    if not all(1 <= fret <= spec.MOST_FRETS for fret in targets):
        raise ValueError("expected frets")
    if not all(low <= cents <= high for cents in targets.values()):
        raise ValueError("expected cents")
    return targets


FretTargets = Annotated[dict[int, float], PlainValidator(_fret_targets)]


class StringForm(LengthForm):
    """One ``[[string]]`` entry. Give the gauge, and a wound string's core, in inches or in mm."""

    note: spec.NoteName = Field(description="a note name in quotes: letter, # or b if need be, octave, e.g. E2")
    kind: Literal["plain", "wound"] = Field(description="plain or wound, in quotes")
    gauge_in: GaugeIn | None = Field(None, description=_GAUGE_IN)
    gauge_mm: spec.GaugeMm | None = Field(None, description=_GAUGE)
    core_in: GaugeIn | None = Field(None, description=_GAUGE_IN)
    core_mm: spec.GaugeMm | None = Field(None, description=_GAUGE)
    unit_weight_kg_m: spec.UnitWeight | None = Field(None, description="a number from 0.00005 to 0.1 (kg/m)")
    scale_mm: spec.ScaleMm | None = Field(None, description=_SCALE)
    action_12_mm: spec.ActionMm = Field(1.8, description=_number_in(setup_targets.ACTION_LIMITS_MM, "mm"))
    nut_height_mm: spec.NutHeightMm | None = Field(None, description=_number_in(setup_targets.NUT_LIMITS_MM, "mm"))
    setback_mm: spec.SetbackMm = Field(2.0, description="a number from -20 to 30 (mm)")
    offset_cents: spec.OffsetCents = Field(0.0, description="a number from -50 to 50 (cents off the note, + sharp)")
    nut_offset_mm: spec.NutOffsetMm = Field(
        0.0, description="a number from -5 to 5 (mm from the nut's place, + toward the saddle)"
    )
    fret_targets_cents: FretTargets = Field(
        default_factory=dict,
        description='frets and their wanted errors from -50 to 50 (cents, + sharp), each fret once: { "3" = -2.0 }',
    )

    @model_validator(mode="after")
    def _one_gauge_and_core(self) -> StringForm:
        if (self.gauge_in is None) == (self.gauge_mm is None):
            raise ValueError("gauge: expected either gauge_in or gauge_mm")
        if self.core_in is not None and self.core_mm is not None:
            raise ValueError("core: expected either core_in or core_mm, not both")
        core, gauge = _mm(self.core_in, self.core_mm), _mm(self.gauge_in, self.gauge_mm)
        if self.kind == "plain" and core is not None:
            raise ValueError('core: a plain string has no core of its own; leave it out or write kind = "wound"')
        if self.kind == "wound" and core is None:
            raise ValueError("core: a wound string needs core_in or core_mm")
        if core is not None and gauge is not None and core >= gauge:
            raise ValueError(f"core: {core:.3f} mm is not thinner than the gauge of {gauge:.3f} mm")
        return self


def _between(limits: setup_targets.Range) -> AfterValidator:
    def check(given: list[float]) -> list[float]:
        if not limits[0] <= given[0] < given[1] <= limits[1]:
            raise ValueError("not the least and the most wanted")
        return given

    return AfterValidator(check)


def _wanted(limits: setup_targets.Range) -> str:
    return f"the least and the most wanted in mm, from {limits[0]:g} to {limits[1]:g}: [0.1, 0.3], say"


_DAY = "a date without quotes: 2026-11-25, say"
_DAYS = "a whole number of days from {} to {}".format(*setup_targets.REPLACE_AFTER_LIMITS)

_Two = Field(min_length=2, max_length=2)
ReliefWanted = Annotated[list[float], _Two, _between(setup_targets.RELIEF_LIMITS_MM)]
ActionWanted = Annotated[list[float], _Two, _between(setup_targets.ACTION_LIMITS_MM)]
NutWanted = Annotated[list[float], _Two, _between(setup_targets.NUT_LIMITS_MM)]
PickupWanted = Annotated[list[float], _Two, _between(setup_targets.PICKUP_LIMITS_MM)]
ReplaceAfter = Annotated[int, Field(ge=setup_targets.REPLACE_AFTER_LIMITS[0], le=setup_targets.REPLACE_AFTER_LIMITS[1])]


class SetUpForm(LengthForm):
    """The ``[set_up]`` table: targets before any saddle is moved, and measured values of neck and strings."""

    relief_mm: setup_targets.ReliefMm | None = Field(None, description=_number_in(setup_targets.RELIEF_LIMITS_MM, "mm"))
    relief_wanted_mm: ReliefWanted | None = Field(None, description=_wanted(setup_targets.RELIEF_LIMITS_MM))
    action_treble_wanted_mm: ActionWanted | None = Field(None, description=_wanted(setup_targets.ACTION_LIMITS_MM))
    action_bass_wanted_mm: ActionWanted | None = Field(None, description=_wanted(setup_targets.ACTION_LIMITS_MM))
    nut_wanted_mm: NutWanted | None = Field(None, description=_wanted(setup_targets.NUT_LIMITS_MM))
    pickup_treble_wanted_mm: PickupWanted | None = Field(None, description=_wanted(setup_targets.PICKUP_LIMITS_MM))
    pickup_bass_wanted_mm: PickupWanted | None = Field(None, description=_wanted(setup_targets.PICKUP_LIMITS_MM))
    recheck_action_mm: setup_targets.RecheckActionMm = Field(
        setup_targets.RECHECK_ACTION_MM, description=_number_in(setup_targets.RECHECK_ACTION_LIMITS_MM, "mm")
    )
    strings_fitted: date | None = Field(None, description=_DAY)
    replace_after_days: ReplaceAfter | None = Field(None, description=_DAYS)


class StringsForm(Form):
    """The ``[strings]`` table: the set that is on the instrument. ``[set_up]`` may give the day and the days too."""

    fitted: date | None = Field(None, description=_DAY)
    set: setup_targets.SetName | None = Field(
        None, description=f"a text of 1 to {setup_targets.LONGEST_SET_NAME} characters in quotes"
    )
    stretched_in: bool | None = Field(None, description="true or false")
    hours_played: setup_targets.HoursPlayed | None = Field(
        None, description=f"a number of hours from 0 to {setup_targets.MOST_HOURS_PLAYED:g}"
    )
    replace_after_hours: setup_targets.ReplaceAfterHours | None = Field(
        None, description="a number of hours from {:g} to {:g}".format(*setup_targets.REPLACE_AFTER_HOURS_LIMITS)
    )
    replace_after_days: ReplaceAfter | None = Field(None, description=_DAYS)


class InstrumentForm(LengthForm):
    """A whole instrument file. ``capo``: the fret of a capo that is on; strings and frets are those without it.
    ``identity``: the name of this one instrument among others of its kind, never changed; ``name`` if missing.
    ``tuning_name``: of the tuning that the strings' notes are."""

    name: str = Field(min_length=1, max_length=60, description="a short text in quotes")
    title: str = Field("", description="a text in quotes")
    identity: spec.Identity | None = Field(
        None, description=f"a text of 1 to {spec.LONGEST_IDENTITY} characters in quotes, no blank at its ends"
    )
    reference_hz: spec.ReferenceHz = Field(A4_HZ, description=_number_in(REFERENCE_RANGE_HZ, f"Hz, usually {A4_HZ}"))
    frets: spec.FretCount = Field(description=f"a whole number from 1 to {spec.MOST_FRETS}")
    scale_mm: spec.ScaleMm = Field(description=_SCALE)
    perpendicular_fret: int = Field(
        spec.PERPENDICULAR_FRET,
        ge=0,
        le=spec.MOST_FRETS,
        description="the fret that is at right angles to the neck where strings differ in scale; 0 is the nut",
    )
    capo: int = Field(0, ge=0, le=12, description="the capo's fret, a whole number from 0 (none) to 12")
    bridge: BridgeForm = Field(description="a [bridge] table")
    nut: NutForm = Field(default_factory=lambda: NutForm.model_validate({}), description="a [nut] table")
    fine_tuners: FineTunersForm | None = Field(None, description="a [fine_tuners] table")
    pegs: hardware.Pegs = Field(hardware.PEGS[0], description=one_of(hardware.PEGS))
    set_up: SetUpForm = Field(default_factory=lambda: SetUpForm.model_validate({}), description="a [set_up] table")
    strings: StringsForm = Field(
        default_factory=lambda: StringsForm.model_validate({}),
        description="a [strings] table; each string has a [[string]] entry",
    )
    tools: dict[str, spec.ToolName] = Field(
        default_factory=dict, description='steps and their tools, both in quotes: "saddle screw" = "2.5 mm hex key"'
    )
    string: list[StringForm] = Field(
        min_length=1,
        max_length=spec.MOST_STRINGS,
        description=f"1 to {spec.MOST_STRINGS} [[string]] entries, thinnest first",
    )
    tuning_name: spec.TuningName | None = Field(
        None, description=f"a text of 1 to 40 characters in quotes, without {spec.BOTH}"
    )
    tuning: Annotated[list[TuningForm], Field(max_length=spec.MOST_TUNINGS - 1)] = Field(
        default_factory=list, description=f"at most {spec.MOST_TUNINGS - 1} [[tuning]] entries"
    )

    @property
    def own_tuning(self) -> str:
        """The name of the tuning that the strings' notes are; empty without one."""
        return self.tuning_name or (spec.AS_FILED if self.tuning else "")


def expand(form: InstrumentForm, kinds: Kinds = NO_KINDS) -> spec.Instrument:
    """Return the instrument that a checked form describes; ``kinds`` as when it was checked."""
    return spec.Instrument(
        name=form.name,
        title=form.title or form.name,
        identity=form.identity or form.name,
        tuning=form.own_tuning,
        tunings=tunings_of(form.own_tuning, form.string, form.tuning),
        perpendicular_fret=form.perpendicular_fret,
        reference_hz=form.reference_hz,
        frets=form.frets,
        strings=tuple(_string(entry, form.scale_mm, form.nut.kind) for entry in form.string),
        bridge=bridge_of(form.bridge, len(form.string), kinds),
        set_up=_set_up(form.set_up, form.strings),
        nut=nut_of(form.nut, len(form.string)),
        fine_tuners=fine_tuners_of(form.fine_tuners),
        pegs=form.pegs,
        tools={step_of(key): tool for key, tool in form.tools.items()},
    )


def _mm(inches: float | None, millimetres: float | None) -> float | None:
    return inches * INCH_MM if inches is not None else millimetres


_NUT_HEIGHT_MM = 0.4  # of a string in a slot whose file says nothing (assumed); on a zero fret it is that of a fret


def _string(entry: StringForm, scale_mm: float, nut: str) -> spec.StringSpec:
    at_nut_mm = entry.nut_height_mm
    if at_nut_mm is None:
        at_nut_mm = 0.0 if nut == hardware.ZERO_FRET else _NUT_HEIGHT_MM
    gauge_mm = _mm(entry.gauge_in, entry.gauge_mm)
    assert gauge_mm is not None  # the form has checked it
    wound = entry.kind == "wound"
    core_mm = _mm(entry.core_in, entry.core_mm) if wound else gauge_mm
    assert core_mm is not None
    by_gauge = wound_unit_weight_kg_m if wound else plain_unit_weight_kg_m
    return spec.StringSpec(
        note=entry.note,
        scale_mm=entry.scale_mm or scale_mm,
        gauge_mm=gauge_mm,
        wound=wound,
        core_mm=core_mm,
        unit_weight_kg_m=entry.unit_weight_kg_m or by_gauge(gauge_mm),
        action_12_mm=entry.action_12_mm,
        nut_height_mm=at_nut_mm,
        setback_mm=entry.setback_mm,
        offset_cents=entry.offset_cents,
        nut_offset_mm=entry.nut_offset_mm,
        fret_targets_cents=entry.fret_targets_cents,
    )


def _set_up(form: SetUpForm, strings: StringsForm) -> setup_targets.SetUp:
    own = {_OF_STRINGS.get(field, field): value for field, value in strings.model_dump().items()}
    given = {field: value for field, value in (*form.model_dump().items(), *own.items()) if value is not None}
    if "strings_fitted" in given:
        given["strings_fitted"] = given["strings_fitted"].isoformat()
    return setup_targets.SetUp.model_validate(given)


_OF_STRINGS = {"fitted": "strings_fitted", "set": "string_set"}
"""Key of ``[strings]`` -> the same in the record of a set-up."""
