"""The OSC address space: every address declared once.

Type checks, dispatch, publishing and the reference page all come from :data:`TABLE`. Addresses here are relative to
the root, ``/bench`` unless configured otherwise. ``{string}`` counts from 1, the thinnest; ``{fret}`` from 1.

Type tags are OSC 1.0's ``i`` (int32), ``f`` (float32) and ``s`` (string); ``?`` marks an argument that may be left
out, ``…`` any further arguments.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache

from oscservice.osc import codes
from oscservice.osc.declaration import Address as Address
from oscservice.osc.declaration import Argument as Argument
from oscservice.osc.declaration import Direction as Direction
from oscservice.session.words import TOLERANCE_RANGE_CENTS

DEFAULT_PREFIX = "/bench"
MAX_STRINGS = 12
MAX_FRETS = 36


def _i(name: str, unit: str = "", low: float | None = None, high: float | None = None) -> Argument:
    return Argument(name, "i", unit, low, high)


def _f(name: str, unit: str = "", low: float | None = None, high: float | None = None) -> Argument:
    return Argument(name, "f", unit, low, high)


def _s(name: str, words: Iterable[str] = ()) -> Argument:
    return Argument(name, "s", words=tuple(words))


_STRING = _i("string", "", 1, MAX_STRINGS)
_S = "/string/{string}"
_FRET = _S + "/fret/{fret}"
_PLACES = ("open", "harmonic", "fret")
_STATE, _LIVE, _RESULT, _ADVICE = Direction.STATE, Direction.LIVE, Direction.RESULT, Direction.ADVICE
_EVENT, _SERVICE, _CLIENT, _COMMAND = Direction.EVENT, Direction.SERVICE, Direction.CLIENT, Direction.COMMAND
_REPLY_PORT = Argument("port", "i", "", 1024, 65535, optional=True)

_ANSWER_IN_DOUBT = (
    *(_i("string", "", 0, MAX_STRINGS), _s("place", _PLACES), _i("fret", "", 0, MAX_FRETS)),
    _f("probability", "", 0, 1),
)

TABLE: tuple[Address, ...] = (
    Address("/phase", _STATE, (_s("phase", codes.PHASES),), "Where the session stands."),
    Address("/prompt", _STATE, (_s("code"),), "The one thing to do next, as one of the prompt codes."),
    Address("/prompt/text", _STATE, (_s("sentence"),), "The one thing to do next, as a sentence."),
    Address("/prompt/caution", _STATE, (_s("sentence"),), "What to be careful of while doing it; empty if nothing."),
    Address("/focus/string", _STATE, (_i("string", "", 0, MAX_STRINGS),), "String in focus; 0 for none."),
    Address("/focus/place", _STATE, (_s("place", _PLACES),), "Place in focus on that string."),
    Address("/focus/fret", _STATE, (_i("fret", "", 0, MAX_FRETS),), "Fret in focus; 0 unless the place is fret."),
    Address("/doubt/first", _STATE, _ANSWER_IN_DOUBT, "What the last note most probably was, while that is in doubt."),
    Address("/doubt/second", _STATE, _ANSWER_IN_DOUBT, "What it may have been instead. Say which it was: `plucked`."),
    Address("/revision", _STATE, (_i("revision", "", 0),), "Goes up by one with every change of the session."),
    Address("/session/id", _STATE, (_s("session"),), "Name of the open session; empty for none."),
    Address("/session/offered", _STATE, (_s("session"),), "An open session that can be resumed; empty for none."),
    Address("/instrument", _STATE, (_s("instrument"),), "Name of the instrument on the bench; empty for none."),
    Address("/tolerance", _STATE, (_f("tolerance", "cents", 0),), "Error within which a string is settled."),
    Address("/frets", _STATE, (_s("frets"),), "Frets compared, as `1 3 5x2 12` (x2: counts twice); empty for none."),
    Address("/inspect/{item}", _STATE, (_s("state", codes.INSPECTION_STATES),), "How an inspection item stands."),
    Address(f"{_S}/hz", _LIVE, (_f("frequency", "Hz", 0),), "First partial now."),
    Address(f"{_S}/cents", _LIVE, (_f("deviation", "cents"),), "Deviation from the place it is taken for; + sharp."),
    Address(f"{_S}/level", _LIVE, (_f("level", "dBFS"),), "Level now."),
    Address(f"{_S}/sounding", _LIVE, (Argument("sounding", "i", switch=True),), "1 while the string sounds, else 0."),
    Address(f"{_S}/status", _RESULT, (_s("status", codes.STATUSES),), "How the string stands."),
    Address(f"{_S}/reason", _RESULT, (_s("sentence"),), "Why the string is left out; empty if it is not."),
    Address(f"{_S}/open/cents", _RESULT, (_f("deviation", "cents"),), "Open string against its note; + sharp."),
    Address(
        f"{_S}/harmonic/error",
        _RESULT,
        (_f("error", "cents"),),
        "12th-fret harmonic against the open octave, what stiffness explains taken off; over 1 cent: an uneven string.",
    ),
    Address(f"{_FRET}/error", _RESULT, (_f("error", "cents"),), "Fretted note against the open string; + sharp."),
    Address(f"{_FRET}/spread", _RESULT, (_f("standard error", "cents", 0),), "Standard error of that error (1 sd)."),
    Address(f"{_FRET}/plucks", _RESULT, (_i("plucks", "", 0),), "Readings behind that error."),
    Address(
        f"{_FRET}/ambiguity",
        _RESULT,
        (_f("distance", "cents"),),
        "That error by the string pitches (all partials together) less the same by the first partials.",
    ),
    Address(
        f"{_S}/saddle/error",
        _RESULT,
        (_f("error", "cents"),),
        "All frets compared summed up: the error at fret 12 that the saddle has to null; of one fret, its own.",
    ),
    Address(f"{_S}/saddle/error/spread", _RESULT, (_f("standard error", "cents", 0),), "Its standard error (1 sd)."),
    Address(
        f"{_S}/cause",
        _RESULT,
        (_s("cause"),),
        "What stands behind the error: `saddle` where that is to move and nothing else was named, empty for none.",
    ),
    Address(
        f"{_S}/cause/probability",
        _RESULT,
        (_f("probability", "", 0, 1),),
        "How sure a named cause is; 0 for none and for the saddle, which is what is left.",
    ),
    Address(f"{_S}/cause/evidence", _RESULT, (_s("sentence"),), "What was heard that speaks for it; empty for none."),
    Address(f"{_S}/cause/check", _RESULT, (_s("sentence"),), "What to check by hand; empty for none."),
    Address(f"{_S}/response", _RESULT, (_f("ratio", "", 0),), "What its moves did, over what geometry lets expect."),
    Address(
        f"{_S}/response/oddity",
        _RESULT,
        (_s("sentence"),),
        "Why a move may have done more than a fifth more or less than it should; empty if it did not.",
    ),
    Address(
        f"{_S}/predicted/setback",
        _RESULT,
        (_f("setback", "mm"),),
        "By the string's build, the saddle's place for a true fret 12, beyond the scale length; + away from the nut.",
    ),
    Address(f"{_S}/predicted/spread", _RESULT, (_f("standard error", "mm", 0),), "Standard error of it (1 sd)."),
    Address(f"{_S}/predicted/tension", _RESULT, (_f("tension", "N", 0),), "Tension at pitch, by the string's mass."),
    Address(
        f"{_S}/predicted/stiffness",
        _RESULT,
        (_f("inharmonicity", "", 0),),
        "B of the open string: by its build, or as heard once it was.",
    ),
    Address(f"{_S}/saddle/move", _ADVICE, (_f("move", "mm"),), "What the saddle should move; + away from the nut."),
    Address(f"{_S}/saddle/spread", _ADVICE, (_f("standard error", "mm", 0),), "Standard error of the move (1 sd)."),
    Address(f"{_S}/saddle/turns", _ADVICE, (_f("turns", "turns"),), "The move in screw turns; 0 without a screw."),
    Address(f"{_S}/saddle/direction", _ADVICE, (_s("direction", codes.DIRECTIONS),), "The move's direction in words."),
    Address(f"{_S}/saddle/room", _ADVICE, (_f("room", "mm", 0),), "Travel left in that direction."),
    Address(f"{_S}/saddle/missing", _ADVICE, (_f("missing", "mm", 0),), "How much more it should move than it can."),
    Address(f"{_S}/saddle/left", _ADVICE, (_f("error", "cents"),), "What the move should leave of the error; + sharp."),
    Address(
        f"{_S}/saddle/ambiguity",
        _ADVICE,
        (_f("distance", "mm"),),
        "How much further from the nut the string pitches would put the saddle than the first partials do.",
    ),
    Address(f"{_S}/saddle/moved", _ADVICE, (_f("moved", "mm"),), "Moved so far in this session; + away from the nut."),
    Address(
        f"{_S}/nut/move",
        _ADVICE,
        (_f("move", "mm"),),
        "What the nut would have to move beside the saddle, + away from it. Not known while `untold` says why.",
    ),
    Address(f"{_S}/nut/spread", _ADVICE, (_f("standard error", "mm", 0),), "Standard error of the move (1 sd)."),
    Address(f"{_S}/nut/untold", _ADVICE, (_s("sentence"),), "Why the nut's part can't be told; empty if it can."),
    Address(
        f"{_S}/ways_out",
        _ADVICE,
        (_s("sentences"),),
        "What helps where the saddle's travel is too short, the least harm first, `; ` between; empty where it is not.",
    ),
    Address(f"{_S}/ways_out/caution", _ADVICE, (_s("sentence"),), "What to be careful of in that; empty if nothing."),
    Address(
        "/cause",
        _EVENT,
        (
            *(_s("strings"), _i("fret", "", 0, MAX_FRETS), _s("cause", codes.CAUSES)),
            *(_f("size"), _f("standard error", "", 0), _s("unit", ("mm", "cents"))),
            *(_f("probability", "", 0, 1), _s("evidence")),
        ),
        "A cause was named. Strings as `1, 2, 3`; fret 0 for none; size and its standard error in the unit.",
    ),
    Address(
        "/reading",
        _EVENT,
        (
            *(_STRING, _s("place", _PLACES), _i("fret", "", 0, MAX_FRETS), _s("note"), _i("midi note", "", 0, 127)),
            *(_f("frequency", "Hz", 0), _f("deviation", "cents"), _f("standard error", "cents", 0)),
            _f("level", "dBFS"),
        ),
        "One note's settled pitch, committed to the journal.",
    ),
    Address("/reading/ignored", _EVENT, (_s("reason"),), "A note was heard and is not used."),
    Address("/event", _EVENT, (_s("sentence"),), "The session changed state."),
    Address("/simulator/done", _EVENT, (_f("time", "s", 0),), "A wait of the simulated guitar has passed, all heard."),
    Address(
        "/alive",
        _SERVICE,
        (_i("uptime", "s", 0), _i("subscribers", "", 0), _s("audio state", codes.AUDIO_STATES)),
        "Heartbeat.",
    ),
    Address("/audio/state", _SERVICE, (_s("audio state", codes.AUDIO_STATES),), "How the audio source stands."),
    Address("/audio/dropped", _SERVICE, (_i("frames", "", 0),), "Frames lost since the start."),
    Address("/audio/fault", _SERVICE, (_s("sentence"),), "What is wrong with the audio source; empty if nothing."),
    Address(
        "/subscribe",
        _CLIENT,
        (_REPLY_PORT,),
        "Send me the whole state, then every change. Again renews. The port is for a client that listens on another.",
        answer=(_i("lease", "s", 0),),
    ),
    Address("/unsubscribe", _CLIENT, (_REPLY_PORT,), "Send me nothing more."),
    Address("/ping", _CLIENT, (), "Renews the lease and shows that the daemon answers."),
    Address(
        "/status",
        _CLIENT,
        (),
        "How the daemon is.",
        answer=(
            *(_i("uptime", "s", 0), _i("subscribers", "", 0), _s("audio state", codes.AUDIO_STATES)),
            *(_s("phase", codes.PHASES), _i("packets", "", 0), _i("bad packets", "", 0), _i("dropped packets", "", 0)),
        ),
    ),
    Address("/version", _CLIENT, (), "Which daemon.", answer=(_s("program"), _s("version"), _i("protocol", "", 1))),
    Address(
        f"{_S}/remains",
        _CLIENT,
        (),
        "What to tell the player: the error at every fret, measured or not, + sharp, the saddle as it stands.",
        answer=(_f("error at fret 1, 2, 3 and so on to the last", "cents"),),
    ),
    Address(
        f"{_S}/remains/spread",
        _CLIENT,
        (),
        "Standard errors of these (1 sd).",
        answer=(_f("standard error at fret 1, 2, 3 and so on to the last", "cents", 0),),
    ),
    Address(
        "/session/begin",
        _COMMAND,
        (
            *(_s("instrument"), _s("label")),
            Argument("tolerance", "f", "cents", *TOLERANCE_RANGE_CENTS, optional=True),
            Argument("frets", "s", optional=True),
        ),
        "Begin a session. Frets to compare: `12` if not given, or as `1 3 5x2 12` (x2: counts twice), or `thorough`.",
        answer=(_s("session"),),
    ),
    Address("/session/resume", _COMMAND, (_s("session"),), "Go on with an open session.", answer=(_s("session"),)),
    Address(
        "/session/inspect",
        _COMMAND,
        (_s("item"), _s("verdict", codes.VERDICTS), Argument("note", "s", optional=True)),
        "Settle an inspection item, or all that wait with the item `all`. A waived item needs a note.",
    ),
    Address("/session/next", _COMMAND, (), "Go on to the next step."),
    Address("/session/undo", _COMMAND, (), "Take the last step back."),
    Address("/session/finish", _COMMAND, (), "Seal the record of a proved instrument."),
    Address("/session/abandon", _COMMAND, (), "Close the session as it stands."),
    Address(
        f"{_S}/focus",
        _COMMAND,
        (Argument("place", "s", optional=True),),
        "Take this string next, at a place such as `open`, `harmonic` or `fret 12`.",
    ),
    Address(f"{_S}/slackened", _COMMAND, (), "The string is slack; its saddle may be moved."),
    Address(f"{_S}/moved", _COMMAND, (_f("move", "mm", -25, 25),), "The saddle was moved; + away from the nut."),
    Address(f"{_S}/turned", _COMMAND, (_f("turns", "turns", -60, 60),), "The screw was turned; + away from the nut."),
    Address(f"{_S}/overrule", _COMMAND, (), "Advise on this string's saddle all the same, whatever cause was named."),
    Address(f"{_S}/set_aside", _COMMAND, (_s("reason"),), "Leave this string out of the session."),
    Address(
        f"{_S}/plucked",
        _COMMAND,
        (Argument("place", "s", optional=True),),
        "The note in doubt was this string, at the place in question or at another such as `open` or `fret 12`.",
    ),
    Address("/reading/discard", _COMMAND, (), "Do not use the note in doubt, or else the last reading."),
    Address(
        "/listen", _COMMAND, (Argument("on", "i", switch=True),), "1 to use what is heard, 0 to pay no heed to it."
    ),
    Address(
        "/simulator/pluck",
        _COMMAND,
        (_STRING, _s("place"), Argument("strength", "f", "mm", 0.1, 6, optional=True)),
        "Pluck a string at a place such as `open` or `fret 12`; the strength is how far it is pulled aside.",
        simulated=True,
    ),
    Address(
        "/simulator/peg", _COMMAND, (_STRING, _f("change", "cents", -2400, 2400)), "Turn a peg; + up.", simulated=True
    ),
    Address("/simulator/slacken", _COMMAND, (_STRING,), "Let a string down until it is slack.", simulated=True),
    Address(
        "/simulator/saddle",
        _COMMAND,
        (_STRING, _f("move", "mm", -25, 25)),
        "Move a saddle; + away from the nut.",
        simulated=True,
    ),
    Address("/simulator/damp", _COMMAND, (), "Lay a hand on all strings.", simulated=True),
    Address("/simulator/wait", _COMMAND, (_f("time", "s", 0, 60),), "Let time pass.", simulated=True),
    Address(
        "/simulator/truth",
        _COMMAND,
        (_STRING,),
        "The simulated guitar's own truth about a string.",
        answer=(_f("open frequency", "Hz", 0), _f("error at fret 12", "cents")),
        simulated=True,
    ),
    Address("/reply", Direction.ANSWER, (_s("address"),), "A message was carried out.", rest=True),
    Address(
        "/error",
        Direction.ANSWER,
        (_s("address"), _i("code", "", 1, 9), _s("sentence")),
        "A message was not carried out.",
    ),
)

_PLACEHOLDERS: Mapping[str, re.Pattern[str]] = {
    "{string}": re.compile("[1-9][0-9]?"),
    "{fret}": re.compile("[1-9][0-9]?"),
    "{item}": re.compile("[a-z][a-z0-9_]{0,30}"),
}
_LIMITS = {"{string}": MAX_STRINGS, "{fret}": MAX_FRETS}
_PARTS = tuple((address, tuple(address.path.split("/"))) for address in TABLE)


def _fits(declared: str, given: str) -> bool:
    if declared not in _PLACEHOLDERS:
        return declared == given
    if _PLACEHOLDERS[declared].fullmatch(given) is None:
        return False
    return declared not in _LIMITS or int(given) <= _LIMITS[declared]


@lru_cache(maxsize=4096)
def _find(concrete: str) -> tuple[Address, tuple[tuple[str, int | str], ...]] | None:
    parts = tuple(concrete.split("/"))
    for address, declared in _PARTS:
        if len(declared) == len(parts) and all(map(_fits, declared, parts)):
            pairs = [(d, p) for d, p in zip(declared, parts, strict=True) if d.startswith("{")]
            return address, tuple((d[1:-1], int(p) if d in _LIMITS else p) for d, p in pairs)
    return None


def lookup(concrete: str) -> tuple[Address, dict[str, int | str]] | None:
    """The declaration of a concrete relative address such as ``/string/3/cents`` and what its placeholders stand for.

    ``{"string": 3}`` here; ``string`` and ``fret`` are ints, ``item`` is a str. None if no such address is declared.
    """
    found = _find(concrete)
    return None if found is None else (found[0], dict(found[1]))


def concrete_addresses(
    string_count: int,
    *,
    fret_count: int = 24,
    items: Iterable[str] = (),
    directions: Iterable[Direction] = tuple(Direction),
    simulated: bool = True,
) -> list[str]:
    """Every concrete relative address of an instrument, in the order of the table.

    ``items`` are the inspection items; ``simulated`` says whether the simulator's commands are among them.
    """
    values: dict[str, list[int | str]] = {
        "string": list(range(1, string_count + 1)),
        "fret": list(range(1, fret_count + 1)),
        "item": list(items),
    }
    wanted = set(directions)
    found: list[str] = []
    for address in TABLE:
        if address.direction not in wanted or (address.simulated and not simulated):
            continue
        filled: list[dict[str, int | str]] = [{}]
        for name in address.placeholders:
            filled = [{**one, name: value} for one in filled for value in values[name]]
        found += [address.fill(**one) for one in filled]
    return found
