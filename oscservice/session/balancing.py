"""What a floating bridge changes in the state: where every string is known to stand after one was tuned, let down or
moved, and where each should stand. On a fixed bridge nothing here does anything.
"""

from __future__ import annotations

from dataclasses import replace

from oscservice.advice.balance import Balance, heard, saddle_moved, slackened
from oscservice.instrument.pitch import OPEN
from oscservice.session import events as ev
from oscservice.session.asking import in_tune, unclear
from oscservice.session.changing import with_string
from oscservice.session.state import State
from oscservice.session.words import Phase

BY_HAND_CENTS = 3.0
"""How near its target a string is that somebody says is in tune (1 sd; assumed)."""

FAR_FLAT_CENTS = -150.0
"""A string first heard below this may be one that is only now being wound on."""


def open_heard(state: State, event: ev.ReadingTaken) -> State:
    """An open string was heard: it is known, and what its tuning did to the others is too."""
    if state.balance is None:
        return state
    string, index = state.string(event.string), event.string - 1
    tuning = state.phase in (Phase.TUNING, Phase.RETUNING) and event.place == str(OPEN)
    first = string.open_cents is None
    brought_up = first and state.phase is Phase.RETUNING
    tuned = tuning and state.asked_place is None and not in_tune(string) and (brought_up or not unclear(string))
    fresh = tuning and first and not brought_up and event.cents < FAR_FLAT_CENTS
    return _known(state, heard(state.balance, index, event.cents, event.se_cents, tuned=tuned, fresh=fresh))


def tuned_by_hand(state: State, number: int) -> State:
    """Somebody says that a string is where it should be."""
    if state.balance is None:
        return state
    string = state.string(number)
    tuned = string.open_cents is not None or state.phase is Phase.RETUNING
    return _known(state, heard(state.balance, number - 1, string.target_cents, BY_HAND_CENTS, tuned=tuned))


def let_down(state: State, number: int) -> State:
    """A string was slackened: the others rise, and no round of tuning goes on."""
    return state if state.balance is None else without_targets(_known(state, slackened(state.balance, number - 1)))


def lengthened(state: State, number: int, mm: float) -> State:
    """A string's saddle was moved."""
    return state if state.balance is None else _known(state, saddle_moved(state.balance, number - 1, mm))


def targets_set(state: State, event: ev.TargetsSet) -> State:
    """Every string has a pitch to be at, and some wait to be brought there."""
    targets, goals = ([float(cents) for cents in text.split()] for text in (event.targets_cents, event.goal_cents))
    awaiting = {int(n) for n in event.awaiting.split()}
    strings = (
        replace(string, target_cents=target, goal_cents=goal, awaits=n in awaiting)
        for n, string, target, goal in zip(state.numbers, state.strings, targets, goals, strict=True)
    )
    return replace(state, strings=tuple(strings), round_share=event.share)


def without_targets(state: State) -> State:
    """Every string should be at its pitch."""
    strings = (replace(string, target_cents=0.0, goal_cents=0.0, awaits=False) for string in state.strings)
    return replace(state, strings=tuple(strings), round_share=1.0)


def _known(state: State, balance: Balance) -> State:
    state = replace(state, balance=balance)
    for number in state.numbers:
        if state.string(number).open_cents is not None:
            where = {"open_cents": balance.cents(number - 1), "unsure_cents": balance.se_cents(number - 1)}
            state = with_string(state, number, **where)
    return state
