"""Mistakes that a simulated technician can be told to make, each once: steps left out or done wrongly."""

from __future__ import annotations

from enum import StrEnum


class Mistake(StrEnum):
    """One mistake; the value is its name on the command line."""

    FINE_TUNERS = "fine-tuners"
    NUT_CLAMP = "nut-clamp"
    NUT_LOCK = "nut-lock"
    PEG_WHEN_LOCKED = "peg-when-locked"
    WRONG_PEG = "wrong-peg"
    WRONG_WAY = "wrong-way"
    SLACKENING = "slackening"
    WRONG_STRING = "wrong-string"
    SADDLE_MOVE = "saddle-move"
    SADDLE_WAY = "saddle-way"
    SADDLE_CLAMP = "saddle-clamp"
    STRETCHING = "stretching"


MISTAKE_TEXTS: dict[Mistake, str] = {
    Mistake.FINE_TUNERS: "the fine tuners are not set to the middle",
    Mistake.NUT_CLAMP: "the nut clamps are not opened at the start",
    Mistake.NUT_LOCK: "the nut clamps are not closed before the last pass",
    Mistake.PEG_WHEN_LOCKED: "a peg is turned while the nut is closed, instead of a fine tuner",
    Mistake.WRONG_PEG: "the peg of another string is turned",
    Mistake.WRONG_WAY: "a peg is turned the wrong way",
    Mistake.SLACKENING: "a string is not slackened before its saddle is to be moved",
    Mistake.WRONG_STRING: "another string is slackened",
    Mistake.SADDLE_MOVE: "a saddle is not moved",
    Mistake.SADDLE_WAY: "a saddle is moved the wrong way",
    Mistake.SADDLE_CLAMP: "the clamp screw of a saddle is left loose",
    Mistake.STRETCHING: "a new string is not stretched in",
}
"""Each mistake in words."""
