"""What a session leaves: its state as ``advice.remains`` asks for it."""

from __future__ import annotations

from collections.abc import Sequence

from oscservice.advice.conditioned import LastPass
from oscservice.advice.expected import Survey
from oscservice.advice.neck import NeckErrors
from oscservice.advice.remains import StringRemains, remains, remains_after
from oscservice.instrument.spec import Instrument
from oscservice.session.state import State
from oscservice.session.surveying import survey_of, weights_of


def compared(state: State) -> dict[int, Survey]:
    """What was compared of each string so far, by number; strings of which nothing was are left out."""
    found = {number: _survey(state, number) for number in state.numbers}
    return {number: survey for number, survey in found.items() if survey is not None}


def remaining(
    state: State, frets: Sequence[int] | None = None, changed: Instrument | None = None
) -> dict[int, StringRemains]:
    """Errors over the frets of every string compared so far, the saddles as they stand.

    Args:
        state: the session.
        frets: the frets to tell; all of them if None.
        changed: the instrument in another tuning or with a capo; None for as it is.

    Raises:
        ValueError: nothing was compared yet, a fret that isn't there, or a change that is more than that.
    """
    surveys = compared(state)
    if state.instrument is None or not surveys:
        raise ValueError("no string was compared")
    moved = {number: state.string(number).moved_mm for number in surveys}
    last = {number: newer for number in surveys if (newer := _last_pass(state, number)) is not None}
    if changed is None:
        return remains(state.instrument, surveys, moved, frets, last=last, named=state.findings)
    return remains_after(state.instrument, changed, surveys, moved, frets, last=last, named=state.findings)


def _survey(state: State, number: int) -> Survey | None:
    string = state.string(number)
    known = survey_of(state, number) or string.survey
    if known is not None or string.last is None or not string.judged_here:
        return known
    # A journal from before surveys were kept: the comparison at its fret is one.
    heard = string.last
    neck = NeckErrors(
        (state.fret,), (heard.error_cents,), ((heard.se_cents**2,),), (heard.plucks,), heard.scatter_cents
    )
    return Survey(neck, string.moved_mm, stiffness=string.learnt_stiffness)


def _last_pass(state: State, number: int) -> LastPass | None:
    """The last pass, once it was passed: its plucks are in no survey."""
    string = state.string(number)
    if not string.proved or string.last is None or string.survey is None:
        return None
    weights = {fret: weight for fret, weight in weights_of(state, number).items() if weight > 0.0}
    return LastPass(string.last.as_comparison(), state.fret, weights)
