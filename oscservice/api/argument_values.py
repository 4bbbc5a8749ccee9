"""Words, numbers and kinds of arguments that the address table is made of.

Each table of words maps the value as it is sent to one line of text for the person who builds a surface on it.
"""

from __future__ import annotations

from collections.abc import Iterable

from oscservice.advice.causes import Cause
from oscservice.instrument.length import parse_length_mm
from oscservice.instrument.pitch import BEND_HIGHEST, Place
from oscservice.osc.address import Argument, Direction
from oscservice.osc.refusal import ErrorCode
from oscservice.session.vocabulary import (
    CHECK_TEXTS,
    DRIFT_TEXTS,
    INSPECTION_ITEMS,
    MISSED_TEXTS,
    PHASE_TEXTS,
    STATUS_TEXTS,
    VERDICT_TEXTS,
    InspectionVerdict,
    Status,
)

STATE = Direction("state")
LIVE = Direction("live", live=True, kept=True)
RESULT = Direction("result")
ADVICE = Direction("advice")
EVENT = Direction("event", event=True, kept=True)
SERVICE = Direction("service", kept=True)
CLIENT = Direction("client", incoming=True)
COMMAND = Direction("command", incoming=True, critical=True)
ANSWER = Direction("answer", answer=True)

ERROR_TEXTS: dict[ErrorCode, str] = {
    ErrorCode.UNKNOWN_ADDRESS: "unknown address, or a pattern that matches no command",
    ErrorCode.WRONG_TYPES: "wrong number or types of arguments",
    ErrorCode.OUT_OF_RANGE: "an argument is out of range",
    ErrorCode.WRONG_PHASE: "not possible in this phase",
    ErrorCode.NOT_FOUND: "not found: instrument, session, string, fret, set of recordings or subscription",
    ErrorCode.BAD_PACKET: "bad packet: not OSC, or larger or deeper than the limits",
    ErrorCode.TOO_MANY: "too many at once: subscribers, scheduled bundles, or checks of recordings",
    ErrorCode.REFUSED: "refused, for safety or by the settings",
    ErrorCode.FAILED: "internal failure; see the daemon's log",
}

NOTICES: dict[str, str] = {"": "nothing was noticed"} | {str(word): text for word, text in MISSED_TEXTS.items()}
NUT_STATES: dict[str, str] = {
    "none": "there is no locking nut",
    "unknown": "nobody has said yet",
    "open": "pegs reach the strings",
    "closed": "only the fine tuners do",
}
SENSES: dict[str, str] = {
    "": "no screw, no move, or not known",
    "clockwise": "seen from the screw's head",
    "counterclockwise": "seen from the screw's head",
}
PHASES: dict[str, str] = {str(word): text for word, text in PHASE_TEXTS.items()}
STATUSES: dict[str, str] = {str(word): text for word, text in STATUS_TEXTS.items()}
INSPECTION_STATES: dict[str, str] = {str(word): text for word, text in VERDICT_TEXTS.items()}
VERDICTS: dict[str, str] = {word: text for word, text in INSPECTION_STATES.items() if word != InspectionVerdict.WAITING}
CHECKS: dict[str, str] = {str(word): text for word, text in CHECK_TEXTS.items()} | {
    str(InspectionVerdict.WAITING): "not checked yet",
    str(Status.SET_ASIDE): STATUS_TEXTS[Status.SET_ASIDE],
}
DRIFTS: dict[str, str] = {str(word): text for word, text in DRIFT_TEXTS.items()}
ITEMS: dict[str, str] = INSPECTION_ITEMS

DIRECTIONS: dict[str, str] = {
    "toward the nut": "shorten the string: the fretted note is flat",
    "away from the nut": "lengthen the string: the fretted note is sharp",
    "stay": "within the tolerance",
    "none": "no advice yet",
}

CAUSES: tuple[str, ...] = tuple(map(str, Cause))
"""Possible causes of an error."""

AUDIO_STATES: dict[str, str] = {
    "starting": "the source is being opened",
    "running": "blocks of samples arrive",
    "ended": "the file or stream has ended",
    "lost": "the device disappeared",
}

RECORD_STATES: dict[str, str] = {
    "recording": "all announced events are on the disk",
    "in memory": "the journal can't be written; the daemon tries each second, and the events are lost if it ends first",
}

SOUND_STATES: dict[str, str] = {
    "off": "no sound is kept (`--keep-audio`)",
    "kept": "the sound of each reading is written beside the journal",
    "failing": "it can't be written now; the daemon tries every two seconds",
    "full": "this session's sound alone fills the limit; no more of it is kept",
}


MAX_STRINGS = 12
MAX_FRETS = 36


def int_arg(name: str, unit: str = "", low: float | None = None, high: float | None = None) -> Argument:
    """An int32 argument, in a unit and between limits."""
    return Argument(name, "i", unit, low, high)


def float_arg(name: str, unit: str = "", low: float | None = None, high: float | None = None) -> Argument:
    """A float32 argument, in a unit and between limits."""
    return Argument(name, "f", unit, low, high)


def length_arg(name: str, low_mm: float, high_mm: float) -> Argument:
    """A length between limits: a float32 argument in mm, or a text such as ``0.008 in``."""
    return Argument(name, "f", "mm", low_mm, high_mm, read=parse_length_mm)


def place_arg() -> Argument:
    """An optional place on a string, such as ``open``, ``harmonic`` or ``fret 12``."""
    return Argument("place", "s", optional=True, check=Place.parse)


def text_arg(name: str, words: Iterable[str] = ()) -> Argument:
    """A string argument of one of these words, or of any."""
    return Argument(name, "s", words=tuple(words))


STRING = int_arg("string", "", 1, MAX_STRINGS)
BEND = int_arg("bend", "", 0, BEND_HIGHEST)
AT_STRING = "/string/{string}"
AT_FRET = AT_STRING + "/fret/{fret}"
PLACES = ("open", "harmonic", "fret")
SIMULATOR = "simulator"
"""Group of the commands that only the simulated source takes."""
