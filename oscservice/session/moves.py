"""What slackening a string, moving its saddle and hearing the answer change in the state."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.decision import PLACING_SD_MM, expected_after
from oscservice.session import events as ev
from oscservice.session.balancing import lengthened, let_down, without_targets
from oscservice.session.changing import floating, with_string
from oscservice.session.state import LastMove, Outcome, State
from oscservice.session.surveying import response_of
from oscservice.session.words import Phase, Status


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
    outcome = Outcome(after.error_cents, after.se_cents, 0, after.scatter_cents)
    # Only what was heard before the move can be held against what is heard after it.
    heard = LastMove(change, known.error_cents, known.se_cents, placing_cents) if string.judged_here else None
    before = string.last_move
    if heard is None and before is not None:  # another screw of the same bridge: both together are heard after
        placing_cents = math.hypot(before.placing_cents, placing_cents)
        both_cents = before.geometric_cents + change
        heard = LastMove(both_cents, before.before_cents, before.before_se_cents, placing_cents)
    return {"expected": outcome, "last_move": heard}
