"""``evolve(state, event) -> state``: the state after an event.

An event of an older journal, which lacks what was concluded from it, is completed first (``session.conclude``). What
each event changes is in ``session.state`` and ``session.string_state``.
"""

from __future__ import annotations

from collections.abc import Iterable

from oscservice.session import events as ev
from oscservice.session.conclude import conclude, conclude_for_replay
from oscservice.session.state import State, apply


def evolve(state: State, event: ev.Event) -> State:
    """The state after ``event``. Never raises for an event that ``decide`` has made."""
    return apply(state, conclude_for_replay(state, event))


def conclude_all(state: State, events: Iterable[ev.Event]) -> tuple[list[ev.Event], State]:
    """The events with what is concluded from each, and the state after them."""
    found = []
    for event in events:
        found.append(conclude(state, event))
        state = evolve(state, found[-1])
    return found, state
