"""``evolve(state, event) -> state``: the one place where an event changes the state.

Nothing is calculated here: what was concluded from an event is copied from it. Only an event of an older journal, which
doesn't say, is completed first (``session.conclude``).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import reduce
from typing import Any

from oscservice.advice.compared_frets import ComparedFrets
from oscservice.instrument.modified_instrument import with_strings_fitted
from oscservice.instrument.pitch import OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session.conclude import completed, conclude, conclude_for_replay
from oscservice.session.inspection import STRINGS
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import (
    NOTHING_HELD,
    Advice,
    DoubtfulReading,
    Item,
    JudgedError,
    State,
    StringState,
    floating,
    pluck_reading,
    with_balance,
    with_measurement,
    with_string,
)
from oscservice.session.survey import finding_from_json, survey_from_json
from oscservice.session.vocabulary import InspectionVerdict, Phase, Status


def evolve(state: State, event: ev.Event) -> State:
    """The state after ``event``. Never raises for an event that ``decide`` has made."""
    if isinstance(event, ev.TakenBack):
        return state if state.past is None else replace(state.past, revision=state.revision + 1)
    handler: Callable[[State, Any], State] = _HANDLERS[type(event)]
    return handler(state, conclude_for_replay(state, event))


def fold(events: Iterable[ev.Event], state: State | None = None) -> State:
    """The state after all events, from nothing or from ``state``."""
    return completed(reduce(evolve, events, State() if state is None else state))


def concluded(state: State, events: Iterable[ev.Event]) -> tuple[list[ev.Event], State]:
    """The events with what is concluded from each, and the state after them."""
    found = []
    for event in events:
        found.append(conclude(state, event))
        state = evolve(state, found[-1])
    return found, state


# Steps, phases and strings


def _step_begun(state: State, event: ev.StepBegun) -> State:
    unsaid = None if state.by_hand else NOTHING_HELD
    held = unsaid if event.held is None else values.held_of(event.held)
    return replace(state, past=state, revision=state.revision + 1, doubt=None, held=held)


def _session_begun(state: State, event: ev.SessionBegun) -> State:
    # Nothing is left of what was on the bench before: a journal, which begins here, gives the same state.
    instrument = Instrument.from_json(event.instrument)
    played = ComparedFrets.parse(event.frets, instrument.frets) if event.frets else ComparedFrets((event.fret,), (1.0,))
    return State(
        phase=Phase.CHECKING if event.against else Phase.INSPECTING,
        balance=None if event.balance is None else values.first_balance_of(event.balance),
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
        against=SetupSummary.from_json(event.against) if event.against else None,
    )


def _phase_entered(state: State, event: ev.PhaseEntered) -> State:
    phase = Phase(event.phase)
    state = _without_targets(state)
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
    state = _with_balance(state, event.balance)
    return replace(with_string(state, event.string, in_tune_by_hand=True, plucks=()), asked_place=None)


def _string_checked(state: State, event: ev.StringChecked) -> State:
    found = JudgedError(event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    state = _comparison_ended(state, event)
    verdict = ev.without_conclusions(event)
    return with_string(state, event.string, status=Status.CHECKED, last=found, judged_here=True, check=verdict)


def _comparison_ended(
    state: State, event: ev.StringJudged | ev.StringSurveyed | ev.StringProved | ev.StringChecked
) -> State:
    """Scatter and slope are as known after the comparison; the next one begins without its plucks."""
    assert event.pluck_scatter is not None
    assert event.strength_slope is not None
    state = replace(state, hand=values.scatter_of(event.pluck_scatter))
    return with_string(state, event.string, slope=values.slope_of(event.strength_slope), plucks=())


def _outcome(event: ev.StringJudged | ev.StringProved) -> JudgedError:
    found = (event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    return JudgedError(*found, event.ambiguity_cents, event.ambiguity_se_cents)


def _string_judged(state: State, event: ev.StringJudged) -> State:
    outcome = _outcome(event)
    advice = None
    if event.status in (Status.TO_MOVE, Status.OUT_OF_TRAVEL):
        move = (event.move_mm, event.move_se_mm, event.turns, event.direction, event.room_mm, event.missing_mm)
        advice = Advice(*move, event.left_cents)
    string = state.string(event.string)
    return with_string(
        _comparison_ended(state, event),
        event.string,
        status=Status(event.status),
        last=outcome,
        first=string.first or outcome,
        advice=advice,
        judged_here=True,
        proved=string.proved and event.status == Status.SETTLED,
        plucks_left=0,
        scattered=0,
    )


def _string_surveyed(state: State, event: ev.StringSurveyed) -> State:
    survey = survey_from_json(event.survey)
    return with_string(_comparison_ended(state, event), event.string, survey=survey, plucks_left=0)


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
    found = {"last": _outcome(event), "judged_here": True, "proved": True, "plucks_left": 0}
    return with_string(_comparison_ended(state, event), event.string, **found)


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
    return replace(state, by_hand=event.on, held=NOTHING_HELD)


def _listening_set(state: State, event: ev.ListeningSet) -> State:
    return replace(state, listening=event.on)


def _session_closed(state: State, event: ev.SessionClosed) -> State:
    as_left = None if event.as_left is None else values.remains_of(event.as_left)
    return replace(state, phase=Phase.CLOSED, outcome=event.outcome, as_left=as_left, focus=0, asked_place=None)


# Inspection


def _item_inspected(state: State, event: ev.ItemInspected) -> State:
    return _with_item(state, event.item, Item(InspectionVerdict(event.verdict), event.note))


def _item_measured(state: State, event: ev.ItemMeasured) -> State:
    assert state.instrument is not None
    assert event.instrument_change is not None
    state = with_measurement(state, values.changed_instrument(event.instrument_change, state.instrument), event)
    return _with_item(state, event.item, Item()) if event.waits else state


def _strings_fitted(state: State, event: ev.StringsFitted) -> State:
    assert state.instrument is not None
    state = replace(state, instrument=with_strings_fitted(state.instrument, event.day))
    return _with_item(state, STRINGS, Item()) if event.waits else state


def _change_noticed(state: State, event: ev.ChangeNoticed) -> State:
    """A line measured now replaces what was known of the same before."""
    kept = tuple(pair for pair in state.changes if pair[0] != event.what)
    return replace(state, changes=(*kept, (event.what, event.text)))


def _with_item(state: State, name: str, item: Item) -> State:
    return replace(state, items=tuple((n, item if n == name else old) for n, old in state.items))


# Readings


def _reading_taken(state: State, event: ev.ReadingTaken) -> State:
    """The pluck joins its comparison, or says how the string is tuned."""
    place, pluck = Place.parse(event.place), pluck_reading(event)
    string = state.string(event.string)
    plucks = string.plucks
    changes: dict[str, Any] = {"plucks_left": max(0, string.plucks_left - (event.string == state.focus))}
    if place == OPEN:
        state = _with_balance(state, event.balance)
        if state.phase in (Phase.TUNING, Phase.RETUNING):
            plucks = ()  # plucks before and after a peg was turned can't be compared
        changes |= {"open_pluck": pluck, "stiffness": event.inharmonicity, "open_cents": event.cents}
        if state.balance is not None:
            changes["unsure_cents"] = state.balance.se_cents(event.string - 1)
        if event.learnt_stiffness is not None:
            changes["learnt_stiffness"] = values.stiffness_of(event.learnt_stiffness)
    elif event.harmonic is not None:
        changes["harmonic_cents"], changes["harmonic_se_cents"] = values.harmonic_of(event.harmonic)
    changes["plucks"] = (*plucks, pluck) if event.counted else plucks
    asked_place = None if event.string == state.focus else state.asked_place
    state = replace(state, strayed=bool(event.strayed), asked_place=asked_place)
    return with_string(state, event.string, **changes)


def _reading_doubted(state: State, event: ev.ReadingDoubted) -> State:
    """The note waits until somebody says what it was."""
    first, second = (ev.ReadingTaken(**json.loads(body)) for body in (event.first, event.second))
    return replace(state, doubt=DoubtfulReading(first, second, event.probability, event.second_probability))


def _reading_discarded(state: State, event: ev.ReadingDiscarded) -> State:
    if event.string == 0:
        return state  # the step itself drops the note in doubt
    return with_string(state, event.string, plucks=state.string(event.string).plucks[:-1])


# Moves


def _response_learnt(state: State, event: ev.ResponseLearnt) -> State:
    assert event.response is not None
    response = values.response_of(event.response)
    return with_string(state, event.string, response=response, oddity=event.oddity, last_move=None)


def _string_slackened(state: State, event: ev.StringSlackened) -> State:
    """The string is slack; on a floating bridge the others are not where they were heard, and the round ends."""
    if event.balance is not None:
        state = _without_targets(_with_balance(state, event.balance))
    if floating(state):
        state = replace(state, strings=tuple(replace(s, in_tune_by_hand=False) for s in state.strings))
    changes: dict[str, Any] = {"plucks": (), "plucks_left": 0, "proved": False, "in_tune_by_hand": False, "reason": ""}
    state = with_string(state, event.string, status=Status.SLACK, open_pluck=None, open_cents=None, **changes)
    return replace(state, phase=Phase.MOVING, focus=event.string, asked_place=None)


def _saddle_moved(state: State, event: ev.SaddleMoved) -> State:
    """The saddle is elsewhere, and with it all that its adjuster moves; what is known of the error goes along."""
    assert state.instrument is not None
    assert event.outcomes is not None
    adjuster = state.instrument.adjuster_of(event.string)
    shares = {event.string: 1.0} if adjuster is None else adjuster.influence
    for number, outcome in values.outcomes_of(event.outcomes).items():
        string = state.string(number)
        mm = event.mm * shares[number] / shares[event.string]
        changes: dict[str, Any] = {
            "response": outcome.response,
            "expected": outcome.expected,
            "last_move": outcome.last_move,
            "judged_here": string.judged_here and mm == 0.0,
            "moved_mm": string.moved_mm + mm,
            "moves": string.moves + (mm != 0.0),
            "plucks": (),
            "plucks_left": 0,
            "proved": False,
            "in_tune_by_hand": False,
            # A millimetre of saddle under a string at pitch is worth semitones: it may be anywhere now.
            "open_pluck": None,
            "open_cents": None,
        }
        if outcome.unsure_cents is not None:
            changes["unsure_cents"] = outcome.unsure_cents
        if number == event.string:
            changes |= {"status": Status.RETUNING, "advice": None, "reason": ""}
        elif string.status in (Status.SETTLED, Status.OUT_OF_TRAVEL):
            changes |= {"status": Status.UNTRIED, "advice": None}
        state = with_string(state, number, **changes)
    state = _without_targets(_with_balance(state, event.balance))
    return replace(state, phase=Phase.RETUNING, focus=event.string, asked_place=None)


# A floating bridge


def _targets_set(state: State, event: ev.TargetsSet) -> State:
    """Every string has a pitch to be at, and some wait to be brought there."""
    targets, goals = ([float(cents) for cents in text.split()] for text in (event.targets_cents, event.goal_cents))
    awaiting = {int(n) for n in event.awaiting.split()}
    strings = (
        replace(string, target_cents=target, goal_cents=goal, awaits=n in awaiting)
        for n, string, target, goal in zip(state.numbers, state.strings, targets, goals, strict=True)
    )
    return replace(state, strings=tuple(strings), round_share=event.share)


def _without_targets(state: State) -> State:
    """Every string should be at its pitch."""
    strings = (replace(string, target_cents=0.0, goal_cents=0.0, awaits=False) for string in state.strings)
    return replace(state, strings=tuple(strings), round_share=1.0)


def _with_balance(state: State, balance: str | None) -> State:
    if balance is None or state.balance is None:
        return state
    return with_balance(state, values.balance_of(balance, state.balance))


_HANDLERS: dict[type, Callable[[State, Any], State]] = {
    ev.StepBegun: _step_begun,
    ev.SessionBegun: _session_begun,
    ev.ItemInspected: _item_inspected,
    ev.ItemMeasured: _item_measured,
    ev.StringsFitted: _strings_fitted,
    ev.ChangeNoticed: _change_noticed,
    ev.PhaseEntered: _phase_entered,
    ev.Focused: _focused,
    ev.ReadingTaken: _reading_taken,
    ev.ReadingDoubted: _reading_doubted,
    ev.ReadingDiscarded: _reading_discarded,
    ev.TunedByHand: _tuned_by_hand,
    ev.TargetsSet: _targets_set,
    ev.StringJudged: _string_judged,
    ev.StringSurveyed: _string_surveyed,
    ev.CauseNamed: _cause_named,
    ev.CausesTested: _causes_tested,
    ev.SurveyExtended: _survey_extended,
    ev.CausesSeen: _causes_seen,
    ev.StringOverruled: _string_overruled,
    ev.ResponseLearnt: _response_learnt,
    ev.ScatterFound: _scatter_found,
    ev.StringSlackened: _string_slackened,
    ev.SaddleMoved: _saddle_moved,
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
