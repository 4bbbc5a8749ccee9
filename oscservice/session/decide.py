"""``decide(state, command) -> step``: the events of a command, or of a note that was heard, and the state after them.

Pure: the same state and command give the same events. A command that can't be carried out raises Refused, a note that
is no evidence raises Ignored; neither changes anything.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.advice.compared_frets import ComparedFrets
from oscservice.advice.correction import refusal, speaking_lengths_mm
from oscservice.advice.instrument_changes import instrument_changes
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.automatic_steps import advance, held_back, held_step
from oscservice.session.commands import Ignored, Refused, impossible
from oscservice.session.decide_reading import decide_doubt, decide_reading, need_clear
from oscservice.session.event_values import NOTHING_HELD, HeldStep, held_text
from oscservice.session.evolve import conclude_all
from oscservice.session.hand_steps import done, left_slack, must_be_slack, opened_first, waiting_step
from oscservice.session.inspection import describe_strings, fit, inspect, measure
from oscservice.session.judgement import comparison_of, judge_string
from oscservice.session.missed_steps import read_otherwise
from oscservice.session.next_pluck import asked, ending, unproved
from oscservice.session.pluck_forecast import forecast
from oscservice.session.quick_check import begin_quick_check, uncheckable, unchecked, verdict
from oscservice.session.state import State
from oscservice.session.string_state import READING_MM, StringState
from oscservice.session.vocabulary import (
    COMPARED,
    INSPECTION_ITEMS,
    TOLERANCE_RANGE_CENTS,
    Ending,
    InspectionVerdict,
    Phase,
    Status,
)

SHORTEST_SHARE = 0.5
"""No saddle is moved so far that less than this of the length from the last fret compared to the saddle is left."""

SADDLE_AT_RANGE_MM = (-500.0, 1000.0)
"""Readings of a saddle's place from a fixed edge."""

_MOST_FOLLOWING = 200
_HEARD = (cm.Hear, cm.Plucked, cm.Discard, cm.Focus)  # what nothing follows from in a session that goes on by hand


@dataclass(frozen=True)
class Step:
    """A decision: its events, in order, with what was concluded from each, and the state after them."""

    events: list[ev.Event]
    state: State


def decide(state: State, command: cm.Command) -> Step:
    """The step that a command makes; without events when nothing changes. Every event is folded once.

    Raises:
        Refused: the command can't be carried out now.
        Ignored: the note heard is no evidence.
    """
    why_not = impossible(type(command), state.phase)
    if why_not is not None:
        raise Ignored(why_not) if isinstance(command, cm.Hear) else Refused("phase", why_not)
    if isinstance(command, cm.Undo):
        return Step(*conclude_all(state, _undo(state)))
    decider: Callable[[State, Any], list[ev.Event]] = _DECIDERS[type(command)]
    made: list[ev.Event] = decider(state, command)
    if not made:
        return Step([], state)
    events, now = conclude_all(state, [ev.StepBegun(type(command).__name__), *made])
    if now.by_hand and (isinstance(command, _HEARD) or (_waits(state) and not isinstance(command, cm.Next))):
        held = held_step(now)
        more, now = conclude_all(now, [] if held.word else forecast(now))
        return _held(Step(events + more, now), held)
    for _ in range(_MOST_FOLLOWING):
        more, now = conclude_all(now, advance(now))
        if not more:
            return _held(Step(events, now), NOTHING_HELD) if now.by_hand else Step(events, now)
        events += more
    raise AssertionError(f"the session does not come to rest in phase {now.phase}")


def _waits(state: State) -> bool:
    """True if a step waits for the technician."""
    return state.held is not None and bool(state.held.word)


def _held(step: Step, held: HeldStep) -> Step:
    """The step of a session by hand, which says what waits after it."""
    begun, *others = step.events
    assert isinstance(begun, ev.StepBegun)
    return Step([replace(begun, held=held_text(held)), *others], replace(step.state, held=held))


def _undo(state: State) -> list[ev.Event]:
    if state.past is None:
        raise Refused("phase", cm.NOTHING_TO_TAKE_BACK)
    return [ev.TakenBack()]


def _begin(state: State, command: cm.Begin) -> list[ev.Event]:
    low, high = TOLERANCE_RANGE_CENTS
    if not low <= command.tolerance_cents <= high:
        raise Refused("range", f"a tolerance of {command.tolerance_cents:g} cents; expected {low:g} to {high:g}")
    try:
        played = ComparedFrets.parse(command.frets, command.instrument.frets)
    except ValueError as error:
        raise Refused("range", str(error)) from None
    begun = (command.instrument.to_json(), command.label, command.tolerance_cents)
    last = command.last_time
    left = "" if last is None else last.left.to_json()
    found = () if last is None else instrument_changes(last.filed, last.left, command.instrument)
    first = ev.SessionBegun(
        *begun,
        played.reference,
        str(played),
        day=command.day,
        previous=left,
        by_hand=command.by_hand,
        items=" ".join(INSPECTION_ITEMS),
    )
    return [
        first,
        *(ev.ChangeNoticed(one.what, one.text) for one in found),
    ]


def _next(state: State, command: cm.Next) -> list[ev.Event]:
    held = held_back(state)
    if held:
        return held
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        return [ev.TunedByHand(state.focus)]
    if state.phase is Phase.MOVING:
        string = state.string(state.focus)
        opened = opened_first(state, heard=False)
        if string.status is Status.TO_MOVE and must_be_slack(state, state.focus):
            return [*opened, ev.StringSlackened(state.focus, heard=False)]
        mm = string.advice.mm if string.advice is not None else 0.0
        moved = ev.SaddleMoved(state.focus, mm, told=True)
        return [*opened, moved, *left_slack(state, state.focus, heard=False)]
    step = waiting_step(state)
    if step is not None:
        return [done(step, heard=False)]
    if state.unseen:
        return [ev.CausesSeen()]
    if state.phase is Phase.COMPARING:
        comparison = comparison_of(state, state.focus)
        if comparison is None or comparison.plucks < 2:
            raise Refused("refused", "at least two fretted plucks with open plucks around them come first")
        within = abs(comparison.error_cents) <= state.tolerance_cents
        # Strings that share a saddle are judged by each other's errors: those must be known.
        assert state.instrument is not None
        own_saddle = len(strings_moved_together(state.instrument, state.focus)) == 1
        reason = None if within and own_saddle else refusal(comparison)
        if reason is not None:
            raise Refused("refused", f"{reason}; or set the string aside")
        return judge_string(state, comparison, settled=within)
    if asked(state) == (state.focus, HARMONIC) and state.phase is Phase.PROVING:
        return [ev.HarmonicPassedOver(state.focus)]
    if state.phase is Phase.CHECKING:
        return _checked_by_hand(state)
    if state.phase is Phase.INSPECTING:
        waiting = [
            name
            for name, item in state.items
            if item.verdict not in (InspectionVerdict.PASSED, InspectionVerdict.WAIVED)
        ]
        raise Refused("phase", f"still to be inspected: {', '.join(waiting)}")
    raise Refused("phase", f"nothing to skip in the phase {state.phase}")


def _checked_by_hand(state: State) -> list[ev.Event]:
    found = verdict(state, last_word=True)
    if found is None:
        raise Refused(
            "refused", "at least one fretted pluck with open plucks around it comes first; or set the string aside"
        )
    return [found]


def _finish(state: State, command: cm.Finish) -> list[ev.Event]:
    if state.phase is Phase.CHECKING:
        names = ", ".join(map(str, unchecked(state)))
        raise Refused("refused", f"not checked: string {names}; check, set aside, or abandon the check")
    waiting = unproved(state)
    if waiting:
        names = ", ".join(str(n) for n in waiting)
        raise Refused("refused", f"not proved: string {names}; prove, set aside, or abandon the session")
    return [ev.SessionClosed(ending(state))]


def _abandon(state: State, command: cm.Abandon) -> list[ev.Event]:
    return [ev.SessionClosed(Ending.ABANDONED)]


def _focus(state: State, command: cm.Focus) -> list[ev.Event]:
    string = _known(state, command.string)
    why = uncheckable(state).get(command.string) if string.left_out else None
    if why is not None:
        raise Refused("refused", f"string {command.string} can't be checked: {why}")
    if command.place is not None and command.place.kind == "fret" and state.instrument is not None:
        if command.place.fret > state.instrument.frets:
            raise Refused("missing", f"fret {command.place.fret}; this instrument has {state.instrument.frets}")
        if state.phase in (Phase.TUNING, Phase.RETUNING):
            raise Refused("phase", "strings are tuned open")
    place = str(command.place) if command.place is not None else ""
    if not place and state.phase in (Phase.TUNING, Phase.RETUNING):
        place = str(OPEN)  # heard again even if it is in tune
    follow: list[ev.Event] = [ev.CausesSeen()] if state.unseen else []
    if string.left_out or (state.unseen and state.named(command.string) is not None):
        afresh = state.named(command.string) is not None
        follow.append(ev.StringReopened(command.string, "taken up again", afresh))
    if state.phase is Phase.PROVING and (string.left_out or string.proved):
        follow = follow or [ev.StringReopened(command.string, "taken up again")]
        follow.append(ev.PhaseEntered(Phase.COMPARING))
    elif string.status is Status.CHECKED or (state.phase is Phase.COMPARING and string.status is Status.SETTLED):
        follow.append(ev.StringReopened(command.string, "taken up again"))
    return [*follow, ev.Focused(command.string, place)]


def _slackened(state: State, command: cm.Slackened) -> list[ev.Event]:
    _known(state, command.string)
    return [*opened_first(state, heard=False), ev.StringSlackened(command.string, heard=False)]


def _moved(state: State, command: cm.Moved) -> list[ev.Event]:
    string = _known(state, command.string)
    assert state.instrument is not None
    if not math.isfinite(command.mm) or abs(command.mm) > 50.0:
        raise Refused("range", f"a move of {command.mm:g} mm; expected -50 to 50")
    if state.instrument.adjuster_of(command.string) is None:
        raise Refused("refused", f"the saddle of string {command.string} is fixed on this instrument")
    shares = state.instrument.saddles_moved_with(command.string)
    for number, share in shares.items():
        spec, moved_mm = state.instrument.string(number), state.string(number).moved_mm
        reached_mm = moved_mm + command.mm * share / shares[command.string]
        start_mm = speaking_lengths_mm(spec, max(state.played.frets), 0.0)[1]
        if not SHORTEST_SHARE * start_mm <= start_mm + reached_mm <= start_mm / SHORTEST_SHARE:
            raise Refused("range", f"the saddle of string {number} would have moved {reached_mm:+.0f} mm in all")
    if state.instrument.bridge.slacken and string.status is not Status.SLACK:
        raise Refused("refused", f"slacken string {command.string} first and report it: this saddle is clamped")
    moved = ev.SaddleMoved(command.string, command.mm, told=True)
    return [*opened_first(state, heard=False), moved, *left_slack(state, command.string, heard=False)]


def _saddle_at(state: State, command: cm.SaddleAt) -> list[ev.Event]:
    """A reading of a saddle's place. Of a saddle that is to be moved now, the second one says how far it was moved."""
    number, string = command.string, _known(state, command.string)
    if not math.isfinite(command.at_mm) or not SADDLE_AT_RANGE_MM[0] <= command.at_mm <= SADDLE_AT_RANGE_MM[1]:
        expected = "expected {:g} to {:g}".format(*SADDLE_AT_RANGE_MM)
        raise Refused("range", f"a saddle {command.at_mm:g} mm from the edge; {expected}")
    at_mm = round(command.at_mm, 3)
    read, last_mm = [ev.SaddleMeasured(number, at_mm)], string.saddle_at_mm[1]
    if last_mm is None:
        return [*read]
    mm = at_mm - last_mm - string.moved_unread_mm
    being_moved = state.phase is Phase.MOVING and state.focus == number
    if being_moved and string.status is not Status.SLACK and must_be_slack(state, number):
        being_moved = False
    if not being_moved:
        unread_mm = string.moved_unread_mm
        return [*read, *(read_otherwise(number, unread_mm, mm + unread_mm) if unread_mm else [])]
    if abs(mm) <= READING_MM / 3.0:
        return [*read]  # where it stands before it is moved
    advised_mm = string.advice.mm if string.advice is not None else mm
    return [*_moved(state, cm.Moved(number, mm)), *read, *read_otherwise(number, advised_mm, mm)]


def _nut_clamps(state: State, command: cm.NutClamps) -> list[ev.Event]:
    assert state.instrument is not None
    if not state.instrument.nut.locking:
        raise Refused("refused", "this instrument has no locking nut; see [nut] in its file")
    if command.closed == state.nut_closed:
        return []
    follow: list[ev.Event] = [ev.NutClamped(command.closed, heard=False)]
    if state.phase in (Phase.COMPARING, Phase.PROVING):
        follow.append(ev.PhaseEntered(Phase.RETUNING))
    return follow


def _hear(state: State, command: cm.Hear) -> list[ev.Event]:
    """A note: a reading, or the sign that a step by hand is done, and then a reading too if it is of a string."""
    step = waiting_step(state)
    if step is None:
        return decide_reading(state, command)
    if state.by_hand or not state.listening:
        raise Ignored("a step by hand waits: report it with next" if state.by_hand else "not listening")
    need_clear(command.reading)
    events, now = conclude_all(state, [done(step, heard=True)])
    following, now = conclude_all(now, advance(now))
    if waiting_step(now) is not None:
        return events
    try:
        return [*events, *following, *decide_reading(now, command)]
    except Ignored:
        return events


def _turned(state: State, command: cm.Turned) -> list[ev.Event]:
    _known(state, command.string)
    adjuster = state.instrument.adjuster_of(command.string) if state.instrument is not None else None
    if adjuster is None or adjuster.mm_per_turn is None:
        raise Refused("refused", f"the saddle of string {command.string} has no screw; give the move in mm")
    adjuster_mm = command.turns * adjuster.mm_per_turn
    return _moved(state, cm.Moved(command.string, adjuster_mm * adjuster.influence[command.string]))


def _set_aside(state: State, command: cm.SetAside) -> list[ev.Event]:
    _known(state, command.string)
    if not command.reason.strip():
        raise Refused("refused", "a string is set aside with a reason")
    follow: list[ev.Event] = [ev.StringSetAside(command.string, command.reason)]
    if state.phase is Phase.MOVING and state.focus == command.string:
        untuned = any(s.status in (Status.SLACK, Status.RETUNING) for s in state.strings)
        follow.append(ev.PhaseEntered(Phase.RETUNING if untuned else Phase.COMPARING))
    return follow


def _overrule(state: State, command: cm.Overrule) -> list[ev.Event]:
    string = _known(state, command.string)
    if state.named(command.string) is None:
        raise Refused("refused", f"no cause was named for string {command.string}; there is nothing to overrule")
    follow: list[ev.Event] = [ev.CausesSeen()] if state.unseen else []
    follow.append(ev.StringOverruled(command.string))
    if string.status is Status.SET_ASIDE and state.phase is Phase.PROVING:
        follow.append(ev.PhaseEntered(Phase.COMPARING))
    if state.phase in (Phase.COMPARING, Phase.PROVING):
        follow.append(ev.Focused(command.string, ""))
    return follow


def _plucked(state: State, command: cm.Plucked) -> list[ev.Event]:
    doubt = state.doubt
    if doubt is None:
        raise Refused("phase", "no pluck is in doubt")
    _known(state, command.string)
    assert state.instrument is not None
    place = command.place
    if place is None:
        asked_about = [one for one in (doubt.first, doubt.second) if one.string == command.string]
        place = Place.parse(asked_about[0].place) if asked_about else OPEN
    if place.fret > state.instrument.frets:
        raise Refused("missing", f"fret {place.fret}; this instrument has {state.instrument.frets}")
    return decide_doubt(state, doubt, command.string, place)


def _discard(state: State, command: cm.Discard) -> list[ev.Event]:
    if state.doubt is not None:
        return [ev.ReadingDiscarded(0)]
    if state.phase not in COMPARED:
        raise Refused("phase", "no pluck is in doubt")
    if not state.focus or not state.string(state.focus).plucks:
        raise Refused("refused", "no pluck of this comparison to discard; undo the last step instead")
    return [ev.ReadingDiscarded(state.focus)]


def _by_hand(state: State, command: cm.ByHand) -> list[ev.Event]:
    return [] if command.on == state.by_hand else [ev.ByHandSet(command.on)]


def _listen(state: State, command: cm.Listen) -> list[ev.Event]:
    return [] if command.on == state.listening else [ev.ListeningSet(command.on)]


def _known(state: State, number: int) -> StringState:
    if number not in state.numbers:
        raise Refused("missing", f"string {number}; this instrument has 1 to {len(state.strings)}")
    return state.string(number)


_DECIDERS: dict[type, Callable[[State, Any], list[ev.Event]]] = {
    cm.Begin: _begin,
    cm.Quick: begin_quick_check,
    cm.Inspect: inspect,
    cm.Measured: measure,
    cm.Fitted: fit,
    cm.Played: describe_strings,
    cm.Stretched: describe_strings,
    cm.Hear: _hear,
    cm.Next: _next,
    cm.Finish: _finish,
    cm.Abandon: _abandon,
    cm.Focus: _focus,
    cm.Slackened: _slackened,
    cm.Moved: _moved,
    cm.Turned: _turned,
    cm.SaddleAt: _saddle_at,
    cm.NutClamps: _nut_clamps,
    cm.SetAside: _set_aside,
    cm.Overrule: _overrule,
    cm.Plucked: _plucked,
    cm.Discard: _discard,
    cm.ByHand: _by_hand,
    cm.Listen: _listen,
}
