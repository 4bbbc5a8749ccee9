"""The words and numbers that stand in OSC arguments: error codes, phases, statuses, places, directions.

Each table maps the value as it is sent to one line of text for the person who builds a surface on it.
"""

from __future__ import annotations

from enum import IntEnum


class ErrorCode(IntEnum):
    """Second argument of ``/error``. The numbers are fixed: a surface may compare them."""

    UNKNOWN_ADDRESS = 1
    WRONG_TYPES = 2
    OUT_OF_RANGE = 3
    WRONG_PHASE = 4
    NOT_FOUND = 5
    BAD_PACKET = 6
    TOO_MANY = 7
    REFUSED = 8
    FAILED = 9


ERROR_TEXTS: dict[ErrorCode, str] = {
    ErrorCode.UNKNOWN_ADDRESS: "unknown address, or a pattern that matches no command",
    ErrorCode.WRONG_TYPES: "wrong number or types of arguments",
    ErrorCode.OUT_OF_RANGE: "an argument is out of range",
    ErrorCode.WRONG_PHASE: "not possible in this phase",
    ErrorCode.NOT_FOUND: "not found: instrument, session, string, fret or subscription",
    ErrorCode.BAD_PACKET: "bad packet: not OSC, or larger or deeper than the limits",
    ErrorCode.TOO_MANY: "too many subscribers or scheduled bundles",
    ErrorCode.REFUSED: "refused here, for safety or by the settings",
    ErrorCode.FAILED: "failed inside; the daemon's log says why",
}

PHASES: dict[str, str] = {
    "idle": "nothing on the bench",
    "inspecting": "what must be right before starting is being checked",
    "tuning": "all open strings are being brought to pitch",
    "comparing": "open against fretted, string by string",
    "moving": "a string is slack and its saddle is being moved; what is heard is no evidence",
    "retuning": "the moved string (floating bridge: every string) is being brought back to pitch",
    "proving": "one last pass over every string, open and fretted",
    "closed": "the record is sealed",
}

STATUSES: dict[str, str] = {
    "untried": "not compared yet",
    "comparing": "comparison under way",
    "to move": "the saddle should move; see the advice",
    "slack": "the string is slackened",
    "retuning": "the saddle has moved; bring the string back to pitch",
    "settled": "within the tolerance",
    "out of travel": "the saddle has no room left in the direction it should go",
    "set aside": "left out by the technician, with a reason",
}

INSPECTION_STATES: dict[str, str] = {
    "waiting": "not looked at yet",
    "passed": "found right",
    "waived": "passed over, with a note that says why",
}

VERDICTS: dict[str, str] = {
    "passed": "found right",
    "waived": "passed over; needs a note that says why",
    "failed": "found wrong; the item stays waiting",
}

DIRECTIONS: dict[str, str] = {
    "toward the nut": "shorten the string: it frets flat",
    "away from the nut": "lengthen the string: it frets sharp",
    "stay": "within the tolerance",
    "none": "no advice yet",
}

AUDIO_STATES: dict[str, str] = {
    "starting": "the source is being opened",
    "running": "blocks of samples arrive",
    "ended": "a file or stream came to its end",
    "lost": "the device went away",
}


class OscRefusal(Exception):  # noqa: N818 - an answer to the sender, not a fault of the program
    """A message that is answered with ``/error`` instead of ``/reply``.

    Args:
        code: one of the fixed error codes.
        text: one line for the technician: what was wrong, where, and what to do.
    """

    def __init__(self, code: ErrorCode, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text
