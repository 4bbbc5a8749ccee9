"""Why a string is left out of a session."""

from __future__ import annotations

from oscservice.advice.correction import FIXED_SADDLE
from oscservice.session.state import State
from oscservice.session.words import Status


def left_out_because(state: State, number: int) -> str:
    """Why a string is left out, in one line; empty if it is not."""
    string = state.string(number)
    if string.status is Status.SET_ASIDE:
        return string.reason
    if string.status is not Status.OUT_OF_TRAVEL:
        return ""
    if state.instrument is None or state.instrument.adjuster_of(number) is None:
        return FIXED_SADDLE
    missing_mm = string.advice.missing_mm if string.advice is not None else 0.0
    return f"{missing_mm:.1f} mm of travel missing"
