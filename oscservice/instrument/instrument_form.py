"""The form of an instrument file: its tables and keys, and the instrument it describes.

A technician writes it: gauges in inches as the trade names them, a thread by its name, a bridge by its
kind or adjuster by adjuster. ``expand`` turns it into an Instrument.

The kinds of bridge are in ``bridge_kinds``. All values that a file takes from a kind are copied into the instrument: a
record of it no longer needs the kind.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, PlainValidator, ValidationInfo, model_validator

from oscservice.defaults import A4_HZ, INCH_MM, REFERENCE_RANGE_HZ
from oscservice.instrument import setup_targets, spec
from oscservice.instrument.bridge_kinds import BUILT_IN_KINDS, NO_KINDS, BridgeKind, BridgeSize, Kinds, find_kind
from oscservice.instrument.spec import MEANS
from oscservice.instrument.string_physics import plain_unit_weight_kg_m, wound_unit_weight_kg_m
from oscservice.toml_file import Expected, Form

# M1.6, M5 and M6 are from memory, as are the threads per inch that UNC gives to sizes 2, 5 and 10.
THREADS_MM = {
    "M1.6": 0.35, "M2": 0.40, "M2.5": 0.45, "M3": 0.50, "M3.5": 0.60, "M4": 0.70, "M5": 0.80, "M6": 1.00,
    "#2-56": INCH_MM / 56, "#4-40": INCH_MM / 40, "#5-40": INCH_MM / 40, "#6-32": INCH_MM / 32,
    "#8-32": INCH_MM / 32, "#10-24": INCH_MM / 24,
}  # fmt: skip
"""Millimetres a turn: ISO 261 and 262 coarse pitches, and UNC (25.4 mm over threads per inch)."""

KINDS_IN_CONTEXT = "kinds"
"""Under this name the added kinds are handed to pydantic's validation."""


def _known_thread(thread: str | float) -> str | float:
    if isinstance(thread, str) and thread not in THREADS_MM:
        raise ValueError("not a known thread")
    if not isinstance(thread, str) and not spec.THREAD_RANGE_MM[0] <= thread <= spec.THREAD_RANGE_MM[1]:
        raise ValueError("not a thread")
    return thread


def _shares(given: object) -> dict[int, float]:
    if not isinstance(given, dict) or not given:
        raise ValueError("is not a table of strings")
    numbers = [int(key) for key in given if re.fullmatch(r"\d{1,2}", str(key))]
    values = [value for value in given.values() if isinstance(value, float) or type(value) is int]
    if len(numbers) != len(given) or len(set(numbers)) != len(given):
        raise ValueError("expected each string's number once")
    low, high = spec.ADJUSTER_SHARE
    if len(values) != len(given) or not all(low <= abs(value) <= high for value in values):
        raise ValueError("expected mm of the saddle per mm of the adjuster")
    return dict(zip(numbers, map(float, values), strict=True))


def _added_kinds(info: ValidationInfo) -> Kinds:
    context: dict[str, Any] = info.context or {}
    kinds: Kinds = context.get(KINDS_IN_CONTEXT, NO_KINDS)
    return kinds


def _known_kind(kind: str, info: ValidationInfo) -> str:
    if find_kind(kind, _added_kinds(info)) is None:
        raise ValueError("not a kind of bridge")
    return kind


def expected_of(kinds: Kinds) -> Expected:
    """Return the expected values of a file that may name these added kinds. The kinds are not read before that."""

    def expected(form: type[Form], key: str) -> str:
        return "one of " + ", ".join((*BUILT_IN_KINDS, *kinds)) if (form, key) == (BridgeForm, "kind") else ""

    return expected


_TRAVEL = "a number from 0 to 50 (mm)"
_STEP = "a number above 0 and up to 5 (mm)"
_THREAD = f"mm a turn from 0.1 to 3.0, or one of {', '.join(THREADS_MM)}"

Thread = Annotated[str | float, AfterValidator(_known_thread)]
Shares = Annotated[dict[int, float], PlainValidator(_shares)]


class AdjusterForm(Form):
    """One ``[[bridge.adjuster]]`` entry, instead of those that the kind of bridge has."""

    name: str = Field(min_length=1, max_length=40, description="a text of 1 to 40 letters in quotes")
    influence: Shares = Field(
        description='mm that saddles move per mm of the adjuster, each string once: { "1" = 1.0, "2" = 0.5 }'
    )
    toward_nut_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    away_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    means: spec.AdjusterMeans | None = Field(None, description="one of " + ", ".join(MEANS))
    thread: Thread | None = Field(None, description=_THREAD)
    step_mm: spec.StepMm | None = Field(None, description=_STEP)

    @model_validator(mode="after")
    def _can_be_moved(self) -> AdjusterForm:
        _check_travel(self.toward_nut_mm, self.away_mm, self.step_mm)
        if self.means == spec.SCREW and self.thread is None:
            raise ValueError('means: found a screw without its thread, expected thread = "M3", say, or mm a turn')
        if self.means not in (None, spec.SCREW) and self.thread is not None:
            raise ValueError(f"thread: an adjuster that is {self.means} has no screw; leave it out")
        return self


class BridgeForm(Form):
    """The ``[bridge]`` table. Travel is counted from the places of the saddles at the start."""

    kind: Annotated[str, AfterValidator(_known_kind)]
    toward_nut_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    away_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    thread: Thread | None = Field(None, description=_THREAD)
    step_mm: spec.StepMm | None = Field(None, description=_STEP)
    slacken: bool | None = Field(None, description="true or false")
    string_spread_mm: float = Field(
        BridgeSize.string_spread_mm, ge=5.0, le=150.0, description="a number from 5 to 150 (mm)"
    )
    screw_span_mm: float = Field(BridgeSize.screw_span_mm, ge=5.0, le=200.0, description="a number from 5 to 200 (mm)")
    adjuster: Annotated[list[AdjusterForm], Field(min_length=1, max_length=2 * spec.MOST_STRINGS)] | None = Field(
        None, description=f"1 to {2 * spec.MOST_STRINGS} [[bridge.adjuster]] entries"
    )

    @property
    def travel_mm(self) -> float:
        """The room to move in both directions together."""
        return self.toward_nut_mm + self.away_mm

    @model_validator(mode="after")
    def _fits_the_kind(self, info: ValidationInfo) -> BridgeForm:
        if self.adjuster is not None:
            for field in ("toward_nut_mm", "away_mm", "thread", "step_mm"):
                if getattr(self, field):
                    raise ValueError(f"{field}: each [[bridge.adjuster]] has its own; leave it out here")
            return self
        kind = find_kind(self.kind, _added_kinds(info))
        assert kind is not None  # the field has checked it
        if kind.screws and self.thread is None and kind.mm_per_turn is None:
            raise ValueError(f"thread: a bridge of the kind {self.kind} needs its thread, e.g. M3, or mm a turn")
        if not kind.screws and self.thread is not None:
            raise ValueError(f"thread: a bridge of the kind {self.kind} has no saddle screw; leave it out")
        if kind.end_screws and self.screw_span_mm < self.string_spread_mm:
            raise ValueError("screw_span_mm: the screws of a bar are outside the strings")
        if not kind.may_lack_travel or self.step_mm is not None or self.travel_mm > 0.0:
            _check_travel(self.toward_nut_mm, self.away_mm, self.step_mm)
        return self


def _check_travel(toward_nut_mm: float, away_mm: float, step_mm: float | None) -> None:
    travel_mm = toward_nut_mm + away_mm
    if travel_mm == 0.0:
        raise ValueError("toward_nut_mm, away_mm: found no travel; expected how far it can still move, in mm")
    if step_mm is not None and step_mm > travel_mm:
        raise ValueError(f"step_mm: found {step_mm:g}, expected no more than the travel of {travel_mm:g} mm")


def bridge_of(form: BridgeForm, strings: int, kinds: Kinds = NO_KINDS) -> spec.Bridge:
    """Return the bridge that a checked form describes, on an instrument with this number of strings; ``kinds`` as when
    the form was checked.

    Raises:
        KeyError: a kind that is not there, or is not made for so many strings.
    """
    kind = find_kind(form.kind, kinds)
    if kind is None:
        raise KeyError(form.kind)
    own = form.adjuster if form.adjuster is not None else _adjusters_of_kind(form, strings, kind)
    return spec.Bridge(
        kind=form.kind,
        floating=kind.floating,
        slacken=kind.slacken if form.slacken is None else form.slacken,
        adjusters=tuple(_adjuster(entry) for entry in own),
    )


def _adjuster(form: AdjusterForm) -> spec.Adjuster:
    # Means and step that the file leaves out are filled in by the record itself.
    given = {"means": form.means, "step_mm": form.step_mm}
    return spec.Adjuster.model_validate(
        {
            "name": form.name,
            "influence": form.influence,
            "toward_nut_mm": form.toward_nut_mm,
            "away_mm": form.away_mm,
            "mm_per_turn": THREADS_MM[form.thread] if isinstance(form.thread, str) else form.thread,
            **{field: value for field, value in given.items() if value is not None},
        }
    )


def _adjusters_of_kind(form: BridgeForm, strings: int, kind: BridgeKind) -> list[AdjusterForm]:
    """Return the adjusters that a bridge of this kind has."""
    if kind.may_lack_travel and form.travel_mm == 0.0:
        return []
    size = BridgeSize(strings, form.string_spread_mm, form.screw_span_mm)
    return [
        AdjusterForm(
            name=name,
            influence=dict(influence),
            toward_nut_mm=form.toward_nut_mm,
            away_mm=form.away_mm,
            means=kind.means,
            thread=kind.mm_per_turn if form.thread is None else form.thread,
            step_mm=kind.step_mm if form.step_mm is None else form.step_mm,
        )
        for name, influence in kind.layout(size).items()
    ]


def _number_in(limits: setup_targets.Range, unit: str) -> str:
    return f"a number from {limits[0]:g} to {limits[1]:g} ({unit})"


_GAUGE = _number_in(spec.GAUGE_RANGE_MM, "mm")
_GAUGE_IN = f"inches from {spec.GAUGE_RANGE_MM[0] / INCH_MM:.3f} to {spec.GAUGE_RANGE_MM[1] / INCH_MM:.3f}, e.g. 0.010"
_SCALE = _number_in(spec.SCALE_RANGE_MM, "mm")

GaugeIn = Annotated[float, Field(ge=spec.GAUGE_RANGE_MM[0] / INCH_MM, le=spec.GAUGE_RANGE_MM[1] / INCH_MM)]


class StringForm(Form):
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
    nut_height_mm: spec.NutHeightMm = Field(0.4, description=_number_in(setup_targets.NUT_LIMITS_MM, "mm"))
    setback_mm: spec.SetbackMm = Field(2.0, description="a number from -20 to 30 (mm)")
    offset_cents: spec.OffsetCents = Field(0.0, description="a number from -50 to 50 (cents off the note, + sharp)")

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


_Two = Field(min_length=2, max_length=2)
ReliefWanted = Annotated[list[float], _Two, _between(setup_targets.RELIEF_LIMITS_MM)]
ActionWanted = Annotated[list[float], _Two, _between(setup_targets.ACTION_LIMITS_MM)]
NutWanted = Annotated[list[float], _Two, _between(setup_targets.NUT_LIMITS_MM)]
ReplaceAfter = Annotated[int, Field(ge=setup_targets.REPLACE_AFTER_LIMITS[0], le=setup_targets.REPLACE_AFTER_LIMITS[1])]


class SetUpForm(Form):
    """The ``[set_up]`` table: targets before any saddle is moved, and measured values of neck and strings."""

    relief_mm: setup_targets.ReliefMm | None = Field(None, description=_number_in(setup_targets.RELIEF_LIMITS_MM, "mm"))
    relief_wanted_mm: ReliefWanted | None = Field(None, description=_wanted(setup_targets.RELIEF_LIMITS_MM))
    action_treble_wanted_mm: ActionWanted | None = Field(None, description=_wanted(setup_targets.ACTION_LIMITS_MM))
    action_bass_wanted_mm: ActionWanted | None = Field(None, description=_wanted(setup_targets.ACTION_LIMITS_MM))
    nut_wanted_mm: NutWanted | None = Field(None, description=_wanted(setup_targets.NUT_LIMITS_MM))
    strings_fitted: date | None = Field(None, description="a date without quotes: 2026-11-25, say")
    replace_after_days: ReplaceAfter | None = Field(
        None, description="a whole number of days from {} to {}".format(*setup_targets.REPLACE_AFTER_LIMITS)
    )


class InstrumentForm(Form):
    """A whole instrument file. ``capo``: the fret of a capo that is on; strings and frets are those without it.
    ``identity``: the name of this one instrument among others of its kind, never changed; ``name`` if missing."""

    name: str = Field(min_length=1, max_length=60, description="a short text in quotes")
    title: str = Field("", description="a text in quotes")
    identity: spec.Identity | None = Field(
        None, description=f"a text of 1 to {spec.LONGEST_IDENTITY} characters in quotes, no blank at its ends"
    )
    reference_hz: spec.ReferenceHz = Field(A4_HZ, description=_number_in(REFERENCE_RANGE_HZ, f"Hz, usually {A4_HZ}"))
    frets: spec.FretCount = Field(description=f"a whole number from 1 to {spec.MOST_FRETS}")
    scale_mm: spec.ScaleMm = Field(description=_SCALE)
    capo: int = Field(0, ge=0, le=12, description="the capo's fret, a whole number from 0 (none) to 12")
    bridge: BridgeForm = Field(description="a [bridge] table")
    set_up: SetUpForm = Field(default_factory=lambda: SetUpForm.model_validate({}), description="a [set_up] table")
    string: list[StringForm] = Field(
        min_length=1,
        max_length=spec.MOST_STRINGS,
        description=f"1 to {spec.MOST_STRINGS} [[string]] entries, thinnest first",
    )


def expand(form: InstrumentForm, kinds: Kinds = NO_KINDS) -> spec.Instrument:
    """Return the instrument that a checked form describes; ``kinds`` as when it was checked."""
    return spec.Instrument(
        name=form.name,
        title=form.title or form.name,
        identity=form.identity or form.name,
        reference_hz=form.reference_hz,
        frets=form.frets,
        strings=tuple(_string(entry, form.scale_mm) for entry in form.string),
        bridge=bridge_of(form.bridge, len(form.string), kinds),
        set_up=_set_up(form.set_up),
    )


def _mm(inches: float | None, millimetres: float | None) -> float | None:
    return inches * INCH_MM if inches is not None else millimetres


def _string(entry: StringForm, scale_mm: float) -> spec.StringSpec:
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
        nut_height_mm=entry.nut_height_mm,
        setback_mm=entry.setback_mm,
        offset_cents=entry.offset_cents,
    )


def _set_up(form: SetUpForm) -> setup_targets.SetUp:
    given = {field: value for field, value in form.model_dump().items() if value is not None}
    if form.strings_fitted is not None:
        given["strings_fitted"] = form.strings_fitted.isoformat()
    return setup_targets.SetUp.model_validate(given)
