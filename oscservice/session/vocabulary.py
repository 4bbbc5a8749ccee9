"""The session's fixed words, as they are sent and stored, each with one line of explanation."""

from __future__ import annotations

from enum import StrEnum

from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.sentences.sentence_table import ENGLISH, Sentences


class Phase(StrEnum):
    """Phases of a session."""

    IDLE = "idle"
    INSPECTING = "inspecting"
    PREPARING = "preparing"
    TUNING = "tuning"
    COMPARING = "comparing"
    MOVING = "moving"
    RETUNING = "retuning"
    SECURING = "securing"
    PROVING = "proving"
    CHECKING = "checking"
    CLOSED = "closed"


class Status(StrEnum):
    """States of a string."""

    UNTRIED = "untried"
    COMPARING = "comparing"
    TO_MOVE = "to move"
    SLACK = "slack"
    RETUNING = "retuning"
    SETTLED = "settled"
    OUT_OF_TRAVEL = "out of travel"
    SET_ASIDE = "set aside"
    CHECKED = "checked"


class InspectionVerdict(StrEnum):
    """Verdicts on an inspection item."""

    WAITING = "waiting"
    PASSED = "passed"
    WAIVED = "waived"
    FAILED = "failed"


class Ending(StrEnum):
    """Endings of a session."""

    PROVED = "proved"
    PARTLY_PROVED = "partly proved"
    ABANDONED = "abandoned"
    HOLDS = "holds"
    DRIFTED = "drifted"
    UNSURE = "unsure"


class HandStep(StrEnum):
    """Steps that are done by hand and can't be heard; a pluck or ``next`` says that one is done."""

    CENTRE_FINE_TUNERS = "centre_fine_tuners"
    OPEN_NUT = "open_nut"
    CHECK_ACTION = "check_action"
    CLOSE_NUT = "close_nut"


class MissedStep(StrEnum):
    """Steps that were left out or done wrongly, by what is heard or reported."""

    NUT_STILL_CLOSED = "nut_still_closed"
    NUT_STILL_OPEN = "nut_still_open"
    CLAMP_JUMPED = "clamp_jumped"
    FINE_TUNER_AT_END = "fine_tuner_at_end"
    WRONG_PEG = "wrong_peg"
    WRONG_WAY = "wrong_way"
    NOT_SLACK = "not_slack"
    WRONG_STRING_SLACK = "wrong_string_slack"
    SADDLE_NOT_MOVED = "saddle_not_moved"
    SADDLE_MOVED_WRONG_WAY = "saddle_moved_wrong_way"
    SADDLE_MOVED_OTHERWISE = "saddle_moved_otherwise"
    STILL_STRETCHING = "still_stretching"


class Check(StrEnum):
    """Verdicts of a quick check on a string."""

    HOLDS = "holds"
    DRIFTED = "drifted"
    UNSURE = "unsure"


class Drift(StrEnum):
    """In which way a string has drifted."""

    NONE = "none"
    TUNING = "tuning"
    INTONATION = "intonation"
    BOTH = "both"


COMPARED = (Phase.COMPARING, Phase.PROVING, Phase.CHECKING)
"""Phases in which a fret is compared with its open string."""

TOLERANCE_RANGE_CENTS = (0.2, 20.0)
"""Least and largest tolerance of a session."""

PHASE_TEXTS: dict[Phase, str] = {
    Phase.IDLE: "nothing on the bench",
    Phase.INSPECTING: "the inspection before the start",
    Phase.PREPARING: "fine tuners are set to the middle and nut clamps opened, where there are any",
    Phase.TUNING: "all open strings are tuned to pitch",
    Phase.COMPARING: "open and fretted notes are compared, string by string",
    Phase.MOVING: "a saddle is moved (its string is slackened first if the bridge needs it)",
    Phase.RETUNING: "the moved string (spring-balanced bridge: every string) is tuned back to pitch",
    Phase.SECURING: "nut clamps are closed before the last pass; after long moves the action is measured again",
    Phase.PROVING: "one last pass over every string, open and fretted",
    Phase.CHECKING: "the quick check: open and fret 12 of every string against the last sealed session",
    Phase.CLOSED: "the record is sealed",
}

MISSED_TEXTS: dict[MissedStep, str] = {
    MissedStep.NUT_STILL_CLOSED: "a peg was turned and its string did not follow: its nut clamp may be closed",
    MissedStep.NUT_STILL_OPEN: "no string changed when the nut clamps were to be closed",
    MissedStep.CLAMP_JUMPED: "a string changed by more than a clamp does when it is closed",
    MissedStep.FINE_TUNER_AT_END: "with the nut closed, a string did not follow: its fine tuner may be at its end",
    MissedStep.WRONG_PEG: "a peg was turned and its string did not follow: it may have been another peg",
    MissedStep.WRONG_WAY: "a string was tuned the wrong way",
    MissedStep.NOT_SLACK: "a string that should be slack is at pitch",
    MissedStep.WRONG_STRING_SLACK: "a string that should be slack has risen: another one may be slack",
    MissedStep.SADDLE_NOT_MOVED: "a saddle was not moved",
    MissedStep.SADDLE_MOVED_WRONG_WAY: "a saddle was moved the wrong way",
    MissedStep.SADDLE_MOVED_OTHERWISE: "a saddle was moved by another distance than advised",
    MissedStep.STILL_STRETCHING: "a string goes on falling: it is not stretched in",
}

STATUS_TEXTS: dict[Status, str] = {
    Status.UNTRIED: "not compared yet",
    Status.COMPARING: "is being compared",
    Status.TO_MOVE: "the saddle should move; see the advice",
    Status.SLACK: "the string is slackened",
    Status.RETUNING: "the saddle has moved; bring the string back to pitch",
    Status.SETTLED: "within the tolerance, or as near as the bridge allows",
    Status.OUT_OF_TRAVEL: "the saddle has no travel left in the needed direction",
    Status.SET_ASIDE: "left out, with a reason",
    Status.CHECKED: "compared with the last sealed session; see the check",
}

CHECK_TEXTS: dict[Check, str] = {
    Check.HOLDS: "no change above the limit",
    Check.DRIFTED: "tuning or intonation has changed",
    Check.UNSURE: "the plucks are too few or uneven to decide; check again with even plucks",
}

DRIFT_TEXTS: dict[Drift, str] = {
    Drift.NONE: "no known drift",
    Drift.TUNING: "the open string has another pitch",
    Drift.INTONATION: "the fret has another error against the open string",
    Drift.BOTH: "both",
}

VERDICT_TEXTS: dict[InspectionVerdict, str] = {
    InspectionVerdict.WAITING: "not inspected yet",
    InspectionVerdict.PASSED: "in order",
    InspectionVerdict.WAIVED: "not in order or not inspected, accepted with a reason",
    InspectionVerdict.FAILED: "not in order; correct it before the start",
}

INSPECTION_ITEMS: dict[str, str] = ENGLISH.column("item", "what")
"""Items of the inspection before the start (common practice, no source)."""

FIRST_ITEMS = ("strings", "frets", "relief", "action", "nut", "bridge", "tuning")
"""Items of a session whose journal does not name its own."""

STRINGS = "strings"
"""The item of the strings: they must be new enough."""


def place_text(string: int, place: Place, sentences: Sentences = ENGLISH) -> str:
    """A place on a string in words."""
    kind = {OPEN: "open", HARMONIC: "harmonic"}.get(place, "fretted")
    return sentences.text("words", kind, string=string, fret=place.fret)
