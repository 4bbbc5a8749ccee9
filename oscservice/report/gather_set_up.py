"""The facts of a report beside the errors: heights and saddles as found and as left, the strings, the job sheet."""

from __future__ import annotations

from collections.abc import Sequence

from oscservice.record.event_chain import SessionRow
from oscservice.record.job_entries import JobEntry, job_fault, sheet_of
from oscservice.report.facts import (
    HeightFact,
    JobEntryFact,
    JobFacts,
    JobNoteFact,
    PhotographFact,
    SaddleFact,
    StringsFact,
)
from oscservice.session import events as ev
from oscservice.session.inspection import age_of, left_of, measured_of
from oscservice.session.replay import EffectiveEvents


def heights_of(effective: EffectiveEvents) -> tuple[HeightFact, ...]:
    """Return every measured height, in the order of the inspection.

    As found is the first value of the inspection. As left is the last one measured as such; without one, the last value
    of the inspection, where that had more than one.
    """
    state = effective.state
    if state.instrument is None:
        return ()
    inspected: dict[str, list[float]] = {}
    left: dict[str, float] = {}
    for turn in effective.turns:
        event = turn.event
        if isinstance(event, ev.ItemMeasured):
            if event.left:
                left[event.what] = event.value_mm
            else:
                inspected.setdefault(event.what, []).append(event.value_mm)
    found = []
    for item, _ in state.items:
        measured = {one.what: one for one in (*measured_of(state, item), *left_of(state, item))}
        for what in sorted(measured, key=_order):
            values = inspected.get(what, [])
            last_mm = left.get(what, values[-1] if len(values) > 1 else None)
            one = measured[what]
            found.append(HeightFact(what, one.name(), values[0] if values else None, last_mm, one.wanted_mm))
    return tuple(found)


def _order(what: str) -> tuple[str, bool, int, str]:
    """Return a key that sorts treble before bass, and strings by their numbers."""
    kind, _, place = what.partition("/")
    return kind, place == "bass", int(place) if place.isdecimal() else 0, place


def saddles_of(effective: EffectiveEvents) -> tuple[SaddleFact, ...]:
    """Return the place of every string's saddle, string 1 first; none in a quick check."""
    state = effective.state
    if state.instrument is None or state.against is not None:
        return ()
    found = []
    for number, spec in enumerate(state.instrument.strings, start=1):
        string = state.string(number)
        filed_mm = spec.setback_mm
        read = string.saddle_at_mm
        found.append(SaddleFact(number, spec.note, filed_mm, filed_mm + string.moved_mm, read[0], read[1]))
    return tuple(found)


def strings_of(effective: EffectiveEvents) -> StringsFact | None:
    """Return the facts of the strings as a set; None if nothing was begun."""
    state = effective.state
    if state.instrument is None:
        return None
    set_up, age = state.instrument.set_up, age_of(state)
    return StringsFact(
        set_name=set_up.string_set,
        tuning=state.instrument.tuning,
        fitted=set_up.strings_fitted,
        age_days=None if age is None else age.days,
        replace_after_days=set_up.replace_after_days,
        replace_after_hours=set_up.replace_after_hours,
        hours_played=set_up.hours_played,
    )


def job_of(row: SessionRow, entries: Sequence[JobEntry]) -> JobFacts | None:
    """Return the job sheet of a session; None if nothing was written on it."""
    if not entries:
        return None
    sheet, fault = sheet_of(entries), job_fault(row, entries)
    return JobFacts(
        customer=sheet.customer,
        number=sheet.number,
        job=sheet.job,
        technician=sheet.technician,
        string_set=sheet.string_set,
        tuning=sheet.tuning,
        message=sheet.message,
        notes=tuple(JobNoteFact(one.at_utc, one.by, one.text) for one in sheet.notes),
        photographs=tuple(
            PhotographFact(one.at_utc, one.photograph.name, one.photograph.sha256, one.photograph.size)
            for one in sheet.photographs
        ),
        entries=tuple(JobEntryFact(one.seq, one.at_utc, one.by, bool(one.seal), tuple(one.lines())) for one in entries),
        fault="" if fault is None else fault.what,
        sha256=entries[-1].hash,
    )
