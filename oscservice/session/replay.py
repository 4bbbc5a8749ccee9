"""A session replayed from its journal: its state, and its events without those that were taken back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import reduce

from oscservice.session import events as ev
from oscservice.session.automatic_steps import held_step
from oscservice.session.evolve import evolve
from oscservice.session.state import State


def fold(events: Iterable[ev.Event], state: State | None = None) -> State:
    """The state after all events, from nothing or from ``state``.

    A journal of an older version doesn't say which step waits for the technician: that is found here.
    """
    state = reduce(evolve, events, State() if state is None else state)
    return state if state.held is not None else replace(state, held=held_step(state))


@dataclass(frozen=True)
class EffectiveEvent:
    """An event that was not taken back: its number in the journal, when it was recorded (text in UTC), and the state
    before it."""

    number: int
    at_utc: str
    event: ev.Event
    before: State


@dataclass(frozen=True)
class EffectiveEvents:
    """The effective events in order, the state after them, and how many steps were taken back."""

    turns: tuple[EffectiveEvent, ...]
    state: State
    taken_back: int


def effective_events(events: Sequence[tuple[str, ev.Event]]) -> EffectiveEvents:
    """The effective events of a session.

    Args:
        events: every event of its journal with the time it was recorded, in order.
    """
    turns: list[EffectiveEvent] = []
    state, taken_back = State(), 0
    for number, (at_utc, event) in enumerate(events, start=1):
        if isinstance(event, ev.TakenBack):
            if state.past is not None:
                taken_back += 1
                del turns[_last_step(turns) :]
            state = evolve(state, event)
            continue
        turns.append(EffectiveEvent(number, at_utc, event, state))
        state = evolve(state, event)
    return EffectiveEvents(tuple(turns), state, taken_back)


def _last_step(turns: Sequence[EffectiveEvent]) -> int:
    """The index at which the last step begins."""
    return max((at for at, turn in enumerate(turns) if isinstance(turn.event, ev.StepBegun)), default=len(turns))
