"""``fold(events) -> state``: a session replayed from its journal."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
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
