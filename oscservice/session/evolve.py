"""``evolve(state, event) -> state``: the one place where an event changes the state.

What a note that became evidence, or waits to, changes in the state.

What slackening a string, moving its saddle and hearing the answer change in the state.

``evolve(state, event) -> state``: the one place where an event changes what is known.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import reduce
from typing import Any

from oscservice.advice.compared_frets import ComparedFrets
from oscservice.advice.comparison import PluckReading, harmonic_check, joint_errors
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.decision import PLACING_SD_MM, expected_after
from oscservice.advice.floating_bridge import initial_balance
from oscservice.advice.pluck_scatter import PluckScatter
from oscservice.advice.pluck_strength import Pluck, Slope, learn_slope
from oscservice.hearing.inharmonicity import expected_stiffness, log_stiffness, updated_stiffness
from oscservice.instrument.pitch import CENTS_PER_E, HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import events as ev
from oscservice.session.inspection import change_noticed, item_inspected, item_measured, strings_fitted
from oscservice.session.next_pluck import asked, pattern_of
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import (
    Advice,
    DoubtfulReading,
    JudgedError,
    LastMove,
    State,
    StringState,
    floating,
    with_string,
)
from oscservice.session.survey import finding_from_json, response_of, stiffness_of, survey_from_json
from oscservice.session.tuning_rounds import (
    lengthened,
    let_down,
    open_heard,
    targets_set,
    tuned_by_hand,
    without_targets,
)
from oscservice.session.vocabulary import COMPARED, Phase, Status

STRAY_CENTS = 50.0
"""A note this near to what was asked for has its pitch."""


def reading_taken(state: State, event: ev.ReadingTaken) -> State:
    """The pluck is part of what is being compared, or tells how the string is tuned."""
    place = Place.parse(event.place)
    string = state.string(event.string)
    pluck = _pluck(place, event)
    state = replace(state, strayed=_strays(state, event, place))
    changes: dict[str, Any] = {"plucks_left": max(0, string.plucks_left - (event.string == state.focus))}
    if place == OPEN:
        state = open_heard(state, event)
        if state.phase in (Phase.TUNING, Phase.RETUNING):
            changes["plucks"] = ()  # what was plucked before a peg was turned can't be compared with what comes after
        changes |= {"open_pluck": pluck, "stiffness": event.inharmonicity, "open_cents": event.cents}
        if state.balance is not None:
            changes["unsure_cents"] = state.balance.se_cents(event.string - 1)
        heard = log_stiffness(event.inharmonicity, event.inharmonicity_se)
        if heard is not None and state.instrument is not None:
            before = string.learnt_stiffness or expected_stiffness(state.instrument, event.string)
            changes["learnt_stiffness"] = updated_stiffness(before, event.cents, heard)
    elif place == HARMONIC and string.open_pluck is not None:
        checked = harmonic_check((string.open_pluck, pluck), stiffness_of(string))
        changes |= {"harmonic_cents": checked.deviation_cents, "harmonic_se_cents": checked.se_cents}
    if event.string != state.focus:
        return with_string(state, event.string, **changes)
    # A bracket begins with an open note.
    evidence = place == OPEN or (place in pattern_of(state, event.string).stopped and string.plucks)
    if evidence and state.phase in COMPARED:
        changes["plucks"] = (*string.plucks, pluck)
    return replace(with_string(state, event.string, **changes), asked_place=None)


def _strays(state: State, event: ev.ReadingTaken, place: Place) -> bool:
    """Whether a note is another than was asked for, and of its pitch."""
    waited = asked(state)
    if waited is None or state.instrument is None or (event.string, place) == waited:
        return False
    return abs(cents_between(event.f1_hz, state.instrument.place_hz(*waited))) <= STRAY_CENTS


def _pluck(place: Place, event: ev.ReadingTaken) -> PluckReading:
    flags = event.flags.split(", ")
    # Where the first partial was too weak to be read, it was put where the string pitch is.
    told = event.string_se_cents is not None and "weak first partial" not in flags
    return PluckReading(
        place,
        event.f1_hz,
        event.se_cents,
        event.strength_db,
        event.string_hz if told else None,
        event.string_se_cents or 0.0,
        "clipped" in flags,
    )


def slope_learnt(string: StringState) -> Slope | None:
    """Pitch against strength, after the plucks of the comparison that has just ended."""
    plucks = [
        Pluck(p.place, CENTS_PER_E * math.log(p.f1_hz), p.se_cents, p.known_strength_db, order)
        for order, p in enumerate(string.plucks)
        if p.known_strength_db is not None
    ]
    return learn_slope(plucks, string.slope)


def hand_learnt(state: State, number: int) -> PluckScatter:
    """How plucks scatter, after those of the comparison of a string that has just ended."""
    plucks = state.string(number).plucks
    there = {pluck.place for pluck in plucks}
    targets = {Place("fret", fret): 100.0 * fret for fret in state.played.frets if Place("fret", fret) in there}
    if not targets or OPEN not in there:
        return state.hand
    return joint_errors(plucks, targets, state.hand, state.string(number).slope).scatter_after(state.hand)


def reading_doubted(state: State, event: ev.ReadingDoubted) -> State:
    """The note waits until somebody says what it was."""
    first, second = (ev.ReadingTaken(**json.loads(body)) for body in (event.first, event.second))
    return replace(state, doubt=DoubtfulReading(first, second, event.probability, event.second_probability))


def reading_discarded(state: State, event: ev.ReadingDiscarded) -> State:
    """The last pluck of a comparison is taken out of it."""
    if event.string == 0:
        return state  # the step itself drops what was in doubt
    return with_string(state, event.string, plucks=state.string(event.string).plucks[:-1])


def response_learnt(state: State, event: ev.ResponseLearnt) -> State:
    """What a move taught of how the string answers."""
    response = state.string(event.string).response.after(event.geometric_cents, event.heard_cents, event.se_cents)
    return with_string(state, event.string, response=response, oddity=event.oddity, last_move=None)


def string_slackened(state: State, event: ev.StringSlackened) -> State:
    """The string is slack; on a floating bridge the others are not where they were heard."""
    state = let_down(state, event.string)
    if floating(state):
        state = replace(state, strings=tuple(replace(s, in_tune_by_hand=False) for s in state.strings))
    changes: dict[str, Any] = {"plucks": (), "plucks_left": 0, "proved": False, "in_tune_by_hand": False, "reason": ""}
    state = with_string(state, event.string, status=Status.SLACK, open_pluck=None, open_cents=None, **changes)
    return replace(state, phase=Phase.MOVING, focus=event.string, asked_place=None)


def saddle_moved(state: State, event: ev.SaddleMoved) -> State:
    """The saddle stands elsewhere, and with it all that its adjuster moves; what is known of the error goes along."""
    assert state.instrument is not None
    adjuster = state.instrument.adjuster_of(event.string)
    shares = {event.string: 1.0} if adjuster is None else adjuster.influence
    for number, share in shares.items():
        string = state.string(number)
        mm = event.mm * share / shares[event.string]
        state = with_string(state, number, response=response_of(state, number))
        string = state.string(number)
        changes: dict[str, Any] = {
            **_foreseen(state, number, mm),
            "judged_here": string.judged_here and mm == 0.0,
            "moved_mm": string.moved_mm + mm,
            "moves": string.moves + (mm != 0.0),
            "plucks": (),
            "plucks_left": 0,
            "proved": False,
            "in_tune_by_hand": False,
        }
        if number == event.string:
            changes |= {"status": Status.RETUNING, "advice": None, "open_pluck": None, "open_cents": None, "reason": ""}
        else:
            if string.status in (Status.SETTLED, Status.OUT_OF_TRAVEL):
                changes |= {"status": Status.UNTRIED, "advice": None}
            # A millimetre of saddle under a string at pitch is worth semitones: it may be anywhere now.
            changes |= {"open_pluck": None, "open_cents": None}
            state = let_down(state, number)
        state = lengthened(with_string(state, number, **changes), number, mm)
    return replace(without_targets(state), phase=Phase.RETUNING, focus=event.string, asked_place=None)


def _foreseen(state: State, number: int, move_mm: float) -> dict[str, Any]:
    """What a move should do, and leave of the error last known, the hand's placing included; None if none is known."""
    string = state.string(number)
    known = string.last if string.judged_here else string.expected
    if known is None or state.instrument is None:
        return {"expected": None, "last_move": None}
    if move_mm == 0.0:
        return {"expected": replace(known, plucks=0), "last_move": string.last_move}
    lengths = speaking_lengths_mm(state.instrument.string(number), state.fret, string.moved_mm)
    change = error_after(known.error_cents, lengths, move_mm) - known.error_cents
    placing_cents = PLACING_SD_MM * abs(cents_per_mm(lengths))
    left = known.error_cents + string.response.ratio * change
    # One fret alone is plucked so often that it contradicts a wrong expectation by itself; a few plucks of each of
    # several frets don't, so there all that is odd is allowed for.
    spread = string.response.doubt if state.played.several else string.response.sd
    after = expected_after(known.as_comparison(), left, math.hypot(placing_cents, spread * change))
    outcome = JudgedError(after.error_cents, after.se_cents, 0, after.scatter_cents)
    # Only what was heard before the move can be held against what is heard after it.
    heard = LastMove(change, known.error_cents, known.se_cents, placing_cents) if string.judged_here else None
    before = string.last_move
    if heard is None and before is not None:  # another screw of the same bridge: both together are heard after
        placing_cents = math.hypot(before.placing_cents, placing_cents)
        both_cents = before.geometric_cents + change
        heard = LastMove(both_cents, before.before_cents, before.before_se_cents, placing_cents)
    return {"expected": outcome, "last_move": heard}


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
    played = ComparedFrets.parse(event.frets, instrument.frets) if event.frets else ComparedFrets((event.fret,), (1.0,))
    return State(
        phase=Phase.CHECKING if event.against else Phase.INSPECTING,
        balance=initial_balance(instrument) if instrument.bridge.floating else None,
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
    found = JudgedError(event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    state = replace(state, hand=hand_learnt(state, event.string))
    changes: dict[str, Any] = {"slope": slope_learnt(string), "plucks": (), "check": event}
    return with_string(state, event.string, status=Status.CHECKED, last=found, judged_here=True, **changes)


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
