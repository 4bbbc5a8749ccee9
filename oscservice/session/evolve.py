"""``evolve(state, event) -> state``: the one place where an event changes what is known."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import reduce
from typing import Any

from oscservice.advice.comparison import harmonic_check
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.decision import PLACING_SD_MM, expected_after
from oscservice.advice.evidence import PluckReading
from oscservice.advice.played import Played
from oscservice.hearing.stiffness import expected_stiffness, learnt, log_stiffness
from oscservice.hearing.strength import Pluck, Slope, learn
from oscservice.instrument.pitch import CENTS_PER_E, HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import events as ev
from oscservice.session.asking import asked
from oscservice.session.state import Advice, Doubt, Item, LastMove, Outcome, State, StringState
from oscservice.session.surveying import finding_from_json, places, response_of, stiffness_of, survey_from_json
from oscservice.session.words import Phase, Status, Verdict

FLOATING_SHARE = 0.2
"""Cents another string may shift per cent that one string is tuned, on a floating bridge; three springs give 0.05 to
0.19 by the rigid-bridge model with linear springs (computed, no source)."""

STRAY_CENTS = 50.0
"""A note this near to what was asked for has its pitch."""

_SHAKEN_CENTS = 100.0  # how unsure a string is once its bridge was let go or moved: it must be heard again


def evolve(state: State, event: ev.Event) -> State:
    """The state after ``event``. Never raises for an event that ``decide`` has made."""
    if isinstance(event, ev.TakenBack):
        return state if state.past is None else replace(state.past, revision=state.revision + 1)
    handler: Callable[[State, Any], State] = _HANDLERS[type(event)]
    return handler(state, event)


def fold(events: Iterable[ev.Event], state: State | None = None) -> State:
    """The state after all events, from nothing or from ``state``."""
    return reduce(evolve, events, State() if state is None else state)


def _with(state: State, number: int, **changes: Any) -> State:
    strings = list(state.strings)
    strings[number - 1] = replace(strings[number - 1], **changes)
    return replace(state, strings=tuple(strings))


def _step_begun(state: State, event: ev.StepBegun) -> State:
    return replace(state, past=state, revision=state.revision + 1, doubt=None)


def _session_begun(state: State, event: ev.SessionBegun) -> State:
    # Nothing is left of what was on the bench before: a journal, which begins here, gives the same state.
    instrument = Instrument.from_json(event.instrument)
    played = Played.parse(event.frets, instrument.frets) if event.frets else Played((event.fret,), (1.0,))
    return State(
        phase=Phase.INSPECTING,
        revision=1,
        instrument=instrument,
        label=event.label,
        tolerance_cents=event.tolerance_cents,
        fret=event.fret,
        played=played,
        strings=tuple(StringState() for _ in instrument.strings),
    )


def _item_inspected(state: State, event: ev.ItemInspected) -> State:
    done = Item(Verdict(event.verdict), event.note)
    return replace(state, items=tuple((n, done if n == event.item else item) for n, item in state.items))


def _phase_entered(state: State, event: ev.PhaseEntered) -> State:
    phase = Phase(event.phase)
    strings = state.strings
    if phase is Phase.RETUNING and _floating(state):
        strings = tuple(replace(s, in_tune_by_hand=False) for s in strings)
    if phase is Phase.PROVING:
        strings = tuple(replace(s, plucks=()) for s in strings)
    return replace(state, phase=phase, strings=strings, asked_place=None)


def _focused(state: State, event: ev.Focused) -> State:
    place = Place.parse(event.place) if event.place else None
    state = replace(state, focus=event.string, asked_place=place)
    string = state.string(event.string)
    if state.phase is Phase.COMPARING and string.status is Status.UNTRIED:
        return _with(state, event.string, status=Status.COMPARING, plucks=())
    return state


def _reading_taken(state: State, event: ev.ReadingTaken) -> State:
    place = Place.parse(event.place)
    string = state.string(event.string)
    pluck = _pluck(place, event)
    state = replace(state, strayed=_strays(state, event, place))
    changes: dict[str, Any] = {}
    if place == OPEN:
        if state.phase in (Phase.TUNING, Phase.RETUNING):
            shift = abs(event.cents - string.open_cents) if string.open_cents is not None else 0.0
            if _floating(state):
                state = _unsettle_others(state, event.string, FLOATING_SHARE * shift)
            changes["plucks"] = ()  # what was plucked before a peg was turned can't be compared with what comes after
        changes |= {"open_pluck": pluck, "stiffness": event.inharmonicity, "open_cents": event.cents}
        changes["unsure_cents"] = 0.0
        heard = log_stiffness(event.inharmonicity, event.inharmonicity_se)
        if heard is not None and state.instrument is not None:
            before = string.learnt_stiffness or expected_stiffness(state.instrument, event.string)
            changes["learnt_stiffness"] = learnt(before, event.cents, heard)
    elif place == HARMONIC and string.open_pluck is not None:
        checked = harmonic_check((string.open_pluck, pluck), stiffness_of(string))
        changes |= {"harmonic_cents": checked.deviation_cents, "harmonic_se_cents": checked.se_cents}
    if event.string != state.focus:
        return _with(state, event.string, **changes)
    # A bracket begins with an open note.
    evidence = place == OPEN or (place in places(state, event.string) and string.plucks)
    if evidence and state.phase in (Phase.COMPARING, Phase.PROVING):
        changes["plucks"] = (*string.plucks, pluck)
    return replace(_with(state, event.string, **changes), asked_place=None)


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


def _learnt(string: StringState) -> Slope | None:
    """Pitch against strength, after the plucks of the comparison that has just ended."""
    plucks = [
        Pluck(p.place, CENTS_PER_E * math.log(p.f1_hz), p.se_cents, p.known_strength_db, order)
        for order, p in enumerate(string.plucks)
        if p.known_strength_db is not None
    ]
    return learn(plucks, string.slope)


def _reading_doubted(state: State, event: ev.ReadingDoubted) -> State:
    first, second = (ev.ReadingTaken(**json.loads(body)) for body in (event.first, event.second))
    return replace(state, doubt=Doubt(first, second, event.probability, event.second_probability))


def _floating(state: State) -> bool:
    return state.instrument is not None and state.instrument.bridge.floating


def _unsettle_others(state: State, number: int, cents: float) -> State:
    strings = (
        s if n == number else replace(s, unsure_cents=s.unsure_cents + cents)
        for n, s in zip(state.numbers, state.strings, strict=True)
    )
    return replace(state, strings=tuple(strings))


def _reading_discarded(state: State, event: ev.ReadingDiscarded) -> State:
    if event.string == 0:
        return state  # the step itself drops what was in doubt
    return _with(state, event.string, plucks=state.string(event.string).plucks[:-1])


def _tuned_by_hand(state: State, event: ev.TunedByHand) -> State:
    return replace(_with(state, event.string, in_tune_by_hand=True, plucks=()), asked_place=None)


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
    return _with(
        state,
        event.string,
        status=Status(event.status),
        last=outcome,
        first=string.first or outcome,
        advice=advice,
        judged_here=True,
        proved=string.proved and event.status == Status.SETTLED,
        slope=_learnt(string),
        plucks=(),
        scattered=0,
    )


def _string_surveyed(state: State, event: ev.StringSurveyed) -> State:
    string = state.string(event.string)
    survey = survey_from_json(event.survey)
    return _with(state, event.string, survey=survey, slope=_learnt(string), plucks=())


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
    return _with(state, event.string, status=status, overruled=True, reason="", proved=False)


def _response_learnt(state: State, event: ev.ResponseLearnt) -> State:
    response = state.string(event.string).response.after(event.geometric_cents, event.heard_cents, event.se_cents)
    return _with(state, event.string, response=response, oddity=event.oddity, last_move=None)


def _scatter_found(state: State, event: ev.ScatterFound) -> State:
    return _with(state, event.string, plucks=(), scattered=state.string(event.string).scattered + 1)


def _string_slackened(state: State, event: ev.StringSlackened) -> State:
    if _floating(state):
        state = _unsettle_others(state, event.string, _SHAKEN_CENTS)
        state = replace(state, strings=tuple(replace(s, in_tune_by_hand=False) for s in state.strings))
    changes: dict[str, Any] = {"plucks": (), "proved": False, "in_tune_by_hand": False, "reason": ""}
    state = _with(state, event.string, status=Status.SLACK, open_pluck=None, open_cents=None, **changes)
    return replace(state, phase=Phase.MOVING, focus=event.string, asked_place=None)


def _saddle_moved(state: State, event: ev.SaddleMoved) -> State:
    assert state.instrument is not None
    adjuster = state.instrument.adjuster_of(event.string)
    shares = {event.string: 1.0} if adjuster is None else adjuster.influence
    for number, share in shares.items():
        string = state.string(number)
        mm = event.mm * share / shares[event.string]
        state = _with(state, number, response=response_of(state, number))
        string = state.string(number)
        changes: dict[str, Any] = {
            **_foreseen(state, number, mm),
            "judged_here": string.judged_here and mm == 0.0,
            "moved_mm": string.moved_mm + mm,
            "moves": string.moves + (mm != 0.0),
            "plucks": (),
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
        state = _with(state, number, **changes)
    return replace(state, phase=Phase.RETUNING, focus=event.string, asked_place=None)


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
    outcome = Outcome(after.error_cents, after.se_cents, 0, after.scatter_cents)
    # Only what was heard before the move can be held against what is heard after it.
    heard = LastMove(change, known.error_cents, known.se_cents, placing_cents) if string.judged_here else None
    before = string.last_move
    if heard is None and before is not None:  # another screw of the same bridge: both together are heard after
        placing_cents = math.hypot(before.placing_cents, placing_cents)
        both_cents = before.geometric_cents + change
        heard = LastMove(both_cents, before.before_cents, before.before_se_cents, placing_cents)
    return {"expected": outcome, "last_move": heard}


def _string_proved(state: State, event: ev.StringProved) -> State:
    slope = _learnt(state.string(event.string))
    return _with(state, event.string, proved=True, last=_outcome(event), judged_here=True, slope=slope, plucks=())


def _string_reopened(state: State, event: ev.StringReopened) -> State:
    changes: dict[str, Any] = {"status": Status.COMPARING, "proved": False, "plucks": (), "reason": "", "advice": None}
    if state.phase is Phase.PROVING:  # what the last pass contradicts is not counted on
        changes |= {"survey": None, "expected": None, "reopened": state.string(event.string).reopened + 1}
    if event.afresh:
        changes |= {"survey": None, "harmonic_cents": None, "scattered": 0}
        kept = tuple(finding for finding in state.findings if event.string not in finding.strings)
        state = replace(state, findings=kept, tested=False, unseen=False)
    return _with(state, event.string, **changes)


def _string_set_aside(state: State, event: ev.StringSetAside) -> State:
    asked_place = None if event.string == state.focus else state.asked_place
    changes: dict[str, Any] = {"reason": event.reason, "advice": None, "plucks": (), "proved": False}
    return replace(_with(state, event.string, status=Status.SET_ASIDE, **changes), asked_place=asked_place)


def _listening_set(state: State, event: ev.ListeningSet) -> State:
    return replace(state, listening=event.on)


def _session_closed(state: State, event: ev.SessionClosed) -> State:
    return replace(state, phase=Phase.CLOSED, outcome=event.outcome, focus=0, asked_place=None)


_HANDLERS: dict[type, Callable[[State, Any], State]] = {
    ev.StepBegun: _step_begun,
    ev.SessionBegun: _session_begun,
    ev.ItemInspected: _item_inspected,
    ev.PhaseEntered: _phase_entered,
    ev.Focused: _focused,
    ev.ReadingTaken: _reading_taken,
    ev.ReadingDoubted: _reading_doubted,
    ev.ReadingDiscarded: _reading_discarded,
    ev.TunedByHand: _tuned_by_hand,
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
    ev.StringReopened: _string_reopened,
    ev.StringSetAside: _string_set_aside,
    ev.ListeningSet: _listening_set,
    ev.SessionClosed: _session_closed,
}
