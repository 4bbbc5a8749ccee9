"""``evolve(state, event) -> state``: the one place where an event changes what is known."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import reduce
from typing import Any

from oscservice.advice.balance import unheard
from oscservice.advice.played import Played
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.session import events as ev
from oscservice.session.balancing import targets_set, tuned_by_hand, without_targets
from oscservice.session.changing import floating, with_string
from oscservice.session.inspecting import change_noticed, item_inspected, item_measured, strings_fitted
from oscservice.session.moves import response_learnt, saddle_moved, string_slackened
from oscservice.session.standing import Standing
from oscservice.session.state import Advice, Outcome, State, StringState
from oscservice.session.surveying import finding_from_json, survey_from_json
from oscservice.session.taking import hand_learnt, reading_discarded, reading_doubted, reading_taken, slope_learnt
from oscservice.session.words import Phase, Status


def evolve(state: State, event: ev.Event) -> State:
    """The state after ``event``. Never raises for an event that ``decide`` has made."""
    if isinstance(event, ev.TakenBack):
        return state if state.past is None else replace(state.past, revision=state.revision + 1)
    handler: Callable[[State, Any], State] = _HANDLERS[type(event)]
    return handler(state, event)


def fold(events: Iterable[ev.Event], state: State | None = None) -> State:
    """The state after all events, from nothing or from ``state``."""
    return reduce(evolve, events, State() if state is None else state)


def _step_begun(state: State, event: ev.StepBegun) -> State:
    return replace(state, past=state, revision=state.revision + 1, doubt=None)


def _session_begun(state: State, event: ev.SessionBegun) -> State:
    # Nothing is left of what was on the bench before: a journal, which begins here, gives the same state.
    instrument = Instrument.from_json(event.instrument)
    played = Played.parse(event.frets, instrument.frets) if event.frets else Played((event.fret,), (1.0,))
    return State(
        phase=Phase.CHECKING if event.against else Phase.INSPECTING,
        balance=unheard(instrument) if instrument.bridge.floating else None,
        revision=1,
        instrument=instrument,
        label=event.label,
        tolerance_cents=event.tolerance_cents,
        fret=event.fret,
        played=played,
        day=event.day,
        by_hand=event.by_hand,
        previous=Instrument.from_json(event.previous) if event.previous else None,
        strings=tuple(StringState() for _ in instrument.strings),
        against=Standing.from_json(event.against) if event.against else None,
    )


def _phase_entered(state: State, event: ev.PhaseEntered) -> State:
    phase = Phase(event.phase)
    state = without_targets(state)
    strings = state.strings
    if phase is Phase.RETUNING and floating(state):
        strings = tuple(replace(s, in_tune_by_hand=False) for s in strings)
    if phase is Phase.PROVING:
        strings = tuple(replace(s, plucks=()) for s in strings)
    return replace(state, phase=phase, strings=strings, asked_place=None)


def _focused(state: State, event: ev.Focused) -> State:
    place = Place.parse(event.place) if event.place else None
    state = replace(state, focus=event.string, asked_place=place)
    string = state.string(event.string)
    if state.phase in (Phase.COMPARING, Phase.CHECKING) and string.status is Status.UNTRIED:
        return with_string(state, event.string, status=Status.COMPARING, plucks=())
    return state


def _tuned_by_hand(state: State, event: ev.TunedByHand) -> State:
    state = tuned_by_hand(state, event.string)
    return replace(with_string(state, event.string, in_tune_by_hand=True, plucks=()), asked_place=None)


def _string_checked(state: State, event: ev.StringChecked) -> State:
    string = state.string(event.string)
    found = Outcome(event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    state = replace(state, hand=hand_learnt(state, event.string))
    changes: dict[str, Any] = {"slope": slope_learnt(string), "plucks": (), "check": event}
    return with_string(state, event.string, status=Status.CHECKED, last=found, judged_here=True, **changes)


def _outcome(event: ev.StringJudged | ev.StringProved) -> Outcome:
    found = (event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    return Outcome(*found, event.ambiguity_cents, event.ambiguity_se_cents)


def _string_judged(state: State, event: ev.StringJudged) -> State:
    outcome = _outcome(event)
    advice = None
    if event.status in (Status.TO_MOVE, Status.OUT_OF_TRAVEL):
        move = (event.move_mm, event.move_se_mm, event.turns, event.direction, event.room_mm, event.missing_mm)
        advice = Advice(*move, event.left_cents)
    string = state.string(event.string)
    return with_string(
        replace(state, hand=hand_learnt(state, event.string)),
        event.string,
        status=Status(event.status),
        last=outcome,
        first=string.first or outcome,
        advice=advice,
        judged_here=True,
        proved=string.proved and event.status == Status.SETTLED,
        slope=slope_learnt(string),
        plucks=(),
        plucks_left=0,
        scattered=0,
    )


def _string_surveyed(state: State, event: ev.StringSurveyed) -> State:
    string = state.string(event.string)
    survey = survey_from_json(event.survey)
    state = replace(state, hand=hand_learnt(state, event.string))
    return with_string(state, event.string, survey=survey, slope=slope_learnt(string), plucks=(), plucks_left=0)


def _cause_named(state: State, event: ev.CauseNamed) -> State:
    return replace(state, findings=(*state.findings, finding_from_json(event.finding)))


def _causes_tested(state: State, event: ev.CausesTested) -> State:
    return replace(state, tested=True, unseen=event.wait, asked_place=None)


def _survey_extended(state: State, event: ev.SurveyExtended) -> State:
    return replace(state, survey_plucks=event.plucks)


def _causes_seen(state: State, event: ev.CausesSeen) -> State:
    return replace(state, unseen=False)


def _string_overruled(state: State, event: ev.StringOverruled) -> State:
    string = state.string(event.string)
    status = Status.COMPARING if string.status is Status.SET_ASIDE else string.status
    return with_string(state, event.string, status=status, overruled=True, reason="", proved=False)


def _scatter_found(state: State, event: ev.ScatterFound) -> State:
    return with_string(
        state, event.string, plucks=(), plucks_left=0, scattered=state.string(event.string).scattered + 1
    )


def _string_proved(state: State, event: ev.StringProved) -> State:
    slope = slope_learnt(state.string(event.string))
    state = replace(state, hand=hand_learnt(state, event.string))
    return with_string(
        state, event.string, proved=True, last=_outcome(event), judged_here=True, slope=slope, plucks=(), plucks_left=0
    )


def _plucks_foreseen(state: State, event: ev.PlucksForeseen) -> State:
    return with_string(state, event.string, plucks_left=event.left, plucks_why=event.why)


def _harmonic_passed_over(state: State, event: ev.HarmonicPassedOver) -> State:
    return replace(with_string(state, event.string, no_harmonic=True), asked_place=None)


def _string_reopened(state: State, event: ev.StringReopened) -> State:
    changes: dict[str, Any] = {
        "status": Status.COMPARING,
        "proved": False,
        "plucks": (),
        "plucks_left": 0,
        "reason": "",
        "advice": None,
        "check": None,
    }
    if state.phase is Phase.PROVING:  # what the last pass contradicts is not counted on
        changes |= {"survey": None, "expected": None, "reopened": state.string(event.string).reopened + 1}
    if event.afresh:
        changes |= {"survey": None, "harmonic_cents": None, "scattered": 0}
        kept = tuple(finding for finding in state.findings if event.string not in finding.strings)
        state = replace(state, findings=kept, tested=False, unseen=False)
    return with_string(state, event.string, **changes)


def _string_set_aside(state: State, event: ev.StringSetAside) -> State:
    asked_place = None if event.string == state.focus else state.asked_place
    changes: dict[str, Any] = {"reason": event.reason, "advice": None, "plucks": (), "plucks_left": 0, "proved": False}
    changes["check"] = None
    return replace(with_string(state, event.string, status=Status.SET_ASIDE, **changes), asked_place=asked_place)


def _by_hand_set(state: State, event: ev.ByHandSet) -> State:
    return replace(state, by_hand=event.on)


def _listening_set(state: State, event: ev.ListeningSet) -> State:
    return replace(state, listening=event.on)


def _session_closed(state: State, event: ev.SessionClosed) -> State:
    return replace(state, phase=Phase.CLOSED, outcome=event.outcome, focus=0, asked_place=None)


_HANDLERS: dict[type, Callable[[State, Any], State]] = {
    ev.StepBegun: _step_begun,
    ev.SessionBegun: _session_begun,
    ev.ItemInspected: item_inspected,
    ev.ItemMeasured: item_measured,
    ev.StringsFitted: strings_fitted,
    ev.ChangeNoticed: change_noticed,
    ev.PhaseEntered: _phase_entered,
    ev.Focused: _focused,
    ev.ReadingTaken: reading_taken,
    ev.ReadingDoubted: reading_doubted,
    ev.ReadingDiscarded: reading_discarded,
    ev.TunedByHand: _tuned_by_hand,
    ev.TargetsSet: targets_set,
    ev.StringJudged: _string_judged,
    ev.StringSurveyed: _string_surveyed,
    ev.CauseNamed: _cause_named,
    ev.CausesTested: _causes_tested,
    ev.SurveyExtended: _survey_extended,
    ev.CausesSeen: _causes_seen,
    ev.StringOverruled: _string_overruled,
    ev.ResponseLearnt: response_learnt,
    ev.ScatterFound: _scatter_found,
    ev.StringSlackened: string_slackened,
    ev.SaddleMoved: saddle_moved,
    ev.StringProved: _string_proved,
    ev.PlucksForeseen: _plucks_foreseen,
    ev.HarmonicPassedOver: _harmonic_passed_over,
    ev.StringReopened: _string_reopened,
    ev.StringSetAside: _string_set_aside,
    ev.StringChecked: _string_checked,
    ev.ByHandSet: _by_hand_set,
    ev.ListeningSet: _listening_set,
    ev.SessionClosed: _session_closed,
}
