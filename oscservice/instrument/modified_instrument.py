"""An instrument after a change: other strings, tuning, action, relief, nut or reference, or a capo.

Each function returns a new instrument that is validated like one from a file; the saddles are not moved. An error is
one line: the field, the value and the reason. Lengths are in mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from oscservice.instrument.contradictions import TENSION_RANGE_N
from oscservice.instrument.pitch import note_name, note_number
from oscservice.instrument.setup_targets import SetUp, nut_height_mm, relief_at_12_mm
from oscservice.instrument.spec import BOTH, Instrument, StringSpec, Tuning
from oscservice.instrument.string_physics import (
    fret_position_mm,
    plain_unit_weight_kg_m,
    tension_n,
    wound_unit_weight_kg_m,
)


@dataclass(frozen=True)
class NewGauge:
    """Outside diameter and core of a new string, mm.

    Without a core, a plain string stays plain, and a wound one has a core in the same proportion to the gauge as before
    (assumed). A core thinner than the gauge means a wound string, an equal one a plain string.
    """

    gauge_mm: float
    core_mm: float | None = None


def with_gauges(instrument: Instrument, gauges: Mapping[int, NewGauge]) -> Instrument:
    """Return the instrument with other strings (string number -> gauge); their mass follows from gauge and kind.

    Raises:
        ValueError: a string that isn't there, a gauge or core that can't be, a tension that no string of the trade has.
    """
    return with_strings(instrument, {n: _gauged(instrument.string(n), new) for n, new in gauges.items()})


def tuned_by(instrument: Instrument, semitones: int) -> Instrument:
    """Return the instrument with all strings tuned by ``semitones``, + up. Raises ValueError as ``with_notes``."""
    return with_notes(instrument, [note_name(note_number(s.note) + semitones) for s in instrument.strings])


def with_notes(instrument: Instrument, notes: Sequence[str]) -> Instrument:
    """Return the instrument with other open notes, string 1 first; each string keeps its offset from its note.

    Raises:
        ValueError: not one note for each string, a text that is no note, a tension that no string of the trade has.
    """
    if len(notes) != len(instrument.strings):
        raise ValueError(f"notes: found {len(notes)}, expected {len(instrument.strings)}, string 1 first")
    if BOTH in instrument.tuning:
        instrument = with_tuning(instrument, instrument.tunings[0].name)
    return with_strings(instrument, {number: {"note": note} for number, note in enumerate(notes, start=1)}, tuning="")


def with_tuning(instrument: Instrument, name: str) -> Instrument:
    """Return the instrument in one of its tunings.

    Raises:
        ValueError: a name that no tuning has, a tension that no string of the trade has.
    """
    tuning = named_tuning(instrument, name)
    strings = {
        number: {"note": note, "offset_cents": offset_cents}
        for number, (note, offset_cents) in enumerate(zip(tuning.notes, tuning.offsets_cents, strict=True), start=1)
    }
    for number, targets_cents in enumerate(tuning.fret_targets_cents, start=1):
        strings[number]["fret_targets_cents"] = targets_cents
    return with_strings(instrument, strings, tuning=name)


def named_tuning(instrument: Instrument, name: str) -> Tuning:
    """Return a tuning of the instrument. Raises ValueError for a name that none has."""
    for tuning in instrument.tunings:
        if tuning.name == name:
            return tuning
    names = ", ".join(tuning.name for tuning in instrument.tunings)
    known = f"expected one of {names}" if names else "this instrument has none; add [[tuning]] entries to its file"
    raise ValueError(f"tuning: found {name[:64]!r}, {known}")


def with_fret_targets(instrument: Instrument, targets_cents: Mapping[int, Mapping[int, float]]) -> Instrument:
    """Return the instrument with wanted errors of frets: string -> fret -> cents, + sharp. Raises ValueError out of
    range."""
    return with_strings(instrument, {n: {"fret_targets_cents": dict(cents)} for n, cents in targets_cents.items()})


def with_action_raised(instrument: Instrument, by_mm: float) -> Instrument:
    """Return the instrument with all strings higher at fret 12 by ``by_mm``, by its saddles.

    Raises:
        ValueError: a height out of range.
    """
    return with_strings(
        instrument, {n: {"action_12_mm": s.action_12_mm + by_mm} for n, s in enumerate(instrument.strings, start=1)}
    )


def with_action(instrument: Instrument, treble_mm: float, bass_mm: float) -> Instrument:
    """Return the instrument with these heights of string 1 and the last string over fret 12.

    The other strings are on a straight line between (common practice, no source). The targets stay the same.

    Raises:
        ValueError: a height out of range.
    """
    last = max(1, len(instrument.strings) - 1)
    line = {n: treble_mm + (bass_mm - treble_mm) * (n - 1) / last for n in range(1, len(instrument.strings) + 1)}
    return with_strings(
        instrument, {n: {"action_12_mm": mm} for n, mm in line.items()}, set_up=instrument.wanted.model_dump()
    )


def with_relief(instrument: Instrument, relief_mm: float, *, heights_stay: bool) -> Instrument:
    """Return the instrument with another relief of the neck.

    With ``heights_stay`` the neck was bent after the actions were measured, and nut and saddles were not moved. Fret 12
    then goes down by its part of the bow, and the action grows by as much: the model's c becomes c + 2 relief_12.
    Otherwise, or if no relief was known before, the actions were measured with this relief and already include it.
    Source: M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683.

    Raises:
        ValueError: out of range, or a string that would lie on the frets.
    """
    before_mm = instrument.set_up.relief_mm
    bent_mm = 0.0 if before_mm is None or not heights_stay else relief_mm - before_mm
    by_mm = relief_at_12_mm(bent_mm, instrument.frets)
    lower = {n: {"action_12_mm": s.action_12_mm + by_mm} for n, s in enumerate(instrument.strings, start=1)}
    known = _known(instrument.wanted, relief_mm=relief_mm)
    return with_strings(instrument, lower, set_up=known)


def with_height_over_fret_1(instrument: Instrument, string: int, height_mm: float) -> Instrument:
    """Return the instrument with a string's measured height over fret 1. Raises ValueError out of range."""
    at_nut_mm = nut_height_mm(height_mm, instrument.string(string).action_12_mm)
    return with_strings(instrument, {string: {"nut_height_mm": at_nut_mm}}, set_up=instrument.wanted.model_dump())


def with_strings_fitted(instrument: Instrument, day: str) -> Instrument:
    """Return the instrument with strings put on on ``day``, such as 2026-11-25. Raises ValueError for no date.

    On another day than before, they are other strings: their hours, and whether they are stretched in, are not known.
    """
    set_up = _known(instrument.set_up, strings_fitted=day)
    if day != instrument.set_up.strings_fitted:
        set_up |= {"hours_played": None, "stretched_in": None}
    return _checked(instrument.model_dump() | {"set_up": set_up})


def with_strings_described(instrument: Instrument, hours_played: float | None, stretched_in: bool | None) -> Instrument:
    """Return the instrument with strings played for so many hours, and stretched in or not; None: as before.

    Raises:
        ValueError: hours out of range.
    """
    told = {"hours_played": hours_played, "stretched_in": stretched_in}
    known = {name: value for name, value in told.items() if value is not None}
    return _checked(instrument.model_dump() | {"set_up": _known(instrument.set_up, **known)})


def with_nut_height(instrument: Instrument, height_mm: float) -> Instrument:
    """Return the instrument with all strings ``height_mm`` over the fret plane at the nut, the saddles not moved.

    The action at fret 12 changes by half as much.

    Raises:
        ValueError: a height out of range.
    """
    return with_strings(
        instrument,
        {
            n: {
                "nut_height_mm": height_mm,
                "action_12_mm": s.action_12_mm + (height_mm - s.nut_height_mm) / 2.0,
            }
            for n, s in enumerate(instrument.strings, start=1)
        },
    )


def with_reference(instrument: Instrument, reference_hz: float) -> Instrument:
    """Return the instrument with another A4 in Hz.

    Raises:
        ValueError: a frequency out of range, or a tension that no string of the trade has.
    """
    return _checked(instrument.model_dump() | {"reference_hz": reference_hz})


def with_capo(instrument: Instrument, fret: int) -> Instrument:
    """Return the instrument with a capo: the part between the capo's fret and the saddles as an instrument of its own.

    That fret is the nut, with a height of 0 and no offset. The strings run straight from there to the saddles, whose
    setback and height stay the same. String taken up by the pad of the capo is ignored, since strings are tuned with
    the capo on.

    Raises:
        ValueError: a fret that isn't there, or one that leaves a scale too short.
    """
    if not 1 <= fret < instrument.frets:
        raise ValueError(f"capo: fret {fret} leaves no fret above it; expected 1 to {instrument.frets - 1}")
    strings = {
        number: {
            "note": note_name(note_number(s.note) + fret),
            "scale_mm": s.scale_mm - fret_position_mm(s.scale_mm, fret),
            "nut_height_mm": 0.0,
            "nut_offset_mm": 0.0,
            "action_12_mm": s.action_12_mm - s.nut_height_mm / 2.0,
            "fret_targets_cents": _targets_from(fret, s.fret_targets_cents, instrument.frets),
        }
        for number, s in enumerate(instrument.strings, start=1)
    }
    tunings = [_tuning_from(fret, tuning, instrument.frets) for tuning in instrument.tunings]
    across = max(0, instrument.perpendicular_fret - fret)
    more = {"frets": instrument.frets - fret, "tunings": tunings, "perpendicular_fret": across}
    return with_strings(instrument, strings, **more)


def _targets_from(capo: int, targets_cents: Mapping[int, float], frets: int) -> dict[int, float]:
    """Return the wanted errors from a capo's fret on, which is in tune by definition."""
    if not targets_cents:
        return {}
    at_capo_cents = targets_cents.get(capo, 0.0)
    return {fret - capo: targets_cents.get(fret, 0.0) - at_capo_cents for fret in range(capo + 1, frets + 1)}


def _tuning_from(capo: int, tuning: Tuning, frets: int) -> dict[str, Any]:
    """Return the fields of a tuning from a capo's fret on."""
    return tuning.model_dump() | {
        "notes": tuple(note_name(note_number(note) + capo) for note in tuning.notes),
        "fret_targets_cents": tuple(_targets_from(capo, one, frets) for one in tuning.fret_targets_cents),
    }


def with_strings(instrument: Instrument, changed: Mapping[int, dict[str, Any]], **more: Any) -> Instrument:
    """Return the instrument with changed fields of its strings (by number) and of its own.

    Raises:
        ValueError: a field out of range, a tension that no string of the trade has.
    """
    strings = [s.model_dump() | changed.get(n, {}) for n, s in enumerate(instrument.strings, start=1)]
    return _checked(instrument.model_dump() | {"strings": strings} | more)


def _known(set_up: SetUp, **known: float | str) -> dict[str, Any]:
    """Return the fields of a set-up with some of them replaced."""
    return set_up.model_dump() | known


def _gauged(string: StringSpec, new: NewGauge) -> dict[str, Any]:
    """Return the fields of a string that a new gauge changes."""
    core_mm = new.core_mm
    if core_mm is None:
        core_mm = new.gauge_mm * string.core_mm / string.gauge_mm if string.wound else new.gauge_mm
    wound = core_mm != new.gauge_mm
    weight = wound_unit_weight_kg_m if wound else plain_unit_weight_kg_m
    return {
        "gauge_mm": new.gauge_mm,
        "core_mm": core_mm,
        "wound": wound,
        "unit_weight_kg_m": weight(new.gauge_mm),
    }


def _checked(data: dict[str, Any]) -> Instrument:
    """Return the instrument of these fields. Raises ValueError with one line for the first mistake."""
    try:
        instrument = Instrument.model_validate(data)
    except ValidationError as mistake:
        raise ValueError(_first_mistake(mistake)) from None
    for number, string in enumerate(instrument.strings, start=1):
        pull = tension_n(string.unit_weight_kg_m, instrument.open_hz(number), string.scale_mm)
        if not TENSION_RANGE_N[0] <= pull <= TENSION_RANGE_N[1]:
            raise ValueError(
                f"string {number}: {string.note} on {string.gauge_mm:.2f} mm would pull {pull:.0f} N; "
                f"expected {TENSION_RANGE_N[0]:g} to {TENSION_RANGE_N[1]:g} N"
            )
        if string.action_12_mm <= string.nut_height_mm / 2.0:
            raise ValueError(
                f"string {number}, action_12_mm: {string.action_12_mm:g} is not more than half of the height at the "
                f"nut ({string.nut_height_mm:g}): the string would lie on the frets"
            )
    return instrument


def _first_mistake(mistake: ValidationError) -> str:
    """Return the first mistake in one line."""
    error = mistake.errors(include_url=False)[0]
    match error["loc"]:
        case ("strings", int(index), str(field)):
            where, value = f"string {index + 1}, {field}: {error['input']}", ""
        case ("strings", int(index), str(field), *more):
            where, value = f"string {index + 1}, {field} {' '.join(map(str, more))}: {error['input']}", ""
        case ("strings", int(index)):
            where, value = f"string {index + 1}", ""
        case other:
            where, value = ", ".join(map(str, other)), f": {error['input']}"
    reason = error["msg"].removeprefix("Value error, ")
    return f"{where}{value}: {reason[:1].lower()}{reason[1:]}"
