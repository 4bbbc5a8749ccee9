"""The form of an instrument file, and what it stands for.

The form is what a technician writes: gauges in inches as the trade names them, a thread by its name, a bridge by its
kind. ``expand`` turns it into an Instrument.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, ConfigDict, Field, PlainValidator, model_validator

from oscservice.instrument import condition, spec
from oscservice.instrument.pitch import A4_HZ
from oscservice.instrument.strings import INCH_MM, plain_unit_weight_kg_m, wound_unit_weight_kg_m

# M1.6, M5 and M6 are from memory, as are the threads per inch that UNC gives to sizes 2, 5 and 10.
THREADS_MM = {
    "M1.6": 0.35, "M2": 0.40, "M2.5": 0.45, "M3": 0.50, "M3.5": 0.60, "M4": 0.70, "M5": 0.80, "M6": 1.00,
    "#2-56": INCH_MM / 56, "#4-40": INCH_MM / 40, "#5-40": INCH_MM / 40, "#6-32": INCH_MM / 32,
    "#8-32": INCH_MM / 32, "#10-24": INCH_MM / 24,
}  # fmt: skip
"""Millimetres a turn: ISO 261 and 262 coarse pitches, and UNC (25.4 mm over threads per inch)."""

_LEAST_SHARE = 0.001  # mm of a saddle per mm of an adjuster

GaugeIn = Annotated[float, Field(ge=spec.GAUGE_RANGE_MM[0] / INCH_MM, le=spec.GAUGE_RANGE_MM[1] / INCH_MM)]


def _known_thread(thread: str | float) -> str | float:
    if isinstance(thread, str) and thread not in THREADS_MM:
        raise ValueError(f"is not a known thread; expected mm a turn (a number) or one of {', '.join(THREADS_MM)}")
    if not isinstance(thread, str) and not 0.1 <= thread <= 3.0:
        raise ValueError("is not a thread; expected 0.1 to 3.0 mm a turn")
    return thread


class Form(spec.Frozen):
    """A record of the file. Strict: a number in quotes is a mistake, not a number."""

    model_config = ConfigDict(strict=True)


class StringForm(Form):
    """One ``[[string]]`` entry. Give the gauge, and a wound string's core, in inches or in mm."""

    note: spec.NoteName
    kind: Literal["plain", "wound"]
    gauge_in: GaugeIn | None = None
    gauge_mm: spec.GaugeMm | None = None
    core_in: GaugeIn | None = None
    core_mm: spec.GaugeMm | None = None
    unit_weight_kg_m: spec.UnitWeight | None = None
    scale_mm: spec.ScaleMm | None = None
    action_12_mm: spec.ActionMm = 1.8
    nut_height_mm: spec.NutHeightMm = 0.4
    setback_mm: spec.SetbackMm = 2.0
    offset_cents: spec.OffsetCents = 0.0

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


def _shares(given: object) -> dict[int, float]:
    if not isinstance(given, dict) or not given:
        raise ValueError("is not a table of strings")
    numbers = [int(key) for key in given if re.fullmatch(r"\d{1,2}", str(key))]
    values = [value for value in given.values() if isinstance(value, float) or type(value) is int]
    if len(numbers) != len(given) or len(set(numbers)) != len(given):
        raise ValueError("expected each string's number once")
    if len(values) != len(given) or not all(_LEAST_SHARE <= abs(value) <= 10.0 for value in values):
        raise ValueError("expected mm of the saddle per mm of the adjuster")
    return dict(zip(numbers, map(float, values), strict=True))


Thread = Annotated[str | float, AfterValidator(_known_thread)]
Shares = Annotated[dict[int, float], PlainValidator(_shares)]


class AdjusterForm(Form):
    """One ``[[bridge.adjuster]]`` entry, instead of those that the kind of bridge has."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    influence: Shares
    toward_nut_mm: spec.TravelMm = 0.0
    away_mm: spec.TravelMm = 0.0
    means: spec.AdjusterMeans | None = None
    thread: Thread | None = None
    step_mm: spec.StepMm | None = None

    @model_validator(mode="after")
    def _can_be_moved(self) -> AdjusterForm:
        _check_travel(self.toward_nut_mm, self.away_mm, self.step_mm)
        if self.means == spec.SCREW and self.thread is None:
            raise ValueError('means: found a screw without its thread, expected thread = "M3", say, or mm a turn')
        if self.means not in (None, spec.SCREW) and self.thread is not None:
            raise ValueError(f"thread: what is {self.means} has no screw; leave it out")
        return self


class BridgeForm(Form):
    """The ``[bridge]`` table. Travel is the room from where the saddles stand at the start."""

    kind: spec.BridgeKind
    toward_nut_mm: spec.TravelMm = 0.0
    away_mm: spec.TravelMm = 0.0
    thread: Thread | None = None
    step_mm: spec.StepMm | None = None
    slacken: bool | None = None
    string_spread_mm: Annotated[float, Field(ge=5.0, le=150.0)] = 52.0
    screw_span_mm: Annotated[float, Field(ge=5.0, le=200.0)] = 82.0
    adjuster: Annotated[list[AdjusterForm], Field(min_length=1, max_length=2 * spec.MOST_STRINGS)] | None = None

    @model_validator(mode="after")
    def _fits_the_kind(self) -> BridgeForm:
        if self.adjuster is not None:
            for field in ("toward_nut_mm", "away_mm", "thread", "step_mm"):
                if getattr(self, field):
                    raise ValueError(f"{field}: each [[bridge.adjuster]] has its own; leave it out here")
            return self
        screws = self.kind in (spec.SCREW_FIXED, spec.PAIRED, spec.BAR)
        if screws and self.thread is None:
            raise ValueError(f"thread: a bridge of the kind {self.kind} needs its thread, e.g. M3, or mm a turn")
        if not screws and self.thread is not None:
            raise ValueError(f"thread: a bridge of the kind {self.kind} has no saddle screw; leave it out")
        if self.kind == spec.BAR and self.screw_span_mm < self.string_spread_mm:
            raise ValueError("screw_span_mm: the screws of a bar stand outside the strings")
        if self.kind != spec.FIXED or self.step_mm is not None or self.toward_nut_mm + self.away_mm > 0.0:
            _check_travel(self.toward_nut_mm, self.away_mm, self.step_mm)
        return self


def _check_travel(toward_nut_mm: float, away_mm: float, step_mm: float | None) -> None:
    travel_mm = toward_nut_mm + away_mm
    if travel_mm == 0.0:
        raise ValueError("toward_nut_mm, away_mm: found no travel; expected how far it can still move, in mm")
    if step_mm is not None and step_mm > travel_mm:
        raise ValueError(f"step_mm: found {step_mm:g}, expected no more than the travel of {travel_mm:g} mm")


def _between(limits: condition.Range) -> AfterValidator:
    def check(given: list[float]) -> list[float]:
        if not limits[0] <= given[0] < given[1] <= limits[1]:
            raise ValueError(f"expected the least and the most wanted, from {limits[0]:g} to {limits[1]:g}")
        return given

    return AfterValidator(check)


_Two = Field(min_length=2, max_length=2)
ReliefWanted = Annotated[list[float], _Two, _between(condition.RELIEF_LIMITS_MM)]
ActionWanted = Annotated[list[float], _Two, _between(condition.ACTION_LIMITS_MM)]
NutWanted = Annotated[list[float], _Two, _between(condition.NUT_LIMITS_MM)]


class SetUpForm(Form):
    """The ``[set_up]`` table: what is wanted before any saddle is moved, and what is known of neck and strings."""

    relief_mm: condition.ReliefMm | None = None
    relief_wanted_mm: ReliefWanted | None = None
    action_treble_wanted_mm: ActionWanted | None = None
    action_bass_wanted_mm: ActionWanted | None = None
    nut_wanted_mm: NutWanted | None = None
    strings_fitted: date | None = None
    replace_after_days: (
        Annotated[int, Field(ge=condition.REPLACE_AFTER_LIMITS[0], le=condition.REPLACE_AFTER_LIMITS[1])] | None
    ) = None


class InstrumentForm(Form):
    """A whole instrument file. ``capo``: the fret of a capo that is on; strings and frets are those without it.
    ``identity``: which instrument of its kind it is, the same for as long as it lives; the name if not given."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    title: str = ""
    identity: spec.Identity | None = None
    reference_hz: spec.ReferenceHz = A4_HZ
    frets: spec.FretCount
    scale_mm: spec.ScaleMm
    capo: Annotated[int, Field(ge=0, le=12)] = 0
    bridge: BridgeForm
    set_up: SetUpForm = SetUpForm()
    string: Annotated[list[StringForm], Field(min_length=1, max_length=spec.MOST_STRINGS)]


def expand(form: InstrumentForm) -> spec.Instrument:
    """The instrument that a checked form stands for."""
    return spec.Instrument(
        name=form.name,
        title=form.title or form.name,
        identity=form.identity or form.name,
        reference_hz=form.reference_hz,
        frets=form.frets,
        strings=tuple(_string(entry, form.scale_mm) for entry in form.string),
        bridge=_bridge(form.bridge, len(form.string)),
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


def _set_up(form: SetUpForm) -> condition.SetUp:
    given = {field: value for field, value in form.model_dump().items() if value is not None}
    if form.strings_fitted is not None:
        given["strings_fitted"] = form.strings_fitted.isoformat()
    return condition.SetUp.model_validate(given)


def _bridge(form: BridgeForm, strings: int) -> spec.Bridge:
    # Clamps bite into a saddle and a bar's stop screws carry every string: neither is moved under tension.
    slacken = form.kind in (spec.CLAMPED_FLOATING, spec.BAR, spec.FIXED) if form.slacken is None else form.slacken
    own = form.adjuster if form.adjuster is not None else _of_the_kind(form, strings)
    return spec.Bridge(
        kind=form.kind,
        floating=form.kind == spec.CLAMPED_FLOATING,
        slacken=slacken,
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


def _of_the_kind(form: BridgeForm, strings: int) -> list[AdjusterForm]:
    """The adjusters that a bridge of this kind has."""
    if form.kind == spec.FIXED and form.toward_nut_mm + form.away_mm == 0.0:
        return []
    means = {spec.CLAMPED_FLOATING: spec.BY_HAND, spec.FIXED: spec.SHAPED}.get(form.kind, spec.SCREW)
    return [
        AdjusterForm(
            name=name,
            influence=influence,
            toward_nut_mm=form.toward_nut_mm,
            away_mm=form.away_mm,
            means=means,
            thread=form.thread,
            step_mm=form.step_mm,
        )
        for name, influence in _influences(form, strings)
    ]


def _influences(form: BridgeForm, strings: int) -> list[tuple[str, dict[int, float]]]:
    """Name and influence of each adjuster: string number -> mm of its saddle per mm of the adjuster."""
    if form.kind == spec.PAIRED:
        pairs = [range(first, min(first + 2, strings + 1)) for first in range(1, strings + 1, 2)]
        return [(f"saddle {'+'.join(map(str, pair))}", dict.fromkeys(pair, 1.0)) for pair in pairs]
    if form.kind == spec.BAR:
        edge = (form.screw_span_mm - form.string_spread_mm) / 2.0
        step = form.string_spread_mm / (strings - 1) if strings > 1 else 0.0
        first = edge if strings > 1 else form.screw_span_mm / 2.0
        bass = {n: round((first + step * (n - 1)) / form.screw_span_mm, 6) for n in range(1, strings + 1)}
        treble = {n: round(1.0 - share, 6) for n, share in bass.items()}
        # A screw right under a string leaves the other screw nothing to say about it.
        moving = [{n: share for n, share in side.items() if share >= _LEAST_SHARE} for side in (treble, bass)]
        return list(zip(("treble screw", "bass screw"), moving, strict=True))
    part = "crown" if form.kind == spec.FIXED else "saddle"
    return [(f"{part} {n}", {n: 1.0}) for n in range(1, strings + 1)]
