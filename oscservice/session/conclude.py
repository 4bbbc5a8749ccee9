"""``conclude(state, event) -> event``: what is calculated from an event and the state before it, once and for all.

Estimates, predictions and choices go into the event's concluded fields, and the journal keeps them. So a later version
with a better estimator replays an old session as it was, and reports the same of it. Journals of older versions lack
these fields: their events are completed here on replay, by the same functions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from oscservice.advice.comparison import harmonic_check, joint_errors
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.decision import PLACING_SD_MM, expected_after
from oscservice.advice.floating_bridge import after_disturbance, after_saddle_move, after_slackening, initial_balance
from oscservice.advice.pluck_scatter import PluckScatter
from oscservice.advice.pluck_strength import Pluck, Slope, learn_slope
from oscservice.hearing.inharmonicity import Stiffness, expected_stiffness, log_stiffness, updated_stiffness
from oscservice.instrument.modified_instrument import with_strings_described, with_strings_fitted
from oscservice.instrument.pitch import CENTS_PER_E, HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session.event_values import JudgedError, LastMove, MoveOutcome
from oscservice.session.inspection import passed_but_off, with_measured
from oscservice.session.next_pluck import asked, pattern_of
from oscservice.session.session_results import as_found, compared_strings, first_moved, remaining
from oscservice.session.state import State, with_balance, with_measurement, with_string
from oscservice.session.string_state import StringState, pluck_reading
from oscservice.session.survey import response_of, stiffness_of
from oscservice.session.tuning_rounds import balance_after_hand, balance_after_open
from oscservice.session.vocabulary import COMPARED, STRINGS

CLAMP_SD_CENTS = 4.0
"""Change of an open string when its nut clamp is closed or opened, 1 sd (common practice, no source: a few cents)."""

STRAY_CENTS = 50.0
"""A note this near to what was asked for has its pitch."""


def conclude(state: State, event: ev.Event) -> ev.Event:
    """The event with its concluded fields filled in; an event that has them comes back as it is."""
    return _by_table(_ONLY_FOR_REPORTS, state, conclude_for_replay(state, event))


def conclude_for_replay(state: State, event: ev.Event) -> ev.Event:
    """The event with those concluded fields filled in that replay needs: all but the remaining errors.

    Where an older journal lacks these, a report calculates them (``session.session_results``): that is slow, and most
    of what replays a session does not need them.
    """
    return _by_table(_NEEDED_BY_REPLAY, state, event)


# Readings


def _reading_taken(state: State, event: ev.ReadingTaken) -> ev.ReadingTaken:
    place, string = Place.parse(event.place), state.string(event.string)
    found: dict[str, Any] = {
        "counted": _counts(state, string, event, place),
        "strayed": _strays(state, event, place) or None,
    }
    if place == OPEN:
        if state.balance is not None:
            found["balance"] = values.balance_text(balance_after_open(state, state.balance, event))
        stiffness = _stiffness_learnt(state, event)
        found["learnt_stiffness"] = None if stiffness is None else values.stiffness_text(stiffness)
    elif place == HARMONIC and string.open_pluck is not None:
        check = harmonic_check((string.open_pluck, pluck_reading(event)), stiffness_of(string))
        found["harmonic"] = values.harmonic_text(check)
    return replace(event, **found)


def _counts(state: State, string: StringState, event: ev.ReadingTaken, place: Place) -> bool:
    """True if a reading is a pluck of the comparison under way, which begins with an open note."""
    if event.string != state.focus or state.phase not in COMPARED:
        return False
    return place == OPEN or (place in pattern_of(state, event.string).stopped and bool(string.plucks))


def _strays(state: State, event: ev.ReadingTaken, place: Place) -> bool:
    """True if a note is another string or place than was asked for, but has its pitch."""
    waited = asked(state)
    if waited is None or state.instrument is None or (event.string, place) == waited:
        return False
    return abs(cents_between(event.f1_hz, state.instrument.place_hz(*waited))) <= STRAY_CENTS


def _stiffness_learnt(state: State, event: ev.ReadingTaken) -> Stiffness | None:
    """B of the open string after a reading of it; None if the reading says nothing of it."""
    heard = log_stiffness(event.inharmonicity, event.inharmonicity_se)
    if heard is None or state.instrument is None:
        return None
    before = state.string(event.string).learnt_stiffness or expected_stiffness(state.instrument, event.string)
    return updated_stiffness(before, event.cents, heard)


# The end of a comparison

_EndOfComparison = ev.StringJudged | ev.StringSurveyed | ev.StringProved | ev.StringChecked


def _comparison_ended(state: State, event: _EndOfComparison) -> _EndOfComparison:
    scatter, slope = scatter_learnt(state, event.string), slope_learnt(state.string(event.string))
    return replace(event, pluck_scatter=values.scatter_text(scatter), strength_slope=values.slope_text(slope))


def slope_learnt(string: StringState) -> Slope | None:
    """Pitch against strength, after the plucks of the comparison that has just ended."""
    plucks = [
        Pluck(p.place, CENTS_PER_E * math.log(p.f1_hz), p.se_cents, p.known_strength_db, order)
        for order, p in enumerate(string.plucks)
        if p.known_strength_db is not None
    ]
    return learn_slope(plucks, string.slope)


def scatter_learnt(state: State, number: int) -> PluckScatter:
    """Scatter of plucks, after those of the comparison of a string that has just ended."""
    plucks = state.string(number).plucks
    there = {pluck.place for pluck in plucks}
    targets = {Place("fret", fret): 100.0 * fret for fret in state.played.frets if Place("fret", fret) in there}
    known = state.pluck_scatter
    if not targets or OPEN not in there:
        return known
    return joint_errors(plucks, targets, known, state.string(number).slope).scatter_after(known)


# Moves


def _response_learnt(state: State, event: ev.ResponseLearnt) -> ev.ResponseLearnt:
    response = state.string(event.string).response.after(event.geometric_cents, event.heard_cents, event.se_cents)
    return replace(event, response=values.response_text(response))


def _saddle_moved(state: State, event: ev.SaddleMoved) -> ev.SaddleMoved:
    """Every string that the adjuster moves, one after the other: each may learn from those before it."""
    assert state.instrument is not None
    shares = state.instrument.saddles_moved_with(event.string)
    outcomes: dict[int, MoveOutcome] = {}
    for number, share in shares.items():
        mm = event.mm * share / shares[event.string]
        response = response_of(state, number)
        state = with_string(state, number, response=response)
        expected, last_move = _after_move(state, number, mm)
        moves = state.string(number).moves + (mm != 0.0)
        balance = state.balance
        if balance is not None:
            if number != event.string:
                balance = after_slackening(balance, number - 1)
                state = with_balance(state, balance)
            unsure_cents = state.string(number).unsure_cents
            state = with_string(state, number, open_cents=None)
            state = with_balance(state, after_saddle_move(balance, number - 1, mm))
        outcomes[number] = MoveOutcome(response, expected, last_move, None if balance is None else unsure_cents)
        state = with_string(state, number, moves=moves)
    text = None if state.balance is None else values.balance_text(state.balance)
    return replace(event, outcomes=values.outcomes_text(outcomes), balance=text)


def _after_move(state: State, number: int, move_mm: float) -> tuple[JudgedError | None, LastMove | None]:
    """The error that a move should leave, the placing of the saddle included, and the move as it is to be heard; None
    where nothing was known before."""
    string = state.string(number)
    known = string.last if string.judged_here else string.expected
    if known is None or state.instrument is None:
        return None, None
    if move_mm == 0.0:
        return replace(known, plucks=0), string.last_move
    lengths = speaking_lengths_mm(state.instrument.string(number), state.fret, string.moved_mm)
    change = error_after(known.error_cents, lengths, move_mm) - known.error_cents
    placing_cents = PLACING_SD_MM * abs(cents_per_mm(lengths))
    left = known.error_cents + string.response.ratio * change
    # One fret alone is plucked so often that it contradicts a wrong expectation by itself; a few plucks of each of
    # several frets don't, so there all that is odd is allowed for.
    spread = string.response.total_sd if state.played.several else string.response.sd
    after = expected_after(known.as_comparison(), left, math.hypot(placing_cents, spread * change))
    outcome = JudgedError(after.error_cents, after.se_cents, 0, after.scatter_cents)
    # What is heard after the move is compared only with what was heard before it.
    heard = LastMove(change, known.error_cents, known.se_cents, placing_cents) if string.judged_here else None
    before = string.last_move
    if heard is None and before is not None:  # another screw of the same bridge: both together are heard after
        placing_cents = math.hypot(before.placing_cents, placing_cents)
        both_cents = before.geometric_cents + change
        heard = LastMove(both_cents, before.before_cents, before.before_se_cents, placing_cents)
    return outcome, heard


# A spring-balanced bridge


def _session_begun(state: State, event: ev.SessionBegun) -> ev.SessionBegun:
    instrument = Instrument.from_json(event.instrument)
    if not instrument.bridge.floating:
        return event
    return replace(event, balance=values.first_balance_text(initial_balance(instrument)))


def _string_slackened(state: State, event: ev.StringSlackened) -> ev.StringSlackened:
    if state.balance is None:
        return event
    return replace(event, balance=values.balance_text(after_slackening(state.balance, event.string - 1)))


def _nut_clamped(state: State, event: ev.NutClamped) -> ev.NutClamped:
    if state.balance is None:
        return event
    return replace(event, balance=values.balance_text(after_disturbance(state.balance, CLAMP_SD_CENTS)))


def _tuned_by_hand(state: State, event: ev.TunedByHand) -> ev.TunedByHand:
    if state.balance is None:
        return event
    return replace(event, balance=values.balance_text(balance_after_hand(state, state.balance, event.string)))


# Inspection


def _item_measured(state: State, event: ev.ItemMeasured) -> ev.ItemMeasured:
    assert state.instrument is not None
    if event.left:
        return replace(event, instrument_change="")
    instrument = with_measured(state.instrument, event.what, event.value_mm, dict(state.measured))
    change = values.instrument_change_text(state.instrument, instrument)
    after = with_measurement(state, instrument, event)
    return replace(event, instrument_change=change, waits=passed_but_off(after, event.item) or None)


def _strings_fitted(state: State, event: ev.StringsFitted) -> ev.StringsFitted:
    assert state.instrument is not None
    after = replace(state, instrument=with_strings_fitted(state.instrument, event.day))
    return replace(event, waits=passed_but_off(after, STRINGS))


def _strings_described(state: State, event: ev.StringsDescribed) -> ev.StringsDescribed:
    assert state.instrument is not None
    told = with_strings_described(state.instrument, event.hours_played, event.stretched_in)
    return replace(event, waits=passed_but_off(replace(state, instrument=told), STRINGS))


# Remaining errors


def _saddle_first_moved(state: State, event: ev.SaddleMoved) -> ev.SaddleMoved:
    if not first_moved(state, event):
        return event
    return replace(event, as_found=values.remains_text(as_found(state, event).values()))


def _session_closed(state: State, event: ev.SessionClosed) -> ev.SessionClosed:
    if state.instrument is None:
        return event
    left = remaining(state).values() if compared_strings(state) else ()
    return replace(event, as_left=values.remains_text(left))


_Concluder = Callable[[State, Any], ev.Event]

_ONLY_FOR_REPORTS: dict[type, tuple[str, _Concluder]] = {
    ev.SaddleMoved: ("as_found", _saddle_first_moved),
    ev.SessionClosed: ("as_left", _session_closed),
}
"""Event -> the field that shows that it was concluded, and the function that concludes it."""

_NEEDED_BY_REPLAY: dict[type, tuple[str, _Concluder]] = {
    ev.SessionBegun: ("balance", _session_begun),
    ev.ItemMeasured: ("instrument_change", _item_measured),
    ev.StringsFitted: ("waits", _strings_fitted),
    ev.StringsDescribed: ("waits", _strings_described),
    ev.ReadingTaken: ("counted", _reading_taken),
    ev.StringJudged: ("pluck_scatter", _comparison_ended),
    ev.StringSurveyed: ("pluck_scatter", _comparison_ended),
    ev.StringProved: ("pluck_scatter", _comparison_ended),
    ev.StringChecked: ("pluck_scatter", _comparison_ended),
    ev.ResponseLearnt: ("response", _response_learnt),
    ev.StringSlackened: ("balance", _string_slackened),
    ev.SaddleMoved: ("outcomes", _saddle_moved),
    ev.TunedByHand: ("balance", _tuned_by_hand),
    ev.NutClamped: ("balance", _nut_clamped),
}


def _by_table(table: Mapping[type, tuple[str, _Concluder]], state: State, event: ev.Event) -> ev.Event:
    """The event concluded by its row of the table; as it is without a row, or if it was concluded before."""
    field, concluder = table.get(type(event), ("", None))
    if concluder is None or getattr(event, field) is not None:
        return event
    return concluder(state, event)
