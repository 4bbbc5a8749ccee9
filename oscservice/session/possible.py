"""In which phases each command is possible: the one place that says so.

What else a command needs (a string that is there, a pluck in doubt) is looked at where it is carried out.
"""

from __future__ import annotations

from oscservice.session import commands as cm
from oscservice.session.words import COMPARED, Phase

_BETWEEN = (Phase.IDLE, Phase.CLOSED)
_UNDER_WAY = tuple(phase for phase in Phase if phase not in _BETWEEN)
_SET_UP = (Phase.TUNING, Phase.COMPARING, Phase.MOVING, Phase.RETUNING, Phase.PROVING)
_WORK = (*_SET_UP, Phase.CHECKING)
_PLUCKED = (Phase.TUNING, Phase.RETUNING, *COMPARED)

POSSIBLE: dict[type[cm.Command], frozenset[Phase]] = {
    command: frozenset(phases)
    for phases, commands in (
        (_BETWEEN, (cm.Begin, cm.Quick)),
        ((Phase.INSPECTING,), (cm.Inspect, cm.Measured, cm.Fitted)),
        (_UNDER_WAY, (cm.Next, cm.Undo, cm.Abandon, cm.Listen)),
        ((Phase.INSPECTING, *_SET_UP), (cm.ByHand,)),
        (_WORK, (cm.Hear, cm.Finish, cm.SetAside)),
        (_SET_UP, (cm.Slackened, cm.Moved, cm.Turned, cm.Overrule)),
        (_PLUCKED, (cm.Focus, cm.Plucked, cm.Discard)),
    )
    for command in commands
}
"""Phases in which a command may be carried out; in every other one it is refused."""

_UNDER_WAY_TEXT = "a session is under way; finish or abandon it first"
_TEXTS: dict[type[cm.Command], str] = {
    cm.Begin: _UNDER_WAY_TEXT,
    cm.Quick: _UNDER_WAY_TEXT,
    cm.Next: "nothing to pass over in the phase {phase}",
    cm.Finish: "nothing to finish in the phase {phase}",
    cm.Abandon: "there is no session to abandon",
    cm.Plucked: "no pluck is in doubt",
    cm.Hear: "no string is waited for in this phase",
}
_SEALED = "the record is sealed; nothing in it can be taken back"


def impossible(command: type[cm.Command], phase: Phase) -> str | None:
    """Why a command can't be carried out in a phase, in one line; None where the phase doesn't stand against it."""
    if phase in POSSIBLE[command]:
        return None
    if command is cm.Undo:
        return _SEALED if phase is Phase.CLOSED else cm.NOTHING_TO_TAKE_BACK
    return _TEXTS.get(command, "not possible in the phase {phase}").format(phase=phase)
