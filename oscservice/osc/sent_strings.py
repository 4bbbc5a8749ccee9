"""Addresses that the daemon sends about a string: live values, results, advice."""

from __future__ import annotations

from oscservice.osc import codes
from oscservice.osc.arguments import (
    AT_FRET,
    AT_STRING,
    BEND,
    float_arg,
    int_arg,
    text_arg,
)
from oscservice.osc.declaration import Address, Argument, Direction

_LIVE, _RESULT, _ADVICE = Direction.LIVE, Direction.RESULT, Direction.ADVICE

OF_STRINGS: tuple[Address, ...] = (
    Address(f"{AT_STRING}/hz", _LIVE, (float_arg("frequency", "Hz", 0),), "First partial now."),
    Address(
        f"{AT_STRING}/cents",
        _LIVE,
        (float_arg("deviation", "cents"),),
        "Deviation from the place it is taken for; + sharp.",
    ),
    Address(
        f"{AT_STRING}/bend",
        _LIVE,
        (BEND,),
        "That deviation as a 14-bit pitch bend, while a bend range is set: 8192 none, 0 all the way down or further, "
        "16383 all the way up or further.",
    ),
    Address(f"{AT_STRING}/level", _LIVE, (float_arg("level", "dBFS"),), "Level now."),
    Address(
        f"{AT_STRING}/sounding", _LIVE, (Argument("sounding", "i", switch=True),), "1 while the string sounds, else 0."
    ),
    Address(f"{AT_STRING}/status", _RESULT, (text_arg("status", codes.STATUSES),), "How the string stands."),
    Address(f"{AT_STRING}/reason", _RESULT, (text_arg("sentence"),), "Why the string is left out; empty if it is not."),
    Address(
        f"{AT_STRING}/plucks/left",
        _RESULT,
        (int_arg("plucks", "", 0),),
        "How many more plucks what is being done with the string will take: it is tuned, compared, moved or proved.",
    ),
    Address(
        f"{AT_STRING}/plucks/why",
        _RESULT,
        (text_arg("sentence"),),
        "Why these became more than was said before; empty if they did not.",
    ),
    Address(
        f"{AT_STRING}/open/cents", _RESULT, (float_arg("deviation", "cents"),), "Open string against its note; + sharp."
    ),
    Address(
        f"{AT_STRING}/open/spread",
        _RESULT,
        (float_arg("standard error", "cents", 0),),
        "Standard error of that (1 sd) on a floating bridge, where the strings pull each other; 0 on a fixed one.",
    ),
    Address(
        f"{AT_STRING}/tune/target",
        _ADVICE,
        (float_arg("target", "cents"),),
        "Where the open string should stand now, from its note; off 0 while a floating bridge is tuned; + sharp.",
    ),
    Address(
        f"{AT_STRING}/coupling",
        _RESULT,
        (float_arg("string 1", "cents"),),
        "What each string from 1 on moves by when this one is tuned 100 cents up; floating bridge only.",
        rest=True,
    ),
    Address(
        f"{AT_STRING}/harmonic/error",
        _RESULT,
        (float_arg("error", "cents"),),
        "12th-fret harmonic against the open octave, what stiffness explains taken off; over 1 cent: an uneven string.",
    ),
    Address(
        f"{AT_FRET}/error", _RESULT, (float_arg("error", "cents"),), "Fretted note against the open string; + sharp."
    ),
    Address(
        f"{AT_FRET}/spread", _RESULT, (float_arg("standard error", "cents", 0),), "Standard error of that error (1 sd)."
    ),
    Address(f"{AT_FRET}/plucks", _RESULT, (int_arg("plucks", "", 0),), "Readings behind that error."),
    Address(
        f"{AT_FRET}/ambiguity",
        _RESULT,
        (float_arg("distance", "cents"),),
        "That error by the string pitches (all partials together) less the same by the first partials.",
    ),
    Address(
        f"{AT_STRING}/saddle/error",
        _RESULT,
        (float_arg("error", "cents"),),
        "All frets compared summed up: the error at fret 12 that the saddle has to null; of one fret, its own.",
    ),
    Address(
        f"{AT_STRING}/saddle/error/spread",
        _RESULT,
        (float_arg("standard error", "cents", 0),),
        "Its standard error (1 sd).",
    ),
    Address(
        f"{AT_STRING}/cause",
        _RESULT,
        (text_arg("cause"),),
        "What stands behind the error: `saddle` where that is to move and nothing else was named, empty for none.",
    ),
    Address(
        f"{AT_STRING}/cause/probability",
        _RESULT,
        (float_arg("probability", "", 0, 1),),
        "How sure a named cause is; 0 for none and for the saddle, which is what is left.",
    ),
    Address(
        f"{AT_STRING}/cause/evidence",
        _RESULT,
        (text_arg("sentence"),),
        "What was heard that speaks for it; empty for none.",
    ),
    Address(f"{AT_STRING}/cause/check", _RESULT, (text_arg("sentence"),), "What to check by hand; empty for none."),
    Address(
        f"{AT_STRING}/response",
        _RESULT,
        (float_arg("ratio", "", 0),),
        "What its moves did, over what geometry lets expect.",
    ),
    Address(
        f"{AT_STRING}/response/oddity",
        _RESULT,
        (text_arg("sentence"),),
        "Why a move may have done more than a fifth more or less than it should; empty if it did not.",
    ),
    Address(
        f"{AT_STRING}/nut/height",
        _RESULT,
        (float_arg("height", "mm", 0),),
        "Over fret 1, as measured in this session.",
    ),
    Address(
        f"{AT_STRING}/predicted/setback",
        _RESULT,
        (float_arg("setback", "mm"),),
        "By the string's build, the saddle's place for a true fret 12, beyond the scale length; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/predicted/spread",
        _RESULT,
        (float_arg("standard error", "mm", 0),),
        "Standard error of it (1 sd).",
    ),
    Address(
        f"{AT_STRING}/predicted/tension",
        _RESULT,
        (float_arg("tension", "N", 0),),
        "Tension at pitch, by the string's mass.",
    ),
    Address(
        f"{AT_STRING}/predicted/stiffness",
        _RESULT,
        (float_arg("inharmonicity", "", 0),),
        "B of the open string: by its build, or as heard once it was.",
    ),
    Address(
        f"{AT_STRING}/check",
        _RESULT,
        (text_arg("verdict", codes.CHECKS),),
        "What a quick check says of the string; sent in quick checks only.",
    ),
    Address(
        f"{AT_STRING}/check/what",
        _RESULT,
        (text_arg("way", codes.DRIFTS),),
        "In which way it has drifted.",
    ),
    Address(
        f"{AT_STRING}/check/tuning",
        _RESULT,
        (float_arg("change", "cents"),),
        "How much the open string has changed since that session; + sharper.",
    ),
    Address(
        f"{AT_STRING}/check/tuning/spread",
        _RESULT,
        (float_arg("standard error", "cents", 0),),
        "Standard error of it (1 sd).",
    ),
    Address(
        f"{AT_STRING}/check/intonation",
        _RESULT,
        (float_arg("change", "cents"),),
        "How much the fret has changed against its own open string; + sharper.",
    ),
    Address(
        f"{AT_STRING}/check/intonation/spread",
        _RESULT,
        (float_arg("standard error", "cents", 0),),
        "Standard error of it (1 sd).",
    ),
    Address(
        f"{AT_STRING}/saddle/move",
        _ADVICE,
        (float_arg("move", "mm"),),
        "What the saddle should move; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/saddle/spread",
        _ADVICE,
        (float_arg("standard error", "mm", 0),),
        "Standard error of the move (1 sd).",
    ),
    Address(
        f"{AT_STRING}/saddle/turns",
        _ADVICE,
        (float_arg("turns", "turns"),),
        "The move in screw turns; 0 without a screw.",
    ),
    Address(
        f"{AT_STRING}/saddle/direction",
        _ADVICE,
        (text_arg("direction", codes.DIRECTIONS),),
        "The move's direction in words.",
    ),
    Address(f"{AT_STRING}/saddle/room", _ADVICE, (float_arg("room", "mm", 0),), "Travel left in that direction."),
    Address(
        f"{AT_STRING}/saddle/missing",
        _ADVICE,
        (float_arg("missing", "mm", 0),),
        "How much more it should move than it can.",
    ),
    Address(
        f"{AT_STRING}/saddle/left",
        _ADVICE,
        (float_arg("error", "cents"),),
        "What the move should leave of the error; + sharp.",
    ),
    Address(
        f"{AT_STRING}/saddle/ambiguity",
        _ADVICE,
        (float_arg("distance", "mm"),),
        "How much further from the nut the string pitches would put the saddle than the first partials do.",
    ),
    Address(
        f"{AT_STRING}/saddle/moved",
        _ADVICE,
        (float_arg("moved", "mm"),),
        "Moved so far in this session; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/nut/move",
        _ADVICE,
        (float_arg("move", "mm"),),
        "What the nut would have to move beside the saddle, + away from it. Not known while `untold` says why.",
    ),
    Address(
        f"{AT_STRING}/nut/spread",
        _ADVICE,
        (float_arg("standard error", "mm", 0),),
        "Standard error of the move (1 sd).",
    ),
    Address(
        f"{AT_STRING}/nut/untold",
        _ADVICE,
        (text_arg("sentence"),),
        "Why the nut's part can't be told; empty if it can.",
    ),
    Address(
        f"{AT_STRING}/ways_out",
        _ADVICE,
        (text_arg("sentences"),),
        "What helps where the saddle's travel is too short, the least harm first, `; ` between; empty where it is not.",
    ),
    Address(
        f"{AT_STRING}/ways_out/caution",
        _ADVICE,
        (text_arg("sentence"),),
        "What to be careful of in that; empty if nothing.",
    ),
)
"""In the order of the reference page."""
