"""From a session's record to the facts of its report."""

from __future__ import annotations

from oscservice.instrument.spec import SCREW, SHAPED, Instrument
from oscservice.record.rows import Record, edited
from oscservice.report.facts import (
    Built,
    BuiltString,
    Facts,
    Falls,
    Inspected,
    Named,
    Overview,
    Sealed,
)
from oscservice.report.happened import moves_of, plucks_of
from oscservice.report.results import results_of
from oscservice.sentences.table import ENGLISH
from oscservice.session import events as ev
from oscservice.session.asking import TUNING_WINDOW_CENTS
from oscservice.session.course import Course
from oscservice.session.inspecting import STRINGS, age_of, measured_of
from oscservice.session.state import State
from oscservice.session.surveying import finding_from_json
from oscservice.session.words import Verdict


def facts_of(record: Record, course: Course, version: str, falls: Falls | None = None) -> Facts:
    """What a report tells.

    Args:
        record: the session as the journal holds it.
        course: what stands of its events.
        version: of this program.
        falls: how plucks fell, where their sound was kept.
    """
    state = course.state
    return Facts(
        version=version,
        overview=_overview(record, course),
        instrument=None if state.instrument is None else _built(state.instrument),
        inspected=_inspected(state),
        changes=tuple(text for _, text in state.changes),
        results=results_of(course),
        moves=moves_of(course),
        plucks=plucks_of(course),
        causes=_causes(course),
        cautions=_cautions(course),
        seal=_seal(record),
        falls=falls,
    )


def _overview(record: Record, course: Course) -> Overview:
    row, state = record.session, course.state
    against = "" if state.against is None else state.against.session
    begun = state.instrument is not None
    return Overview(
        session=row.id,
        label=state.label if begun else row.label,
        kind="" if not begun else "quick check" if against else "set-up",
        outcome=state.outcome,
        phase=str(state.phase),
        day=state.day,
        begun_utc=row.started_utc,
        closed_utc=row.closed_utc or "",
        tolerance_cents=state.tolerance_cents,
        tuning_cents=TUNING_WINDOW_CENTS,
        fret=state.fret,
        frets=state.played.frets if begun else (),
        by_hand=state.by_hand,
        taken_back=course.taken_back,
        against=against,
    )


def _built(instrument: Instrument) -> Built:
    bridge = instrument.bridge
    return Built(
        name=instrument.name,
        title=instrument.title,
        identity=instrument.identity,
        reference_hz=instrument.reference_hz,
        frets=instrument.frets,
        bridge=bridge.kind,
        floating=bridge.floating,
        slacken=bridge.slacken,
        means=tuple(sorted({adjuster.means for adjuster in bridge.adjusters})),
        strings=tuple(
            BuiltString(
                string=number,
                note=spec.note,
                wanted_hz=instrument.open_hz(number),
                gauge_mm=spec.gauge_mm,
                core_mm=spec.core_mm,
                wound=spec.wound,
                scale_mm=spec.scale_mm,
                action_12_mm=spec.action_12_mm,
                setback_mm=spec.setback_mm,
            )
            for number, spec in enumerate(instrument.strings, start=1)
        ),
    )


def _inspected(state: State) -> tuple[Inspected, ...]:
    """Every item that somebody looked at or measured; none in a quick check."""
    if state.instrument is None or state.against is not None:
        return ()
    found = []
    for name, item in state.items:
        measured = [one.text() for one in measured_of(state, name)]
        age = age_of(state) if name == STRINGS else None
        measured += [] if age is None else [age.text()]
        found.append(
            Inspected(
                item=name,
                name=ENGLISH.text("item", name, "name"),
                asks=ENGLISH.text("item", name, "what"),
                verdict=str(item.verdict),
                note=item.note,
                measured=tuple(measured),
            )
        )
    looked_at = any(one.verdict != Verdict.WAITING or one.measured for one in found)
    return tuple(found) if looked_at else ()


def _causes(course: Course) -> tuple[Named, ...]:
    found: dict[str, Named] = {}
    for turn in course.turns:
        if isinstance(turn.event, ev.CauseNamed):
            one = finding_from_json(turn.event.finding)
            found[one.name] = Named(
                name=one.name,
                cause=one.cause,
                strings=one.strings,
                fret=one.fret,
                size=one.size,
                se=one.se,
                unit=one.unit,
                probability=one.probability,
                evidence=one.evidence,
                check=one.check,
                stops=one.stops,
                stands=one in course.state.findings,
            )
    return tuple(found.values())


def _cautions(course: Course) -> tuple[str, ...]:
    """The cautions of the work that this instrument asks for, in the order of the work, each once."""
    state = course.state
    if state.instrument is None:
        return ()
    bridge = state.instrument.bridge
    means = {adjuster.means for adjuster in bridge.adjusters}
    codes = ["tune_up"]
    if state.against is None:
        codes = ["put_right", "strings_old", "tune_up"]
        codes += ["slacken", "shift_saddle"] if bridge.slacken else []
        codes += ["turn_screw"] if SCREW in means else []
        codes += ["shape_crown"] if SHAPED in means else []
        codes.append("hand_over")
    return tuple(dict.fromkeys(ENGLISH.caution(code) for code in codes))


def _seal(record: Record) -> Sealed:
    fault, row = edited(record), record.session
    return Sealed(
        state="edited" if fault is not None else "sealed" if row.closed else "open",
        sha256=row.seal or record.last_hash,
        events=len(record.events),
        fault="" if fault is None else fault.what,
        cut=row.cut,
    )
