"""The form of an instrument file, and what it stands for.

The form is what a technician writes: gauges in inches as the trade names them, a thread by its name, a bridge by its
kind. ``expand`` turns it into an Instrument.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from oscservice.instrument import condition, spec
from oscservice.instrument.added import NO_KINDS, Kinds
from oscservice.instrument.bridgeform import THREADS_MM as THREADS_MM
from oscservice.instrument.bridgeform import BridgeForm, bridge_of
from oscservice.instrument.frozen import Form
from oscservice.instrument.pitch import A4_HZ
from oscservice.instrument.strings import INCH_MM, plain_unit_weight_kg_m, wound_unit_weight_kg_m

GaugeIn = Annotated[float, Field(ge=spec.GAUGE_RANGE_MM[0] / INCH_MM, le=spec.GAUGE_RANGE_MM[1] / INCH_MM)]


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


def expand(form: InstrumentForm, kinds: Kinds = NO_KINDS) -> spec.Instrument:
    """The instrument that a checked form stands for; ``kinds`` as when it was checked."""
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


def _set_up(form: SetUpForm) -> condition.SetUp:
    given = {field: value for field, value in form.model_dump().items() if value is not None}
    if form.strings_fitted is not None:
        given["strings_fitted"] = form.strings_fitted.isoformat()
    return condition.SetUp.model_validate(given)
