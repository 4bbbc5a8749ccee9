"""Addresses that a client sends: questions and commands."""

from __future__ import annotations

from oscservice.api import argument_values as codes
from oscservice.api.argument_values import AT_STRING, STRING, float_arg, int_arg, text_arg
from oscservice.instrument.pitch import MOST_SEMITONES
from oscservice.osc.address import Address, Argument, Direction
from oscservice.session import commands as cm
from oscservice.session.vocabulary import TOLERANCE_RANGE_CENTS

_CLIENT, _COMMAND = Direction.CLIENT, Direction.COMMAND
_REPLY_PORT = Argument("port", "i", "", 1024, 65535, optional=True, or_zero=True)

RECEIVED: tuple[Address, ...] = (
    Address(
        "/subscribe",
        _CLIENT,
        (
            _REPLY_PORT,
            Argument("topics", "s", optional=True),
            Argument("rate", "f", "Hz", 0, 100, optional=True),
            Argument("bundle", "i", optional=True, switch=True),
        ),
        "Send me the whole state, then every change. Again renews, and changes what is sent. The port (0: this one) is "
        "for a client that listens on another, and gets its answers there. Topics: addresses or patterns, spaces "
        "between. Rate: how often a value may come (0: as usual); events always come. Bundle 1: what goes out together "
        "comes in one packet.",
        answer=(int_arg("lease", "s", 0), Argument("token", "s", optional=True)),
    ),
    Address(
        "/confirm",
        _CLIENT,
        (text_arg("token"),),
        "I got your token: what I am sent does reach me. Asked of who subscribes over UDP from another machine.",
        answer=(int_arg("lease", "s", 0),),
    ),
    Address("/unsubscribe", _CLIENT, (_REPLY_PORT,), "Send me nothing more."),
    Address("/ping", _CLIENT, (), "Renews the lease and shows that the daemon answers."),
    Address(
        "/status",
        _CLIENT,
        (),
        "How the daemon is.",
        answer=(
            *(int_arg("uptime", "s", 0), int_arg("subscribers", "", 0), text_arg("audio state", codes.AUDIO_STATES)),
            *(
                text_arg("phase", codes.PHASES),
                int_arg("packets", "", 0),
                int_arg("bad packets", "", 0),
                int_arg("dropped packets", "", 0),
                int_arg("refused packets", "", 0),
                int_arg("unsent packets", "", 0),
                int_arg("packets lost in the system", "", 0),
                int_arg("bundles waiting", "", 0),
                int_arg("connections", "", 0),
            ),
        ),
    ),
    Address(
        "/version",
        _CLIENT,
        (),
        "Which daemon.",
        answer=(text_arg("program"), text_arg("version"), int_arg("protocol", "", 1)),
    ),
    Address(
        "/listen",
        _CLIENT,
        (Argument("on", "i", switch=True),),
        "1 to use what is heard, 0 to pay no heed to it, in this session and in those to come. No step to take back.",
    ),
    Address(
        "/bend/set",
        _CLIENT,
        (int_arg("range", "semitones", 0, MOST_SEMITONES),),
        "Send deviations as pitch bends too, all the way being so many semitones; 0: don't. Holds for all subscribers.",
    ),
    Address(
        "/check/run",
        _CLIENT,
        (text_arg("set"),),
        "Check a named set of recordings, beside whatever the session does. The answer says that it has begun; then "
        "comes `/check/recorded` for each string, and `/check/summary` at the end. One set at a time (code 7).",
    ),
    Address("/check/stop", _CLIENT, (), "Stop the check of recordings that is under way, if one is."),
    Address(
        "/check/sets",
        _CLIENT,
        (),
        "Which sets of recordings can be checked.",
        answer=(text_arg("name of each set, one after the other"),),
    ),
    Address(
        f"{AT_STRING}/remains",
        _CLIENT,
        (),
        "What to tell the player: the error at every fret, measured or not, + sharp, the saddle as it stands.",
        answer=(float_arg("error at fret 1, 2, 3 and so on to the last", "cents"),),
    ),
    Address(
        f"{AT_STRING}/remains/spread",
        _CLIENT,
        (),
        "Standard errors of these (1 sd).",
        answer=(float_arg("standard error at fret 1, 2, 3 and so on to the last", "cents", 0),),
    ),
    Address(
        "/session/begin",
        _COMMAND,
        (
            *(text_arg("instrument"), text_arg("label")),
            Argument("tolerance", "f", "cents", *TOLERANCE_RANGE_CENTS, optional=True),
            Argument("frets", "s", optional=True),
        ),
        "Begin a session; `.` is the instrument that the daemon was started with. Frets to compare: `12` if not given, "
        "or as `1 3 5x2 12` (x2: counts twice), or `thorough`.",
        answer=(text_arg("session"),),
        command=cm.Begin,
    ),
    Address(
        "/session/quick",
        _COMMAND,
        (text_arg("instrument"), Argument("tolerance", "f", "cents", *TOLERANCE_RANGE_CENTS, optional=True)),
        "Check every string open and at fret 12 against the last sealed session. `.` is the instrument that the daemon "
        "was started with. Tolerance: as then if not given.",
        answer=(text_arg("session"),),
        command=cm.Quick,
    ),
    Address(
        "/session/resume",
        _COMMAND,
        (text_arg("session"),),
        "Go on with an open session.",
        answer=(text_arg("session"),),
        command=cm.Begin,
    ),
    Address(
        "/session/inspect",
        _COMMAND,
        (text_arg("item"), text_arg("verdict", codes.VERDICTS), Argument("note", "s", optional=True)),
        "Settle an inspection item, or all that wait with the item `all`. A waived item needs a note.",
        command=cm.Inspect,
    ),
    Address(
        "/session/measured",
        _COMMAND,
        (text_arg("what"), float_arg("value", "mm", -2, 10)),
        "What was measured before the start: `relief`, `action/treble` or `action/bass` over fret 12, or `nut/N`: "
        "string N over fret 1.",
        command=cm.Measured,
    ),
    Address(
        "/session/fitted",
        _COMMAND,
        (text_arg("day"),),
        "When the strings were put on, as `2026-11-25`; for their age.",
        command=cm.Fitted,
    ),
    Address(
        "/session/next",
        _COMMAND,
        (),
        "Go on to the next step.",
        command=cm.Next,
    ),
    Address(
        "/session/by_hand",
        _COMMAND,
        (Argument("on", "i", switch=True),),
        "1: nothing advances by itself, `/session/next` takes each step; 0: hands free.",
        command=cm.ByHand,
    ),
    Address(
        "/session/undo",
        _COMMAND,
        (),
        "Take the last step back.",
        command=cm.Undo,
    ),
    Address(
        "/session/finish",
        _COMMAND,
        (),
        "Seal the record of a proved instrument.",
        command=cm.Finish,
    ),
    Address(
        "/session/abandon",
        _COMMAND,
        (),
        "Close the session as it stands.",
        command=cm.Abandon,
    ),
    Address(
        f"{AT_STRING}/focus",
        _COMMAND,
        (Argument("place", "s", optional=True, place=True),),
        "Take this string next, at a place such as `open`, `harmonic` or `fret 12`.",
        command=cm.Focus,
    ),
    Address(
        f"{AT_STRING}/slackened",
        _COMMAND,
        (),
        "The string is slack; its saddle may be moved.",
        command=cm.Slackened,
    ),
    Address(
        f"{AT_STRING}/moved",
        _COMMAND,
        (float_arg("move", "mm", -25, 25),),
        "The saddle was moved; + away from the nut.",
        command=cm.Moved,
    ),
    Address(
        f"{AT_STRING}/turned",
        _COMMAND,
        (float_arg("turns", "turns", -60, 60),),
        "The screw was turned; + away from the nut.",
        command=cm.Turned,
    ),
    Address(
        f"{AT_STRING}/overrule",
        _COMMAND,
        (),
        "Advise on this string's saddle all the same, whatever cause was named.",
        command=cm.Overrule,
    ),
    Address(
        f"{AT_STRING}/set_aside",
        _COMMAND,
        (text_arg("reason"),),
        "Leave this string out of the session.",
        command=cm.SetAside,
    ),
    Address(
        f"{AT_STRING}/plucked",
        _COMMAND,
        (Argument("place", "s", optional=True, place=True),),
        "The note in doubt was this string, at the place in question or at another such as `open` or `fret 12`.",
        command=cm.Plucked,
    ),
    Address(
        "/reading/discard",
        _COMMAND,
        (),
        "Do not use the note in doubt, or else the last reading.",
        command=cm.Discard,
    ),
    Address(
        "/simulator/pluck",
        _COMMAND,
        (STRING, text_arg("place"), Argument("strength", "f", "mm", 0.1, 6, optional=True)),
        "Pluck a string at a place such as `open` or `fret 12`; the strength is how far it is pulled aside.",
        simulated=True,
    ),
    Address(
        "/simulator/peg",
        _COMMAND,
        (STRING, float_arg("change", "cents", -2400, 2400)),
        "Turn a peg; + up.",
        simulated=True,
    ),
    Address("/simulator/slacken", _COMMAND, (STRING,), "Let a string down until it is slack.", simulated=True),
    Address(
        "/simulator/saddle",
        _COMMAND,
        (STRING, float_arg("move", "mm", -25, 25)),
        "Move a saddle; + away from the nut.",
        simulated=True,
    ),
    Address("/simulator/damp", _COMMAND, (), "Lay a hand on all strings.", simulated=True),
    Address("/simulator/wait", _COMMAND, (float_arg("time", "s", 0, 60),), "Let time pass.", simulated=True),
    Address(
        "/simulator/truth",
        _COMMAND,
        (STRING,),
        "The simulated guitar's own truth about a string.",
        answer=(float_arg("open frequency", "Hz", 0), float_arg("error at fret 12", "cents")),
        simulated=True,
    ),
)
"""In the order of the reference page."""
