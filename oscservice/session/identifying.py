"""Which string and place a note is, as far as the session knows its strings."""

from __future__ import annotations

import math

from oscservice.hearing.place import (
    ASKED_ODDS,
    ASKED_SD_CENTS,
    FARTHEST_CENTS,
    NEW_STRING_CENTS,
    Identity,
    Known,
    identify,
)
from oscservice.instrument.pitch import Place, cents_between
from oscservice.session.asking import asked, in_tune, unclear
from oscservice.session.state import State, StringState
from oscservice.session.words import Phase

SURE_SHARE = 0.8
"""A note is taken for its likeliest string and place if that is at least four times as likely as the second."""

SAME_NOTE_CENTS = 50.0
"""A note this near the one in doubt is the answer to the question which it was."""

_TUNING = (Phase.TUNING, Phase.MOVING, Phase.RETUNING)
_FAR_OFF = (*_TUNING, Phase.CHECKING)  # what is asked for may be far from its pitch
_HEARD_SD_CENTS = 15.0  # how far an open string strays from where it was heard
_BY_HAND_SD_CENTS = 30.0  # or from its pitch, if the technician says it is in tune
_ASKED_AGAIN = 10.0  # times likelier is what was asked for once the question was put


def identified(
    state: State,
    f1_hz: float,
    inharmonicity: float = 0.0,
    inharmonicity_se: float = math.inf,
    only_string: int | None = None,
) -> Identity:
    """String and place of a note of this first partial (Hz) and B, with probabilities; see ``hearing.place``.

    While strings are tuned, every open string; after that, the frets compared at too.
    """
    assert state.instrument is not None
    tuning = state.phase in _TUNING
    return identify(
        state.instrument,
        f1_hz,
        inharmonicity=inharmonicity,
        inharmonicity_se=inharmonicity_se,
        asked=asked(state),
        only_string=only_string,
        also=() if tuning else tuple(Place("fret", fret) for fret in state.played.frets),
        known={n: _known(state, n) for n in state.numbers},
        asked_from_cents=NEW_STRING_CENTS if state.phase in _FAR_OFF else -FARTHEST_CENTS,
        asked_odds=ASKED_ODDS * (_ASKED_AGAIN if answers(state, f1_hz) else 1.0),
    )


def answers(state: State, f1_hz: float) -> bool:
    """Whether a note is the note in doubt, plucked again."""
    return state.doubt is not None and abs(cents_between(f1_hz, state.doubt.first.f1_hz)) <= SAME_NOTE_CENTS


def close(identity: Identity) -> bool:
    """Whether the two likeliest answers are too close to choose without asking."""
    best, rival = identity.best, identity.rival
    if best is None or rival is None:
        return False
    return best.probability < SURE_SHARE * (best.probability + rival.probability)


def _known(state: State, number: int) -> Known:
    string = state.string(number)
    at_hand = number == state.focus
    turned, unknown = state.phase in _TUNING and at_hand, state.phase is Phase.CHECKING and at_hand
    cents, sd_cents = _open_pitch(string, turned=turned, unknown=unknown)
    return Known(cents, sd_cents, string.learnt_stiffness)


def _open_pitch(string: StringState, *, turned: bool, unknown: bool) -> tuple[float, float]:
    """Where an open string should be, in cents from its nominal pitch, and 1 sd; ``turned`` if its peg is at hand,
    ``unknown`` if, until it is heard, it may be as far off as if it were."""
    if turned and string.open_cents is None:
        return string.target_cents, ASKED_SD_CENTS
    if turned and string.open_cents is not None and (in_tune(string) or not unclear(string)):
        # A peg is turned by about as much as the string was off.
        off = string.open_cents - string.target_cents
        return string.target_cents, min(ASKED_SD_CENTS, math.hypot(_HEARD_SD_CENTS, off))
    if string.open_cents is not None:
        return string.open_cents, math.hypot(_HEARD_SD_CENTS, string.unsure_cents)
    if unknown:
        return 0.0, ASKED_SD_CENTS
    return 0.0, _BY_HAND_SD_CENTS if string.in_tune_by_hand else Known().sd_cents
