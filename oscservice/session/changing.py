"""How an event's handler changes a state: one string of it, or how sure it is of the others."""

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


def unsettle_others(state: State, number: int, cents: float) -> State:
    """Every string but one may have shifted by so much more since it was heard."""
    strings = (
        s if n == number else replace(s, unsure_cents=s.unsure_cents + cents)
        for n, s in zip(state.numbers, state.strings, strict=True)
    )
    return replace(state, strings=tuple(strings))
