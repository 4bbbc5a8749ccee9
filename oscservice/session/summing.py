"""A session summed up: its state as the plain numbers of ``standing``."""

from __future__ import annotations

import math

from oscservice.hearing.strength import SCATTER_CENTS
from oscservice.session.leaving import left_out_because
from oscservice.session.remaining import compared, remaining
from oscservice.session.standing import FretError, Standing, StringStanding
from oscservice.session.state import State


def standing_of(state: State, session: str = "") -> Standing:
    """How the instrument stands as far as the session knows. Its errors are what ``remaining`` tells of the frets that
    were compared: all that was heard of them, the saddles as they stand.

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
    return Standing(
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
    """Standard error of where an open string stands by so many plucks of one reading's error: they scatter, the more so
    the less alike they are plucked, and tuning other strings may have shifted it since."""
    return math.hypot(math.hypot(reading_se_cents, SCATTER_CENTS) / math.sqrt(plucks), unsure_cents)


def _errors(state: State) -> dict[int, tuple[FretError, ...]]:
    surveys = compared(state)
    if not surveys:
        return {}
    found: dict[int, tuple[FretError, ...]] = {}
    for number, left in remaining(state, state.played.frets).items():
        told = zip(left.frets, left.errors_cents, left.se_cents, strict=True)
        found[number] = tuple(FretError(*one) for one in told if one[0] in left.measured)
    return found


def _string(state: State, number: int, errors: tuple[FretError, ...]) -> StringStanding:
    assert state.instrument is not None
    spec, string = state.instrument.string(number), state.string(number)
    known = string.learnt_stiffness
    inharmonicity = None if known is None else math.exp(known.log_b)
    heard = string.open_pluck if string.open_cents is not None else None
    return StringStanding(
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
        open_se_cents=0.0 if heard is None else open_se_cents(heard.doubt_cents, unsure_cents=string.unsure_cents),
        inharmonicity=inharmonicity,
        inharmonicity_se=0.0 if known is None or inharmonicity is None else known.sd * inharmonicity,
        filed_setback_mm=spec.setback_mm,
        moved_mm=string.moved_mm,
        moves=string.moves,
    )
