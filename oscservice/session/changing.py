"""How an event's handler changes a state: one string of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from oscservice.session.state import State


def with_string(state: State, number: int, **changes: Any) -> State:
    """The state with fields of one string replaced."""
    strings = list(state.strings)
    strings[number - 1] = replace(strings[number - 1], **changes)
    return replace(state, strings=tuple(strings))


def floating(state: State) -> bool:
    """Whether the bridge on the bench moves with the strings' tension."""
    return state.instrument is not None and state.instrument.bridge.floating
