"""Like with like: whether the next pluck should be softer or harder than the last one."""

from __future__ import annotations

from statistics import median

from oscservice.hearing.strength import amplitude, slope_for
from oscservice.session.state import State
from oscservice.session.words import Phase

MATTERS = 0.25
"""Share of the tolerance: a pluck whose strength leaves more than this in doubt (1 sd) is asked for again."""


def strength_off_db(state: State) -> float:
    """By how many dB the last pluck of the string in focus was harder than its others, if that matters for what is
    being compared; 0 if not. It counts as evidence all the same, with the doubt that goes with it."""
    if state.phase not in (Phase.COMPARING, Phase.PROVING) or not state.focus:
        return 0.0
    string = state.string(state.focus)
    if len(string.plucks) < 2:
        return 0.0
    *before, last = (pluck.known_strength_db for pluck in string.plucks)
    others = [strength for strength in before if strength is not None]
    if last is None or not others:
        return 0.0
    middle = median(others)
    slope = slope_for([*others, last], string.slope).at(middle)
    doubt_cents = abs(amplitude(last, middle) - 1.0) * slope.se_cents
    return last - middle if doubt_cents > MATTERS * state.tolerance_cents else 0.0
