"""``evolve(state, event) -> state``: the one place where an event changes what is known."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import reduce
from typing import Any

from oscservice.advice.comparison import Comparison, PluckReading
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.decision import PLACING_SD_MM, expected_after
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import events as ev
from oscservice.session.state import Advice, Item, Outcome, State, StringState
from oscservice.session.words import Phase, Status, Verdict

FLOATING_SHARE = 0.2
"""Cents another string may shift per cent that one string is tuned, on a floating bridge; three springs give 0.05 to
0.19 by the rigid-bridge model with linear springs (computed, no source)."""


def evolve(state: State, event: ev.Event) -> State:
    """The state after ``event``. Never raises for an event that ``decide`` has made."""
    if isinstance(event, ev.TakenBack):
        return state if state.past is None else replace(state.past, revision=state.revision + 1)
    handler: Callable[[State, Any], State] = _HANDLERS[type(event)]
    return replace(handler(state, event), revision=state.revision + 1)


def fold(events: Iterable[ev.Event], state: State | None = None) -> State:
    """The state after all events, from nothing or from ``state``."""
    return reduce(evolve, events, State() if state is None else state)


def _with(state: State, number: int, **changes: Any) -> State:
    strings = list(state.strings)
    strings[number - 1] = replace(strings[number - 1], **changes)
    return replace(state, strings=tuple(strings))


def _step_begun(state: State, event: ev.StepBegun) -> State:
    return replace(state, past=state)


def _session_begun(state: State, event: ev.SessionBegun) -> State:
    instrument = Instrument.from_json(event.instrument)
    return State(
        phase=Phase.INSPECTING,
        instrument=instrument,
        label=event.label,
        tolerance_cents=event.tolerance_cents,
        fret=event.fret,
        strings=tuple(StringState() for _ in instrument.strings),
        past=state.past,
    )


def _item_inspected(state: State, event: ev.ItemInspected) -> State:
    done = Item(Verdict(event.verdict), event.note)
    return replace(state, items=tuple((n, done if n == event.item else item) for n, item in state.items))


def _phase_entered(state: State, event: ev.PhaseEntered) -> State:
    phase = Phase(event.phase)
    strings = state.strings
    if phase in (Phase.TUNING, Phase.RETUNING):
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
    changes: dict[str, Any] = {}
    if place == OPEN:
        shift = abs(event.cents - string.open_cents) if string.open_cents is not None else 0.0
        floating = state.instrument is not None and state.instrument.bridge.floating
        if floating and state.phase in (Phase.TUNING, Phase.RETUNING):
            state = _unsettle_others(state, event.string, FLOATING_SHARE * shift)
        changes |= {"open_hz": event.f1_hz, "open_cents": event.cents, "unsure_cents": 0.0}
    elif place == HARMONIC and string.open_hz is not None:
        changes["harmonic_cents"] = cents_between(event.f1_hz, 2.0 * string.open_hz)
    evidence = place in (OPEN, Place("fret", state.fret)) and event.string == state.focus
    if evidence and state.phase in (Phase.COMPARING, Phase.PROVING):
        pluck = PluckReading(place, event.f1_hz, event.se_cents, event.level_dbfs)
        changes["plucks"] = (*string.plucks, pluck)
    return replace(_with(state, event.string, **changes), asked_place=None)


def _unsettle_others(state: State, number: int, cents: float) -> State:
    strings = (
        s if n == number else replace(s, unsure_cents=s.unsure_cents + cents)
        for n, s in zip(state.numbers, state.strings, strict=True)
    )
    return replace(state, strings=tuple(strings))


def _reading_discarded(state: State, event: ev.ReadingDiscarded) -> State:
    return _with(state, event.string, plucks=state.string(event.string).plucks[:-1])


def _tuned_by_hand(state: State, event: ev.TunedByHand) -> State:
    return _with(state, event.string, in_tune_by_hand=True)


def _string_judged(state: State, event: ev.StringJudged) -> State:
    outcome = Outcome(event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    advice = None
    if event.status in (Status.TO_MOVE, Status.OUT_OF_TRAVEL):
        advice = Advice(
            event.move_mm, event.move_se_mm, event.turns, event.direction, event.room_mm, event.missing_mm
        )
    string = state.string(event.string)
    return _with(
        state,
        event.string,
        status=Status(event.status),
        last=outcome,
        first=string.first or outcome,
        advice=advice,
        plucks=(),
        scattered=0,
    )


def _scatter_found(state: State, event: ev.ScatterFound) -> State:
    return _with(state, event.string, plucks=(), scattered=state.string(event.string).scattered + 1)


def _string_slackened(state: State, event: ev.StringSlackened) -> State:
    state = _with(state, event.string, status=Status.SLACK, open_hz=None, open_cents=None, plucks=(), proved=False)
    if state.instrument is not None and state.instrument.bridge.floating:
        state = _unsettle_others(state, event.string, 100.0)
    return replace(state, phase=Phase.MOVING, focus=event.string, asked_place=None)


def _saddle_moved(state: State, event: ev.SaddleMoved) -> State:
    assert state.instrument is not None
    adjuster = state.instrument.adjuster_of(event.string)
    shares = {event.string: 1.0} if adjuster is None else adjuster.influence
    own = shares[event.string]
    for number, share in shares.items():
        string = state.string(number)
        mm = string.moved_mm + event.mm * share / own
        if number == event.string:
            state = _with(
                state,
                number,
                status=Status.RETUNING,
                expected=_left_after(state, number, event.mm),
                moved_mm=mm,
                moves=string.moves + 1,
                advice=None,
                plucks=(),
                proved=False,
                in_tune_by_hand=False,
                open_hz=None,
                open_cents=None,
            )
        else:
            status = Status.UNTRIED if string.status is Status.SETTLED else string.status
            cleared: dict[str, Any] = {"plucks": (), "proved": False, "unsure_cents": 100.0, "expected": None}
            state = _with(state, number, status=status, moved_mm=mm, **cleared)
    return replace(state, phase=Phase.RETUNING, focus=event.string, asked_place=None)


def _left_after(state: State, number: int, move_mm: float) -> Outcome | None:
    """What a move should leave of the last judged error, the hand's placing included."""
    string = state.string(number)
    if string.last is None or state.instrument is None:
        return None
    lengths = speaking_lengths_mm(state.instrument.string(number), state.fret, string.moved_mm)
    last = string.last
    before = Comparison(last.error_cents, last.se_cents, last.plucks, last.scatter_cents)
    left = error_after(last.error_cents, lengths, move_mm)
    after = expected_after(before, left, PLACING_SD_MM * abs(cents_per_mm(lengths)))
    return Outcome(after.error_cents, after.se_cents, 0, after.scatter_cents)


def _string_proved(state: State, event: ev.StringProved) -> State:
    outcome = Outcome(event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    return _with(state, event.string, proved=True, last=outcome, plucks=())


def _string_reopened(state: State, event: ev.StringReopened) -> State:
    changes: dict[str, Any] = {"status": Status.COMPARING, "proved": False, "plucks": (), "reason": "", "advice": None}
    return _with(state, event.string, **changes)


def _string_set_aside(state: State, event: ev.StringSetAside) -> State:
    return _with(state, event.string, status=Status.SET_ASIDE, reason=event.reason, advice=None, plucks=())


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
    ev.ReadingDiscarded: _reading_discarded,
    ev.TunedByHand: _tuned_by_hand,
    ev.StringJudged: _string_judged,
    ev.ScatterFound: _scatter_found,
    ev.StringSlackened: _string_slackened,
    ev.SaddleMoved: _saddle_moved,
    ev.StringProved: _string_proved,
    ev.StringReopened: _string_reopened,
    ev.StringSetAside: _string_set_aside,
    ev.ListeningSet: _listening_set,
    ev.SessionClosed: _session_closed,
}
