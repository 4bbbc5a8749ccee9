"""Commands of a session, notes that it hears, and the phases in which each is possible.

The one place for phases. Other conditions (a string that exists, a pluck in doubt) are checked by ``decide``.
"""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.hearing.reading import Reading
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.session.vocabulary import COMPARED, Phase

NOTHING_TO_TAKE_BACK = "there is no step to take back; abandon the session to begin another"


class Refused(Exception):
    """A command is refused: a short code word and one line of text.

    ``code`` is ``phase`` (not possible now), ``missing`` (no such string, fret or item), ``range`` (a value out of
    range) or ``refused`` (for safety or by rule).
    """

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text


class Ignored(Exception):
    """A note that is no evidence, and why."""


@dataclass(frozen=True)
class LastTime:
    """An instrument at its last session: as its file had it when that began, and as it was left, with what was measured
    in it."""

    filed: Instrument
    left: Instrument


@dataclass(frozen=True)
class Begin:
    """A set-up.

    ``frets``: what to compare (``advice.compared_frets``); empty: fret 12. ``day``: today, as 2026-11-25, for the age
    of strings; empty if not known. ``last_time``: the instrument's last session; None for its first. ``by_hand``: each
    step waits for ``Next``.
    """

    instrument: Instrument
    label: str
    tolerance_cents: float = 2.0
    frets: str = ""
    day: str = ""
    last_time: LastTime | None = None
    by_hand: bool = False


@dataclass(frozen=True)
class Quick:
    """A quick check.

    ``against``: the last sealed session of this instrument (``session.setup_summary``, JSON), or empty if there is
    none. Without a tolerance, that session's.
    """

    instrument: Instrument
    against: str
    tolerance_cents: float | None = None


@dataclass(frozen=True)
class Inspect:
    """``item`` may be ``all``; ``waived`` needs a note."""

    item: str
    verdict: str
    note: str = ""


@dataclass(frozen=True)
class Measured:
    """``what`` was measured: ``relief``, ``action/treble``, ``action/bass``, ``pickup/treble``, ``pickup/bass``, or
    ``nut/N`` for string N over fret 1. After the inspection it is as the work leaves it."""

    what: str
    value_mm: float


@dataclass(frozen=True)
class Fitted:
    """The strings were put on on this day, as 2026-11-25."""

    day: str


@dataclass(frozen=True)
class Played:
    """The strings were played for so many hours."""

    hours: float


@dataclass(frozen=True)
class Stretched:
    """The strings are stretched in, or not."""

    on: bool


@dataclass(frozen=True)
class Hear:
    """A note was heard; ``only_string`` is its channel's string, when every string has one; ``onset_s`` is its pluck,
    in seconds of what is listened to; ``sound``: the part of it that is kept (``record.kept_sound``, JSON)."""

    reading: Reading
    only_string: int | None = None
    onset_s: float | None = None
    sound: str = ""


@dataclass(frozen=True)
class Next:
    """Go on by hand: what the prompt asks for counts as done."""


@dataclass(frozen=True)
class Undo:
    """Take the last step back."""


@dataclass(frozen=True)
class Finish:
    """Close the record, everything proved or left out with a reason."""


@dataclass(frozen=True)
class Abandon:
    """Close the record as it is."""


@dataclass(frozen=True)
class Focus:
    string: int
    place: Place | None = None


@dataclass(frozen=True)
class Slackened:
    string: int


@dataclass(frozen=True)
class Moved:
    string: int
    mm: float


@dataclass(frozen=True)
class Turned:
    string: int
    turns: float


@dataclass(frozen=True)
class SaddleAt:
    """The saddle is ``at_mm`` from a fixed edge, + away from the nut, as read from a rule or a calliper."""

    string: int
    at_mm: float


@dataclass(frozen=True)
class NutClamps:
    """The clamps of the locking nut were closed or opened."""

    closed: bool


@dataclass(frozen=True)
class SetAside:
    string: int
    reason: str


@dataclass(frozen=True)
class Overrule:
    """Give advice for this string's saddle although a cause was named."""

    string: int


@dataclass(frozen=True)
class Plucked:
    """The answer which string the note in doubt was; without a place: the one in question there, or else open."""

    string: int
    place: Place | None = None


@dataclass(frozen=True)
class Discard:
    """Drop the note in doubt, or else the last pluck of the string in focus."""


@dataclass(frozen=True)
class ByHand:
    """Turn on or off that each step waits for ``Next``."""

    on: bool


@dataclass(frozen=True)
class Listen:
    on: bool


Command = (
    Begin
    | Quick
    | Inspect
    | Measured
    | Fitted
    | Played
    | Stretched
    | Hear
    | Next
    | Undo
    | Finish
    | Abandon
    | Focus
    | Slackened
    | Moved
    | Turned
    | SaddleAt
    | NutClamps
    | SetAside
    | Overrule
    | Plucked
    | Discard
    | ByHand
    | Listen
)


_BETWEEN = (Phase.IDLE, Phase.CLOSED)
_UNDER_WAY = tuple(phase for phase in Phase if phase not in _BETWEEN)
_BY_EAR = (Phase.TUNING, Phase.COMPARING, Phase.MOVING, Phase.RETUNING, Phase.PROVING)
_SET_UP = (*_BY_EAR, Phase.PREPARING, Phase.SECURING)
_WORK = (*_SET_UP, Phase.CHECKING)
_PLUCKED = (Phase.TUNING, Phase.RETUNING, *COMPARED)

POSSIBLE: dict[type[Command], frozenset[Phase]] = {
    command: frozenset(phases)
    for phases, commands in (
        (_BETWEEN, (Begin, Quick)),
        ((Phase.INSPECTING,), (Inspect, Fitted, Played, Stretched)),
        ((Phase.INSPECTING, *_SET_UP), (Measured,)),
        (_UNDER_WAY, (Next, Undo, Abandon, Listen)),
        ((Phase.INSPECTING, *_SET_UP), (ByHand, SaddleAt)),
        (_WORK, (Hear, Finish, SetAside)),
        (_SET_UP, (NutClamps,)),
        (_BY_EAR, (Slackened, Moved, Turned, Overrule)),
        (_PLUCKED, (Focus, Plucked, Discard)),
    )
    for command in commands
}
"""Phases in which a command may be carried out; in every other one it is refused."""

_UNDER_WAY_TEXT = "a session is under way; finish or abandon it first"
_TEXTS: dict[type[Command], str] = {
    Begin: _UNDER_WAY_TEXT,
    Quick: _UNDER_WAY_TEXT,
    Next: "nothing to skip in the phase {phase}",
    Finish: "nothing to finish in the phase {phase}",
    Abandon: "there is no session to abandon",
    Plucked: "no pluck is in doubt",
    Hear: "no string is expected in this phase",
}
_SEALED = "the record is sealed; nothing in it can be undone"


def impossible(command: type[Command], phase: Phase) -> str | None:
    """The reason why a command is not possible in a phase, in one line; None if it is."""
    if phase in POSSIBLE[command]:
        return None
    if command is Undo:
        return _SEALED if phase is Phase.CLOSED else NOTHING_TO_TAKE_BACK
    return _TEXTS.get(command, "not possible in the phase {phase}").format(phase=phase)
