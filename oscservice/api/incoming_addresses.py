"""Addresses that a client sends, questions and commands, each with the function that carries it out.

A handler takes the context, the call with its checked arguments, and the sender; it returns what follows the address in
the reply, or raises OscRefusal. ``/subscribe``, ``/confirm``, ``/unsubscribe`` and ``/ping`` have none: the OSC server
carries them out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from oscservice import __version__
from oscservice.advice.remaining_errors import StringRemains
from oscservice.api import argument_values as codes
from oscservice.api.argument_values import (
    AT_STRING,
    CLIENT,
    COMMAND,
    MAX_STRINGS,
    SIMULATOR,
    STRING,
    float_arg,
    int_arg,
    length_arg,
    place_arg,
    text_arg,
)
from oscservice.api.handler_context import CommandContext, Reply, Simulator
from oscservice.errors import InputError, JournalError
from oscservice.instrument.pitch import MOST_SEMITONES, Place
from oscservice.instrument.setup_targets import MOST_HOURS_PLAYED
from oscservice.instrument.spec import Instrument
from oscservice.instrument.tunings import in_tuning
from oscservice.osc.address import Address, Argument, Call
from oscservice.osc.peer import Peer
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.session import commands as cm
from oscservice.session.commands import POSSIBLE
from oscservice.session.decide import SADDLE_AT_RANGE_MM
from oscservice.session.vocabulary import TOLERANCE_RANGE_CENTS, Phase

COMMAND_CALLS = 8
"""Calls that a command to the session counts as: its events are written to the disk before it is answered."""
SUBSCRIPTION_CALLS = 16
"""Calls that a subscription counts as: the topics are parsed, and the whole state follows."""
PROTOCOL = 2
"""Number of the address space; it goes up when an address changes its meaning."""
NOT_SIMULATED = "only the simulated source takes this command"

REFUSAL_CODES: dict[str, ErrorCode] = {
    "phase": ErrorCode.WRONG_PHASE,
    "missing": ErrorCode.NOT_FOUND,
    "range": ErrorCode.OUT_OF_RANGE,
    "refused": ErrorCode.REFUSED,
}


def _status(context: CommandContext, call: Call, sender: Peer) -> Reply:
    return context.status()


def _version(context: CommandContext, call: Call, sender: Peer) -> Reply:
    return ("oscservice", __version__, PROTOCOL)


def _listen(context: CommandContext, call: Call, sender: Peer) -> Reply:
    context.listen(cm.Listen(bool(call.args[0])))
    return ()


def _set_bend_range(context: CommandContext, call: Call, sender: Peer) -> Reply:
    context.set_bend_range(int(call.args[0]))
    return ()


def _run_check(context: CommandContext, call: Call, sender: Peer) -> Reply:
    context.run_check(str(call.args[0]))
    return ()


def _stop_check(context: CommandContext, call: Call, sender: Peer) -> Reply:
    context.stop_check()
    return ()


def _check_sets(context: CommandContext, call: Call, sender: Peer) -> Reply:
    return context.check_sets()


def _remains(context: CommandContext, call: Call, sender: Peer) -> Reply:
    return _left(context, call).errors_cents


def _remains_spread(context: CommandContext, call: Call, sender: Peer) -> Reply:
    return _left(context, call).se_cents


def _left(context: CommandContext, call: Call) -> StringRemains:
    try:
        return context.remaining(call.params["string"])
    except cm.Refused as refusal:
        raise _refused(refusal) from None


def _resume(context: CommandContext, call: Call, sender: Peer) -> Reply:
    session_id = str(call.args[0])
    try:
        context.resume(session_id)
    except cm.Refused as refusal:
        raise _refused(refusal) from None
    except JournalError as error:
        raise OscRefusal(ErrorCode.REFUSED, str(error)) from None
    return (session_id,)


def _pluck(simulator: Simulator, string: int, place: str, pull_mm: float = 1.0) -> None:
    simulator.pluck(string, Place.parse(place), pull_mm)


def _plain(context: CommandContext, call: Call) -> cm.Command:
    """Return the command whose fields are the address's placeholder and the arguments, in this order."""
    assert isinstance(call.address, SessionAddress)
    made: cm.Command = call.address.command(*call.params.values(), *call.args)  # type: ignore[arg-type]
    return made


@dataclass(frozen=True, eq=False)
class SessionAddress(Address):
    """An address whose message is a command to the session, possible in that command's phases only."""

    command: type[cm.Command] = cm.Next
    make: Callable[[CommandContext, Call], cm.Command] = _plain

    @property
    def phases(self) -> tuple[str, ...]:
        """The phases in which it is possible, in their usual order."""
        return tuple(str(one) for one in Phase if one in POSSIBLE[self.command])

    @property
    def meaning(self) -> str:
        return f"{super().meaning} Phases: {', '.join(self.phases)}."


def _carry_out(context: CommandContext, call: Call, sender: Peer) -> Reply:
    """Carry out a command to the session; the reply names the session where the address says so."""
    assert isinstance(call.address, SessionAddress)
    try:
        session_id = context.carry_out(call.address.make(context, call))
    except cm.Refused as refusal:
        raise _refused(refusal) from None
    return (session_id,) if call.address.answer else ()


def _refused(refusal: cm.Refused) -> OscRefusal:
    return OscRefusal(REFUSAL_CODES[refusal.code], refusal.text)


def _at_place(context: CommandContext, call: Call) -> cm.Command:
    assert isinstance(call.address, SessionAddress)
    given = str(call.args[0]) if call.args else ""
    try:
        place = Place.parse(given) if given else None
    except ValueError as error:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, str(error)) from None
    return call.address.command(call.params["string"], place)  # type: ignore[call-arg,arg-type]


def _by_hand(context: CommandContext, call: Call) -> cm.Command:
    return cm.ByHand(bool(call.args[0]))


def _stretched(context: CommandContext, call: Call) -> cm.Command:
    return cm.Stretched(bool(call.args[0]))


def _nut_clamps(context: CommandContext, call: Call) -> cm.Command:
    return cm.NutClamps(bool(call.args[0]))


def _begin(context: CommandContext, call: Call) -> cm.Command:
    name, label, *rest = call.args
    tolerance = float(rest[0]) if rest else context.tolerance_cents
    frets, tuning = (*map(str, rest[1:]), "", "")[:2]
    return cm.Begin(_instrument(context, str(name), tuning), str(label), tolerance, frets)


def _quick(context: CommandContext, call: Call) -> cm.Command:
    name, *rest = call.args
    instrument = _instrument(context, str(name), str(rest[1]) if len(rest) > 1 else "")
    try:
        against = context.last_sealed(instrument)
    except JournalError as error:
        raise OscRefusal(ErrorCode.REFUSED, f"the last sealed session can't be read: {error}") from None
    return cm.Quick(instrument, against, float(rest[0]) if rest else None)


def _instrument(context: CommandContext, name: str, tuning: str) -> Instrument:
    """Return an instrument by its name, in one of its tunings; an empty one is that of its file."""
    try:
        instrument = context.instrument(name)
        return in_tuning(instrument, tuning) if tuning else instrument
    except (InputError, ValueError) as error:
        raise OscRefusal(ErrorCode.NOT_FOUND, str(error)) from None


def _command(
    path: str,
    command: type[cm.Command],
    arguments: tuple[Argument, ...],
    text: str,
    answer: tuple[Argument, ...] = (),
    make: Callable[[CommandContext, Call], cm.Command] = _plain,
    handler: Callable[[CommandContext, Call, Peer], Reply] = _carry_out,
) -> Address:
    """Return the address of a command to the session. ``make`` makes the command of a call."""
    return SessionAddress(
        path, COMMAND, arguments, text, answer, handler, cost=COMMAND_CALLS, command=command, make=make
    )


def _simulator(
    path: str,
    arguments: tuple[Argument, ...],
    text: str,
    method: Callable[..., Reply | None],
    answer: tuple[Argument, ...] = (),
) -> Address:
    """Return the address of a command to the simulated guitar.

    ``method`` takes the simulator and the arguments; it returns the answer, if there is one.
    """

    def handler(context: CommandContext, call: Call, sender: Peer) -> Reply:
        if context.simulator is None:
            raise OscRefusal(ErrorCode.REFUSED, NOT_SIMULATED)
        try:
            return method(context.simulator, *call.args) or ()
        except ValueError as error:
            raise OscRefusal(ErrorCode.REFUSED, str(error)) from None

    return Address(path, COMMAND, arguments, text, answer, handler, group=SIMULATOR)


_REPLY_PORT = Argument("port", "i", "", 1024, 65535, optional=True, or_zero=True)

RECEIVED: tuple[Address, ...] = (
    Address(
        "/subscribe",
        CLIENT,
        (
            _REPLY_PORT,
            Argument("topics", "s", optional=True),
            Argument("rate", "f", "Hz", 0, 100, optional=True),
            Argument("bundle", "i", optional=True, switch=True),
        ),
        "Send me the whole state, then every change. Repeating it renews the lease and may change the options. Port: "
        "for a client that listens on another port and gets its answers there (0: this one). Topics: addresses or "
        "patterns, spaces between. Rate: the highest rate of a value (0: the default); events are always sent. "
        "Bundle 1: values that are sent together arrive in one packet.",
        answer=(int_arg("lease", "s", 0), Argument("token", "s", optional=True)),
        cost=SUBSCRIPTION_CALLS,
    ),
    Address(
        "/confirm",
        CLIENT,
        (text_arg("token"),),
        "Returns the token, which shows that packets arrive. Required of a subscriber over UDP from another machine.",
        answer=(int_arg("lease", "s", 0),),
    ),
    Address("/unsubscribe", CLIENT, (_REPLY_PORT,), "Ends the subscription."),
    Address("/ping", CLIENT, (), "Renews the lease and shows that the daemon answers."),
    Address(
        "/status",
        CLIENT,
        (),
        "Status of the daemon.",
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
        handler=_status,
    ),
    Address(
        "/version",
        CLIENT,
        (),
        "Program and version of the daemon.",
        answer=(text_arg("program"), text_arg("version"), int_arg("protocol", "", 1)),
        handler=_version,
    ),
    Address(
        "/listen",
        CLIENT,
        (Argument("on", "i", switch=True),),
        "1: use the sound; 0: ignore the input, in this session and in later ones. `undo` doesn't affect it.",
        handler=_listen,
    ),
    Address(
        "/bend/set",
        CLIENT,
        (int_arg("range", "semitones", 0, MOST_SEMITONES),),
        "Send deviations also as pitch bends with this range; 0: no bends. Applies to all subscribers.",
        handler=_set_bend_range,
    ),
    Address(
        "/check/run",
        CLIENT,
        (text_arg("set"),),
        "Check a named set of recordings while the session goes on. The answer comes at the start; then "
        "`/check/recorded` for each string, and `/check/summary` at the end. One set at a time (code 7).",
        handler=_run_check,
    ),
    Address("/check/stop", CLIENT, (), "Stop the check of recordings, if one is running.", handler=_stop_check),
    Address(
        "/check/sets",
        CLIENT,
        (),
        "Names of the sets of recordings.",
        answer=(text_arg("name of each set, one after the other"),),
        handler=_check_sets,
    ),
    Address(
        f"{AT_STRING}/remains",
        CLIENT,
        (),
        "Expected error at every fret, from where it is wanted, with the saddle where it is, measured or not; + sharp.",
        answer=(float_arg("error at fret 1, 2, 3 and so on to the last", "cents"),),
        handler=_remains,
    ),
    Address(
        f"{AT_STRING}/remains/spread",
        CLIENT,
        (),
        "Standard errors of these (1 sd).",
        answer=(float_arg("standard error at fret 1, 2, 3 and so on to the last", "cents", 0),),
        handler=_remains_spread,
    ),
    _command(
        "/session/begin",
        cm.Begin,
        (
            *(text_arg("instrument"), text_arg("label")),
            Argument("tolerance", "f", "cents", *TOLERANCE_RANGE_CENTS, optional=True),
            Argument("frets", "s", optional=True),
            Argument("tuning", "s", optional=True),
        ),
        "Begin a session; `.` is the instrument that the daemon was started with. Frets to compare: `12` by default, "
        "or such as `1 3 5x2 12` (x2: counts twice), or `thorough`. Tuning: one that the instrument file names, or two "
        "such as `standard + drop D`, for saddles that serve both; by default that of the file.",
        answer=(text_arg("session"),),
        make=_begin,
    ),
    _command(
        "/session/quick",
        cm.Quick,
        (
            text_arg("instrument"),
            Argument("tolerance", "f", "cents", *TOLERANCE_RANGE_CENTS, optional=True),
            Argument("tuning", "s", optional=True),
        ),
        "Check every string open and at fret 12 against the last sealed session in this tuning. `.` is the instrument "
        "that the daemon was started with. Tolerance: by default that of the sealed session. Tuning: as in "
        "`/session/begin`.",
        answer=(text_arg("session"),),
        make=_quick,
    ),
    _command(
        "/session/resume",
        cm.Begin,
        (text_arg("session"),),
        "Resume an open session.",
        answer=(text_arg("session"),),
        handler=_resume,
    ),
    _command(
        "/session/inspect",
        cm.Inspect,
        (text_arg("item"), text_arg("verdict", codes.VERDICTS), Argument("note", "s", optional=True)),
        "Give the verdict on an inspection item, or with `all` on all that wait. A waived item needs a note.",
    ),
    _command(
        "/session/measured",
        cm.Measured,
        (text_arg("what"), length_arg("value", -2, 20)),
        "A measured value: `relief`, `action/treble` or `action/bass` over fret 12, `pickup/treble` or `pickup/bass` "
        "held at the last fret, or `nut/N`: string N over fret 1. After the inspection it is recorded as left.",
    ),
    _command(
        "/session/fitted",
        cm.Fitted,
        (text_arg("day"),),
        "The day on which the strings were fitted, such as `2026-11-25`; gives their age.",
    ),
    _command(
        "/session/played",
        cm.Played,
        (float_arg("hours", "h", 0, MOST_HOURS_PLAYED),),
        "The hours for which the strings were played.",
    ),
    _command(
        "/session/stretched",
        cm.Stretched,
        (Argument("on", "i", switch=True),),
        "1: the strings are stretched in; 0: they are not.",
        make=_stretched,
    ),
    _command(
        "/session/next",
        cm.Next,
        (),
        "Go on to the next step.",
    ),
    _command(
        "/session/by_hand",
        cm.ByHand,
        (Argument("on", "i", switch=True),),
        "1: each step waits for `/session/next`; 0: hands free.",
        make=_by_hand,
    ),
    _command(
        "/session/undo",
        cm.Undo,
        (),
        "Undo the last step.",
    ),
    _command(
        "/session/finish",
        cm.Finish,
        (),
        "Seal the record of a proved instrument.",
    ),
    _command(
        "/session/abandon",
        cm.Abandon,
        (),
        "Close the session unfinished.",
    ),
    _command(
        f"{AT_STRING}/focus",
        cm.Focus,
        (place_arg(),),
        "Go to this string next, at a place such as `open`, `harmonic` or `fret 12`.",
        make=_at_place,
    ),
    _command(
        f"{AT_STRING}/slackened",
        cm.Slackened,
        (),
        "The string is slack; its saddle may be moved.",
    ),
    _command(
        f"{AT_STRING}/moved",
        cm.Moved,
        (length_arg("move", -25, 25),),
        "The saddle was moved; + away from the nut.",
    ),
    _command(
        f"{AT_STRING}/turned",
        cm.Turned,
        (float_arg("turns", "turns", -60, 60),),
        "The screw was turned; + away from the nut.",
    ),
    _command(
        f"{AT_STRING}/saddle/at",
        cm.SaddleAt,
        (length_arg("place", *SADDLE_AT_RANGE_MM),),
        "Place of the saddle, read from any fixed edge; + away from the nut. Send it before and after a move: the "
        "difference is the move.",
    ),
    _command(
        "/nut/closed",
        cm.NutClamps,
        (Argument("closed", "i", switch=True),),
        "1: the clamps of the locking nut were closed; 0: opened. For what happens out of turn; prompts ask for it.",
        make=_nut_clamps,
    ),
    _command(
        f"{AT_STRING}/overrule",
        cm.Overrule,
        (),
        "Give advice on this string's saddle although a cause was named.",
    ),
    _command(
        f"{AT_STRING}/set_aside",
        cm.SetAside,
        (text_arg("reason"),),
        "Leave this string out of the session.",
    ),
    _command(
        f"{AT_STRING}/plucked",
        cm.Plucked,
        (place_arg(),),
        "The unclear note was this string, at the place in question or at another such as `open` or `fret 12`.",
        make=_at_place,
    ),
    _command(
        "/reading/discard",
        cm.Discard,
        (),
        "Do not use the unclear note; if there is none, the last reading.",
    ),
    _simulator(
        "/simulator/pluck",
        (STRING, text_arg("place"), Argument("strength", "f", "mm", 0.1, 6, optional=True)),
        "Pluck a string at a place such as `open` or `fret 12`; the strength is how far it is pulled aside.",
        _pluck,
    ),
    _simulator(
        "/simulator/peg",
        (STRING, float_arg("change", "cents", -2400, 2400)),
        "Turn a tuner; + up. While the nut clamp over the string is closed, it winds only what lies behind the nut.",
        lambda simulator, string, cents: simulator.turn_peg(string, cents),
    ),
    _simulator(
        "/simulator/slacken",
        (STRING,),
        "Slacken a string completely, or what lies behind the nut while the nut clamp over it is closed.",
        lambda simulator, string: simulator.slacken(string),
    ),
    _simulator(
        "/simulator/saddle",
        (STRING, float_arg("move", "mm", -25, 25), Argument("clamp", "i", optional=True, switch=True)),
        "Move a saddle; + away from the nut. Clamp 0 leaves its clamp screw loose: it slides when the string is tuned.",
        lambda simulator, string, mm, clamp=1: simulator.move_saddle(string, mm, bool(clamp)),
    ),
    _simulator(
        "/simulator/nut",
        (Argument("string", "i", "", 1, MAX_STRINGS, or_zero=True), Argument("closed", "i", switch=True)),
        "Close (1) or open (0) the clamp of the nut over a string; string 0: all clamps.",
        lambda simulator, string, closed: simulator.set_clamp(string, bool(closed)),
    ),
    _simulator(
        "/simulator/fine_tuner",
        (STRING, float_arg("change", "cents", -1200, 1200)),
        "Turn a fine tuner; + up. At an end of its travel it stops.",
        lambda simulator, string, cents: simulator.turn_fine_tuner(string, cents),
        answer=(float_arg("change done", "cents"), float_arg("place in its travel", "", 0, 1)),
    ),
    _simulator(
        "/simulator/fine_tuner/centre",
        (),
        "Turn all fine tuners to the middle of their travel.",
        lambda simulator: simulator.centre_fine_tuners(),
    ),
    _simulator(
        "/simulator/stretch",
        (STRING,),
        "Pull a string along its length: a new string is then nearly stretched in.",
        lambda simulator, string: simulator.stretch(string),
    ),
    _simulator("/simulator/damp", (), "Lay a hand on all strings.", lambda simulator: simulator.damp()),
    _simulator(
        "/simulator/wait",
        (float_arg("time", "s", 0, 60),),
        "Let time pass.",
        lambda simulator, seconds: simulator.wait(seconds),
    ),
    _simulator(
        "/simulator/truth",
        (STRING,),
        "True values of a string of the simulated guitar.",
        lambda simulator, string: simulator.truth(string),
        answer=(float_arg("open frequency", "Hz", 0), float_arg("error at fret 12", "cents")),
    ),
)
"""In the order of the reference page."""
