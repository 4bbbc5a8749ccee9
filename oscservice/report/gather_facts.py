"""The facts of a report, gathered from a session's record: results by string, moves, plucks, and pitch tracks
of kept sound."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from oscservice.advice.remaining_errors import StringRemains
from oscservice.hearing.pitch_track import pitch_track
from oscservice.hearing.resampling import decimate, decimation
from oscservice.instrument.spec import SCREW, SHAPED, Instrument
from oscservice.record.event_chain import Record, edited
from oscservice.record.job_entries import JobEntry
from oscservice.record.kept_sound import AlteredSoundError, MissingSoundError, find, floats, read, sound_of
from oscservice.report.facts import (
    AtFret,
    Built,
    BuiltString,
    CauseFact,
    Checked,
    Facts,
    Inspected,
    MoveFact,
    Overview,
    PitchTrackFact,
    PitchTrackFacts,
    PluckFact,
    Sealed,
    StringFact,
    Value,
)
from oscservice.report.gather_set_up import heights_of, job_of, saddles_of, strings_of
from oscservice.sentences.sentence_table import ENGLISH
from oscservice.session import events as ev
from oscservice.session.event_values import finding_of
from oscservice.session.inspection import measured_of, strings_told
from oscservice.session.item_texts import item_texts
from oscservice.session.next_pluck import TUNING_WINDOW_CENTS
from oscservice.session.replay import EffectiveEvent, EffectiveEvents
from oscservice.session.session_results import as_found, compared_strings, remaining, summary_of
from oscservice.session.setup_summary import StringSummary
from oscservice.session.state import State
from oscservice.session.string_state import StringState
from oscservice.session.survey import current_survey
from oscservice.session.vocabulary import COMPARED, STRINGS, InspectionVerdict


def results_of(effective: EffectiveEvents) -> tuple[StringFact, ...]:
    """Return one result for each string, string 1 first; none if nothing was begun."""
    state = effective.state
    if state.instrument is None:
        return ()
    left = remaining(state) if compared_strings(state) else {}
    found = _found(effective)
    plucks = [
        turn.event.string
        for turn in effective.turns
        if isinstance(turn.event, ev.ReadingTaken) and turn.before.phase in COMPARED
    ]
    summary = summary_of(state)
    return tuple(
        _result(one, state.string(one.string), found.get(one.string), left.get(one.string), plucks.count(one.string))
        for one in summary.strings
    )


def _found(effective: EffectiveEvents) -> dict[int, StringRemains]:
    """Return by string its errors just before its saddle was first moved."""
    found: dict[int, StringRemains] = {}
    for turn in effective.turns:
        if isinstance(turn.event, ev.SaddleMoved):
            found |= as_found(turn.before, turn.event)
    return found


def _result(
    summary: StringSummary,
    string: StringState,
    found: StringRemains | None,
    left: StringRemains | None,
    plucks: int,
) -> StringFact:
    check = string.check
    return StringFact(
        string=summary.string,
        note=summary.note,
        status=summary.status,
        left_out=summary.left_out,
        overruled=string.overruled,
        proved=string.proved,
        heard=string.judged_here or current_survey(string) is not None,
        frets=_frets(found, left),
        open=_value(summary.open_cents, summary.open_se_cents),
        octave=_value(summary.harmonic_cents, summary.harmonic_se_cents),
        inharmonicity=_value(summary.inharmonicity, summary.inharmonicity_se),
        moved_mm=summary.moved_mm,
        moves=summary.moves,
        plucks=plucks,
        scatter_cents=None if string.last is None else string.last.scatter_cents,
        check=None
        if check is None
        else Checked(
            verdict=check.verdict,
            what=check.what,
            tuning=Value(check.tuning_cents, check.tuning_se_cents),
            intonation=Value(check.intonation_cents, check.intonation_se_cents),
        ),
    )


def _frets(found: StringRemains | None, left: StringRemains | None) -> tuple[AtFret, ...]:
    sides = [one for one in (found, left) if one is not None]
    if not sides:
        return ()
    before, after = _by_fret(found), _by_fret(left)
    plucked = {fret for one in sides for fret in one.measured}
    return tuple(AtFret(fret, before.get(fret), after.get(fret), fret in plucked) for fret in sides[-1].frets)


def _by_fret(errors: StringRemains | None) -> Mapping[int, Value]:
    if errors is None:
        return {}
    by_fret = zip(errors.frets, errors.errors_cents, errors.se_cents, strict=True)
    return {fret: Value(cents, se) for fret, cents, se in by_fret}


def _value(value: float | None, se: float) -> Value | None:
    return None if value is None else Value(value, se)


def moves_of(effective: EffectiveEvents) -> tuple[MoveFact, ...]:
    """Return every move of a saddle, in order; a shared one under the string that names it."""
    found: list[MoveFact] = []
    for at, turn in enumerate(effective.turns):
        if isinstance(turn.event, ev.SaddleMoved):
            found.append(_moved(len(found) + 1, turn, turn.event, effective.turns[at + 1 :]))
    return tuple(found)


def plucks_of(effective: EffectiveEvents) -> tuple[PluckFact, ...]:
    """Return every pluck that was read while strings were compared, in order."""
    found: list[PluckFact] = []
    for turn in effective.turns:
        event, state = turn.event, turn.before
        if isinstance(event, ev.ReadingDiscarded):
            _drop_last(found, event.string)
        if not isinstance(event, ev.ReadingTaken) or state.phase not in COMPARED:
            continue
        found.append(
            PluckFact(
                number=turn.number,
                at_utc=turn.at_utc,
                phase=str(state.phase),
                string=event.string,
                place=event.place,
                hz=event.f1_hz,
                pitch=Value(event.cents, event.se_cents),
                attack_cents=event.attack_cents,
                level_dbfs=event.level_dbfs,
                strength_db=event.strength_db,
                flags=event.flags,
                moves=state.string(event.string).moves,
                dropped=False,
            )
        )
    return tuple(found)


def _moved(number: int, turn: EffectiveEvent, event: ev.SaddleMoved, later: Sequence[EffectiveEvent]) -> MoveFact:
    string = turn.before.string(event.string)
    advice = string.advice
    after, oddity = _answer(event.string, later)
    known = string.last if string.judged_here else None
    return MoveFact(
        number=number,
        at_utc=turn.at_utc,
        string=event.string,
        mm=event.mm,
        told=event.told,
        advised=None if advice is None else Value(advice.mm, advice.se_mm),
        turns=None if advice is None else advice.turns,
        before=None if known is None else Value(known.error_cents, known.se_cents),
        expected_cents=None if advice is None else advice.left_cents,
        after=after,
        oddity=oddity,
    )


def _answer(string: int, later: Sequence[EffectiveEvent]) -> tuple[Value | None, str]:
    """Return a string's first error after a move, before the next one, and what was odd about it."""
    oddity = ""
    for turn in later:
        event = turn.event
        if isinstance(event, ev.SaddleMoved) and event.string == string:
            return None, oddity
        if isinstance(event, ev.ResponseLearnt) and event.string == string:
            oddity = event.oddity
        if isinstance(event, ev.StringJudged | ev.StringProved) and event.string == string:
            return Value(event.error_cents, event.se_cents), oddity
    return None, oddity


def _drop_last(plucks: list[PluckFact], string: int) -> None:
    """Mark the string's last pluck that is not dropped yet as dropped."""
    for at in range(len(plucks) - 1, -1, -1):
        if plucks[at].string == string and not plucks[at].dropped:
            plucks[at] = replace(plucks[at], dropped=True)
            return


_DIGITS = 4  # of seconds and cents: more would be noise


def pitch_tracks_of(
    folder: Path, session: str, effective: EffectiveEvents, done: Callable[[int], None] = lambda count: None
) -> PitchTrackFacts | None:
    """Return the pitch tracks of the plucks that were compared; None if no sound was kept.

    Args:
        folder: of the journal's sound (``record.kept_sound.folder_of``).
        session: the session's name.
        effective: its events that were not undone.
        done: called with the number of plucks so far.
    """
    found: list[PitchTrackFact] = []
    missing = altered = count = 0
    for turn in effective.turns:
        event = turn.event
        sound = sound_of(event) if turn.before.phase in COMPARED else None
        if sound is None or not isinstance(event, ev.ReadingTaken):
            continue
        count += 1
        done(count)
        try:
            samples = floats(read(find(folder, session, sound), sound), sound)
        except MissingSoundError:
            missing += 1
            continue
        except AlteredSoundError:
            altered += 1
            continue
        factor = decimation(sound.rate_hz)
        moments = pitch_track(decimate(samples, factor), sound.rate_hz / factor, sound.onset_s, event.f1_hz)
        if moments:
            at_s = tuple(round(one.at_s, _DIGITS) for one in moments)
            cents = tuple(round(one.cents, _DIGITS) for one in moments)
            se_cents = tuple(round(one.se_cents, _DIGITS) for one in moments)
            found.append(PitchTrackFact(turn.number, event.string, event.place, at_s, cents, se_cents))
    return PitchTrackFacts(tuple(found), missing, altered) if count else None


def gather_facts(
    record: Record,
    effective: EffectiveEvents,
    version: str,
    tracks: PitchTrackFacts | None = None,
    job: Sequence[JobEntry] = (),
) -> Facts:
    """Return the facts of a report.

    Args:
        record: the session in the journal.
        effective: its events that were not undone.
        version: of this program.
        tracks: pitch tracks, if sound was kept.
        job: the entries of the job sheet.
    """
    state = effective.state
    return Facts(
        version=version,
        overview=_overview(record, effective),
        instrument=None if state.instrument is None else built_of(state.instrument),
        inspected=_inspected(state),
        changes=tuple(text for _, text in state.changes),
        results=results_of(effective),
        moves=moves_of(effective),
        plucks=plucks_of(effective),
        causes=_causes(effective),
        cautions=_cautions(effective),
        seal=_seal(record),
        falls=tracks,
        heights=heights_of(effective),
        saddles=saddles_of(effective),
        string_set=strings_of(effective),
        job=job_of(record.session, job),
    )


def _overview(record: Record, effective: EffectiveEvents) -> Overview:
    row, state = record.session, effective.state
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
        taken_back=effective.taken_back,
        against=against,
    )


def built_of(instrument: Instrument) -> Built:
    """Return the facts of an instrument."""
    bridge = instrument.bridge
    return Built(
        name=instrument.name,
        title=instrument.title,
        identity=instrument.identity,
        reference_hz=instrument.reference_hz,
        frets=instrument.frets,
        perpendicular_fret=instrument.perpendicular_fret,
        bridge=bridge.title,
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
                fret_targets_cents=dict(spec.fret_targets_cents),
            )
            for number, spec in enumerate(instrument.strings, start=1)
        ),
    )


def _inspected(state: State) -> tuple[Inspected, ...]:
    """Return every inspection item if any was inspected or measured; none in a quick check."""
    if state.instrument is None or state.against is not None:
        return ()
    found = []
    for name, item in state.items:
        measured = [one.text() for one in measured_of(state, name)]
        measured += strings_told(state) if name == STRINGS else ()
        texts = item_texts(state, name)
        found.append(
            Inspected(
                item=name,
                name=texts.name,
                asks=texts.what,
                verdict=str(item.verdict),
                note=item.note,
                measured=tuple(measured),
            )
        )
    looked_at = any(one.verdict != InspectionVerdict.WAITING or one.measured for one in found)
    return tuple(found) if looked_at else ()


def _causes(effective: EffectiveEvents) -> tuple[CauseFact, ...]:
    found: dict[str, CauseFact] = {}
    for turn in effective.turns:
        if isinstance(turn.event, ev.CauseNamed):
            one = finding_of(turn.event.finding)
            found[one.name] = CauseFact(
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
                stands=one in effective.state.findings,
            )
    return tuple(found.values())


def _cautions(effective: EffectiveEvents) -> tuple[str, ...]:
    """Return the cautions of the work on this instrument, in the order of the work, each once."""
    state = effective.state
    if state.instrument is None:
        return ()
    bridge = state.instrument.bridge
    means = {adjuster.means for adjuster in bridge.adjusters}
    told = []
    codes = ["tune_up"]
    if state.against is None:
        told = [item_texts(state, name).caution for name, _ in state.items]
        codes += ["open_nut", "close_nut"] if state.instrument.nut.locking else []
        codes += ["slacken", "shift_saddle"] if bridge.slacken else []
        codes += ["let_down"] if bridge.let_down else []
        codes += ["turn_screw"] if SCREW in means else []
        codes += ["shape_crown"] if SHAPED in means else []
        codes.append("hand_over")
    return tuple(dict.fromkeys([*told, *(ENGLISH.caution(code) for code in codes)]))


def _seal(record: Record) -> Sealed:
    fault, row = edited(record), record.session
    return Sealed(
        state="edited" if fault is not None else "sealed" if row.closed else "open",
        sha256=row.seal or record.last_hash,
        events=len(record.events),
        fault="" if fault is None else fault.what,
        cut=row.cut,
    )
