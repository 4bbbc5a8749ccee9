"""A session in plain numbers: its summary, the errors that remain, and why strings are left out."""

from __future__ import annotations

import math
from collections.abc import Sequence

from oscservice.advice.correction import FIXED_SADDLE
from oscservice.advice.expected_errors import Survey
from oscservice.advice.neck_errors import NeckErrors
from oscservice.advice.pluck_strength import SCATTER_CENTS
from oscservice.advice.remaining_errors import LastPass, StringRemains, remaining_errors, remaining_errors_after
from oscservice.instrument.spec import Instrument
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session.setup_summary import FretError, SetupSummary, StringSummary
from oscservice.session.state import State
from oscservice.session.survey import survey_of, weights_of
from oscservice.session.vocabulary import Status


def left_out_because(state: State, number: int) -> str:
    """The reason why a string is left out, in one line; empty if it is not."""
    string = state.string(number)
    if string.status is Status.SET_ASIDE:
        return string.reason
    if string.status is not Status.OUT_OF_TRAVEL:
        return ""
    if state.instrument is None or state.instrument.adjuster_of(number) is None:
        return FIXED_SADDLE
    missing_mm = string.advice.missing_mm if string.advice is not None else 0.0
    return f"{missing_mm:.1f} mm of travel missing"


def compared(state: State) -> dict[int, Survey]:
    """The errors compared so far of each string, by number; strings without any are left out."""
    found = {number: _survey(state, number) for number in state.numbers}
    return {number: survey for number, survey in found.items() if survey is not None}


def compared_strings(state: State) -> tuple[int, ...]:
    """Numbers of the strings of which errors were compared so far."""
    return tuple(compared(state)) if state.as_left is None else tuple(one.string for one in state.as_left)


def remaining(
    state: State, frets: Sequence[int] | None = None, changed: Instrument | None = None
) -> dict[int, StringRemains]:
    """Errors over the frets of every string compared so far, at the present positions of the saddles.

    Those of a closed session are as stored in it, unless the instrument is changed or its journal is of an older
    version.

    Args:
        state: the session.
        frets: the frets wanted; None: all.
        changed: the instrument in another tuning or with a capo; None for as it is.

    Raises:
        ValueError: nothing was compared yet, a fret that isn't there, or a change that is more than that.
    """
    if state.instrument is None or not compared_strings(state):
        raise ValueError("no string was compared")
    if state.as_left is not None and changed is None:
        return {one.string: one if frets is None else one.at_frets(frets) for one in state.as_left}
    surveys = compared(state)
    moved = {number: state.string(number).moved_mm for number in surveys}
    last = {number: newer for number in surveys if (newer := _last_pass(state, number)) is not None}
    if changed is None:
        return remaining_errors(state.instrument, surveys, moved, frets, last=last, named=state.findings)
    return remaining_errors_after(state.instrument, changed, surveys, moved, frets, last=last, named=state.findings)


def first_moved(state: State, event: ev.SaddleMoved) -> tuple[int, ...]:
    """Strings that a move, which ``state`` is before, moves for the first time."""
    assert state.instrument is not None
    if event.mm == 0.0:
        return ()
    shares = state.instrument.saddles_moved_with(event.string)
    return tuple(number for number, share in shares.items() if share and not state.string(number).moves)


def as_found(state: State, event: ev.SaddleMoved) -> dict[int, StringRemains]:
    """Errors over the frets, by string, of those strings that a move moves for the first time, as known before it.

    They are as stored in the event, unless its journal is of an older version. Strings not yet compared are left out.

    Args:
        state: the session before the move.
        event: the move.
    """
    if event.as_found is not None:
        return {one.string: one for one in values.remains_of(event.as_found)}
    first = first_moved(state, event)
    if not first or not set(first) & set(compared_strings(state)):
        return {}
    return {number: one for number, one in remaining(state).items() if number in first}


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
    """The last pass of a proved string: its plucks are in no survey."""
    string = state.string(number)
    if not string.proved or string.last is None or string.survey is None:
        return None
    weights = {fret: weight for fret, weight in weights_of(state, number).items() if weight > 0.0}
    return LastPass(string.last.as_comparison(), state.fret, weights)


def summary_of(state: State, session: str = "") -> SetupSummary:
    """The instrument as the session knows it. Its errors are those of ``remaining`` at the frets that were compared.

    Args:
        state: the session; ``session`` its id.

    Raises:
        ValueError: no session was begun.
    """
    if state.instrument is None:
        raise ValueError("no session was begun")
    instrument = state.instrument
    errors = _errors(state)
    strings = tuple(_string(state, number, errors.get(number, ())) for number in state.numbers)
    return SetupSummary(
        session=session,
        identity=instrument.identity,
        instrument=instrument.name,
        label=state.label,
        outcome=state.outcome,
        quick=state.against is not None,
        tolerance_cents=state.tolerance_cents,
        strings=strings,
    )


def open_se_cents(reading_se_cents: float, plucks: int = 1, unsure_cents: float = 0.0) -> float:
    """Standard error of an open string's pitch after so many plucks, with their scatter and with ``unsure_cents``, by
    which tuning other strings may have shifted it since."""
    return math.hypot(math.hypot(reading_se_cents, SCATTER_CENTS) / math.sqrt(plucks), unsure_cents)


def _errors(state: State) -> dict[int, tuple[FretError, ...]]:
    if state.instrument is None or not compared_strings(state):
        return {}
    found: dict[int, tuple[FretError, ...]] = {}
    for number, left in remaining(state, state.played.frets).items():
        spec = state.instrument.string(number)
        found_here = zip(left.frets, left.errors_cents, left.se_cents, map(spec.target_cents, left.frets), strict=True)
        found[number] = tuple(FretError(*one) for one in found_here if one[0] in left.measured)
    return found


def _string(state: State, number: int, errors: tuple[FretError, ...]) -> StringSummary:
    assert state.instrument is not None
    spec, string = state.instrument.string(number), state.string(number)
    known = string.learnt_stiffness
    inharmonicity = None if known is None else math.exp(known.log_b)
    heard = string.open_pluck if string.open_cents is not None else None
    return StringSummary(
        string=number,
        note=spec.note,
        nominal_hz=state.instrument.open_hz(number),
        gauge_mm=spec.gauge_mm,
        core_mm=spec.core_mm,
        wound=spec.wound,
        scale_mm=spec.scale_mm,
        status=str(string.status),
        left_out=left_out_because(state, number),
        errors=errors,
        harmonic_cents=string.harmonic_cents,
        harmonic_se_cents=string.harmonic_se_cents,
        open_cents=string.open_cents,
        open_se_cents=0.0 if heard is None else open_se_cents(heard.total_se_cents, unsure_cents=string.unsure_cents),
        inharmonicity=inharmonicity,
        inharmonicity_se=0.0 if known is None or inharmonicity is None else known.sd * inharmonicity,
        filed_setback_mm=spec.setback_mm,
        moved_mm=string.moved_mm,
        moves=string.moves,
    )
