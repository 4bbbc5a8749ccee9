"""The effective events of a session: those that were not taken back, each with the state before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oscservice.session import events as ev
from oscservice.session.evolve import evolve
from oscservice.session.state import State


@dataclass(frozen=True)
class Turn:
    """One effective event: its number in the journal, the time of recording (text in UTC), and the state before it."""

    number: int
    at_utc: str
    event: ev.Event
    before: State


@dataclass(frozen=True)
class EffectiveEvents:
    """The effective events in order, the state after them, and how many steps were taken back."""

    turns: tuple[Turn, ...]
    state: State
    taken_back: int


def effective_events(events: Sequence[tuple[str, ev.Event]]) -> EffectiveEvents:
    """The effective events of a session.

    Args:
        events: every event of its journal with the time it was recorded, in order.
    """
    turns: list[Turn] = []
    state, taken_back = State(), 0
    for number, (at_utc, event) in enumerate(events, start=1):
        if isinstance(event, ev.TakenBack):
            if state.past is not None:
                taken_back += 1
                del turns[_last_step(turns) :]
            state = evolve(state, event)
            continue
        turns.append(Turn(number, at_utc, event, state))
        state = evolve(state, event)
    return EffectiveEvents(tuple(turns), state, taken_back)


def _last_step(turns: Sequence[Turn]) -> int:
    """The index at which the last step begins."""
    return max((at for at, turn in enumerate(turns) if isinstance(turn.event, ev.StepBegun)), default=len(turns))
