"""Addresses that the daemon sends: state, live values, results and advice of each string, events, service."""

from __future__ import annotations

from oscservice.api import argument_values as codes
from oscservice.api.argument_values import (
    ADVICE,
    AT_FRET,
    AT_STRING,
    BEND,
    EVENT,
    LIVE,
    MAX_FRETS,
    MAX_STRINGS,
    PLACES,
    RESULT,
    SERVICE,
    STATE,
    STRING,
    float_arg,
    int_arg,
    text_arg,
)
from oscservice.instrument.pitch import MOST_SEMITONES
from oscservice.osc.address import Address, Argument

OF_STRINGS: tuple[Address, ...] = (
    Address(f"{AT_STRING}/hz", LIVE, (float_arg("frequency", "Hz", 0),), "First partial now."),
    Address(
        f"{AT_STRING}/cents",
        LIVE,
        (float_arg("deviation", "cents"),),
        "Deviation from the place it is taken for; + sharp.",
    ),
    Address(
        f"{AT_STRING}/bend",
        LIVE,
        (BEND,),
        "That deviation as a 14-bit pitch bend, while a bend range is set: 8192 none, 0 all the way down or further, "
        "16383 all the way up or further.",
    ),
    Address(f"{AT_STRING}/level", LIVE, (float_arg("level", "dBFS"),), "Level now."),
    Address(
        f"{AT_STRING}/sounding", LIVE, (Argument("sounding", "i", switch=True),), "1 while the string sounds, else 0."
    ),
    Address(f"{AT_STRING}/status", RESULT, (text_arg("status", codes.STATUSES),), "How the string stands."),
    Address(f"{AT_STRING}/reason", RESULT, (text_arg("sentence"),), "Why the string is left out; empty if it is not."),
    Address(
        f"{AT_STRING}/plucks/left",
        RESULT,
        (int_arg("plucks", "", 0),),
        "How many more plucks what is being done with the string will take: it is tuned, compared, moved or proved.",
    ),
    Address(
        f"{AT_STRING}/plucks/why",
        RESULT,
        (text_arg("sentence"),),
        "Why these became more than was said before; empty if they did not.",
    ),
    Address(
        f"{AT_STRING}/open/cents", RESULT, (float_arg("deviation", "cents"),), "Open string against its note; + sharp."
    ),
    Address(
        f"{AT_STRING}/open/spread",
        RESULT,
        (float_arg("standard error", "cents", 0),),
        "Standard error of that (1 sd) on a floating bridge, where the strings pull each other; 0 on a fixed one.",
    ),
    Address(
        f"{AT_STRING}/tune/target",
        ADVICE,
        (float_arg("target", "cents"),),
        "Where the open string should stand now, from its note; off 0 while a floating bridge is tuned; + sharp.",
    ),
    Address(
        f"{AT_STRING}/coupling",
        RESULT,
        (float_arg("string 1", "cents"),),
        "What each string from 1 on moves by when this one is tuned 100 cents up; floating bridge only.",
        rest=True,
    ),
    Address(
        f"{AT_STRING}/harmonic/error",
        RESULT,
        (float_arg("error", "cents"),),
        "12th-fret harmonic against the open octave, what stiffness explains taken off; over 1 cent: an uneven string.",
    ),
    Address(
        f"{AT_FRET}/error", RESULT, (float_arg("error", "cents"),), "Fretted note against the open string; + sharp."
    ),
    Address(
        f"{AT_FRET}/spread", RESULT, (float_arg("standard error", "cents", 0),), "Standard error of that error (1 sd)."
    ),
    Address(f"{AT_FRET}/plucks", RESULT, (int_arg("plucks", "", 0),), "Readings behind that error."),
    Address(
        f"{AT_FRET}/ambiguity",
        RESULT,
        (float_arg("distance", "cents"),),
        "That error by the string pitches (all partials together) less the same by the first partials.",
    ),
    Address(
        f"{AT_STRING}/saddle/error",
        RESULT,
        (float_arg("error", "cents"),),
        "All frets compared summed up: the error at fret 12 that the saddle has to null; of one fret, its own.",
    ),
    Address(
        f"{AT_STRING}/saddle/error/spread",
        RESULT,
        (float_arg("standard error", "cents", 0),),
        "Its standard error (1 sd).",
    ),
    Address(
        f"{AT_STRING}/cause",
        RESULT,
        (text_arg("cause"),),
        "What stands behind the error: `saddle` where that is to move and nothing else was named, empty for none.",
    ),
    Address(
        f"{AT_STRING}/cause/probability",
        RESULT,
        (float_arg("probability", "", 0, 1),),
        "How sure a named cause is; 0 for none and for the saddle, which is what is left.",
    ),
    Address(
        f"{AT_STRING}/cause/evidence",
        RESULT,
        (text_arg("sentence"),),
        "What was heard that speaks for it; empty for none.",
    ),
    Address(f"{AT_STRING}/cause/check", RESULT, (text_arg("sentence"),), "What to check by hand; empty for none."),
    Address(
        f"{AT_STRING}/response",
        RESULT,
        (float_arg("ratio", "", 0),),
        "What its moves did, over what geometry lets expect.",
    ),
    Address(
        f"{AT_STRING}/response/oddity",
        RESULT,
        (text_arg("sentence"),),
        "Why a move may have done more than a fifth more or less than it should; empty if it did not.",
    ),
    Address(
        f"{AT_STRING}/nut/height",
        RESULT,
        (float_arg("height", "mm", 0),),
        "Over fret 1, as measured in this session.",
    ),
    Address(
        f"{AT_STRING}/predicted/setback",
        RESULT,
        (float_arg("setback", "mm"),),
        "By the string's build, the saddle's place for a true fret 12, beyond the scale length; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/predicted/spread",
        RESULT,
        (float_arg("standard error", "mm", 0),),
        "Standard error of it (1 sd).",
    ),
    Address(
        f"{AT_STRING}/predicted/tension",
        RESULT,
        (float_arg("tension", "N", 0),),
        "Tension at pitch, by the string's mass.",
    ),
    Address(
        f"{AT_STRING}/predicted/stiffness",
        RESULT,
        (float_arg("inharmonicity", "", 0),),
        "B of the open string: by its build, or as heard once it was.",
    ),
    Address(
        f"{AT_STRING}/check",
        RESULT,
        (text_arg("verdict", codes.CHECKS),),
        "What a quick check says of the string; sent in quick checks only.",
    ),
    Address(
        f"{AT_STRING}/check/what",
        RESULT,
        (text_arg("way", codes.DRIFTS),),
        "In which way it has drifted.",
    ),
    Address(
        f"{AT_STRING}/check/tuning",
        RESULT,
        (float_arg("change", "cents"),),
        "How much the open string has changed since that session; + sharper.",
    ),
    Address(
        f"{AT_STRING}/check/tuning/spread",
        RESULT,
        (float_arg("standard error", "cents", 0),),
        "Standard error of it (1 sd).",
    ),
    Address(
        f"{AT_STRING}/check/intonation",
        RESULT,
        (float_arg("change", "cents"),),
        "How much the fret has changed against its own open string; + sharper.",
    ),
    Address(
        f"{AT_STRING}/check/intonation/spread",
        RESULT,
        (float_arg("standard error", "cents", 0),),
        "Standard error of it (1 sd).",
    ),
    Address(
        f"{AT_STRING}/saddle/move",
        ADVICE,
        (float_arg("move", "mm"),),
        "What the saddle should move; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/saddle/spread",
        ADVICE,
        (float_arg("standard error", "mm", 0),),
        "Standard error of the move (1 sd).",
    ),
    Address(
        f"{AT_STRING}/saddle/turns",
        ADVICE,
        (float_arg("turns", "turns"),),
        "The move in screw turns; 0 without a screw.",
    ),
    Address(
        f"{AT_STRING}/saddle/direction",
        ADVICE,
        (text_arg("direction", codes.DIRECTIONS),),
        "The move's direction in words.",
    ),
    Address(f"{AT_STRING}/saddle/room", ADVICE, (float_arg("room", "mm", 0),), "Travel left in that direction."),
    Address(
        f"{AT_STRING}/saddle/missing",
        ADVICE,
        (float_arg("missing", "mm", 0),),
        "How much more it should move than it can.",
    ),
    Address(
        f"{AT_STRING}/saddle/left",
        ADVICE,
        (float_arg("error", "cents"),),
        "What the move should leave of the error; + sharp.",
    ),
    Address(
        f"{AT_STRING}/saddle/ambiguity",
        ADVICE,
        (float_arg("distance", "mm"),),
        "How much further from the nut the string pitches would put the saddle than the first partials do.",
    ),
    Address(
        f"{AT_STRING}/saddle/moved",
        ADVICE,
        (float_arg("moved", "mm"),),
        "Moved so far in this session; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/nut/move",
        ADVICE,
        (float_arg("move", "mm"),),
        "What the nut would have to move beside the saddle, + away from it. Not known while `untold` says why.",
    ),
    Address(
        f"{AT_STRING}/nut/spread",
        ADVICE,
        (float_arg("standard error", "mm", 0),),
        "Standard error of the move (1 sd).",
    ),
    Address(
        f"{AT_STRING}/nut/untold",
        ADVICE,
        (text_arg("sentence"),),
        "Why the nut's part can't be told; empty if it can.",
    ),
    Address(
        f"{AT_STRING}/ways_out",
        ADVICE,
        (text_arg("sentences"),),
        "What helps where the saddle's travel is too short, the least harm first, `; ` between; empty where it is not.",
    ),
    Address(
        f"{AT_STRING}/ways_out/caution",
        ADVICE,
        (text_arg("sentence"),),
        "What to be careful of in that; empty if nothing.",
    ),
)
"""In the order of the reference page."""


_ANSWER_IN_DOUBT = (
    *(int_arg("string", "", 0, MAX_STRINGS), text_arg("place", PLACES), int_arg("fret", "", 0, MAX_FRETS)),
    float_arg("probability", "", 0, 1),
)

SENT: tuple[Address, ...] = (
    Address("/phase", STATE, (text_arg("phase", codes.PHASES),), "Where the session stands."),
    Address("/prompt", STATE, (text_arg("code"),), "The one thing to do next, as one of the prompt codes."),
    Address("/prompt/text", STATE, (text_arg("sentence"),), "The one thing to do next, as a sentence."),
    Address(
        "/prompt/caution", STATE, (text_arg("sentence"),), "What to be careful of while doing it; empty if nothing."
    ),
    Address("/focus/string", STATE, (int_arg("string", "", 0, MAX_STRINGS),), "String in focus; 0 for none."),
    Address("/focus/place", STATE, (text_arg("place", PLACES),), "Place in focus on that string."),
    Address("/focus/fret", STATE, (int_arg("fret", "", 0, MAX_FRETS),), "Fret in focus; 0 unless the place is fret."),
    Address("/doubt/first", STATE, _ANSWER_IN_DOUBT, "What the last note most probably was, while that is in doubt."),
    Address("/doubt/second", STATE, _ANSWER_IN_DOUBT, "What it may have been instead. Say which it was: `plucked`."),
    Address("/revision", STATE, (int_arg("revision", "", 0),), "Goes up by one with every change of the session."),
    Address("/session/id", STATE, (text_arg("session"),), "Name of the open session; empty for none."),
    Address("/session/offered", STATE, (text_arg("session"),), "An open session that can be resumed; empty for none."),
    Address("/instrument", STATE, (text_arg("instrument"),), "Name of the instrument on the bench; empty for none."),
    Address("/tolerance", STATE, (float_arg("tolerance", "cents", 0),), "Error within which a string is settled."),
    Address(
        "/frets", STATE, (text_arg("frets"),), "Frets compared, as `1 3 5x2 12` (x2: counts twice); empty for none."
    ),
    Address(
        "/check/against",
        STATE,
        (text_arg("session"),),
        "The sealed session that a quick check is held against; empty while what is on the bench is no quick check.",
    ),
    Address(
        "/check/running", STATE, (text_arg("set"),), "The set of recordings that is being checked; empty for none."
    ),
    Address(
        "/bend/range",
        STATE,
        (int_arg("range", "semitones", 0, MOST_SEMITONES),),
        "How far up or down a whole pitch bend is; 0: no bends are sent.",
    ),
    Address("/listening", STATE, (int_arg("on", "", 0, 1),), "0 while what is heard is not used; see `/listen`."),
    Address("/by_hand", STATE, (int_arg("on", "", 0, 1),), "1 while nothing advances by itself."),
    Address("/inspect/{item}", STATE, (text_arg("state", codes.INSPECTION_STATES),), "How an inspection item stands."),
    Address(
        "/inspect/{item}/note",
        STATE,
        (text_arg("sentence"),),
        "Why an item was waived or failed; empty for none.",
    ),
    Address(
        "/inspect/{item}/off",
        STATE,
        (text_arg("sentence"),),
        "By how much what was measured is off what is wanted; empty if nothing stands against passing the item.",
    ),
    Address("/inspect/relief/value", STATE, (float_arg("relief", "mm"),), "Relief as measured in this session."),
    Address("/inspect/action/treble", STATE, (float_arg("action", "mm", 0),), "Action as measured, treble side."),
    Address("/inspect/action/bass", STATE, (float_arg("action", "mm", 0),), "Action as measured, bass side."),
    Address("/inspect/strings/days", STATE, (int_arg("age", "days", 0),), "How old the strings are, once known."),
    Address(
        "/changes",
        STATE,
        (text_arg("sentences"),),
        "What differs since this instrument's last session, and what to expect of it; `; ` between, empty for none.",
    ),
    *OF_STRINGS,
    Address(
        "/change",
        EVENT,
        (text_arg("what"), text_arg("sentence")),
        "Something is different since this instrument's last session: `string/N`, `reference`, `relief`, `bridge`, "
        "`strings`, `tension`, or what was measured; and what to expect of it.",
    ),
    Address(
        "/cause",
        EVENT,
        (
            *(text_arg("strings"), int_arg("fret", "", 0, MAX_FRETS), text_arg("cause", codes.CAUSES)),
            *(float_arg("size"), float_arg("standard error", "", 0), text_arg("unit", ("mm", "cents"))),
            *(float_arg("probability", "", 0, 1), text_arg("evidence")),
        ),
        "A cause was named. Strings as `1, 2, 3`; fret 0 for none; size and its standard error in the unit.",
    ),
    Address(
        "/check/string",
        EVENT,
        (
            *(STRING, text_arg("verdict", codes.CHECKS), text_arg("way", codes.DRIFTS)),
            *(float_arg("tuning", "cents"), float_arg("its standard error", "cents", 0)),
            *(float_arg("intonation", "cents"), float_arg("its standard error", "cents", 0)),
        ),
        "A quick check's verdict on a string, and what has changed since the session it is held against; + sharper.",
    ),
    Address(
        "/check/recorded",
        EVENT,
        (
            int_arg("string", "", 0, MAX_STRINGS),
            *(text_arg("verdict", codes.RECORDED_VERDICTS), text_arg("what", codes.RECORDED_FINDINGS)),
            *(float_arg("size", "cents"), float_arg("its standard error", "cents", 0), text_arg("where")),
        ),
        "What a set of recordings says of a string: its verdict, the finding that decides it, and where that was, as "
        "`string 6 fret 12`; + sharp. String 0: a note that belongs to no string.",
    ),
    Address(
        "/check/summary",
        EVENT,
        (
            *(text_arg("set"), text_arg("verdict", codes.RECORDED_ENDINGS)),
            *(int_arg(name, "", 0) for name in ("holding", "drifted or out", "unsure", "files refused")),
            text_arg("sentence"),
        ),
        "The check of a set of recordings has ended: how many strings (of a set without strings: notes) hold, have "
        "drifted or are out of tolerance, can't be told; files that could not be used; and the same in words.",
    ),
    Address(
        "/reading",
        EVENT,
        (
            *(
                STRING,
                text_arg("place", PLACES),
                int_arg("fret", "", 0, MAX_FRETS),
                text_arg("note"),
                int_arg("midi note", "", 0, 127),
            ),
            *(
                float_arg("frequency", "Hz", 0),
                float_arg("deviation", "cents"),
                float_arg("standard error", "cents", 0),
            ),
            float_arg("level", "dBFS"),
        ),
        "One note's settled pitch, committed to the journal. The note is the one that this place on this string is "
        "meant to sound; the deviation is from where that note is wanted: in equal temperament at the instrument's own "
        "A4 and in its own tuning, the string's own offset in it; + sharp.",
    ),
    Address(
        "/reading/bend",
        EVENT,
        (STRING, int_arg("midi note", "", 0, 127), BEND),
        "With each reading while a bend range is set: its note, and its deviation as a pitch bend.",
    ),
    Address("/reading/ignored", EVENT, (text_arg("reason"),), "A note was heard and is not used."),
    Address("/event", EVENT, (text_arg("sentence"),), "The session changed state."),
    Address(
        "/simulator/done", EVENT, (float_arg("time", "s", 0),), "A wait of the simulated guitar has passed, all heard."
    ),
    Address(
        "/alive",
        SERVICE,
        (int_arg("uptime", "s", 0), int_arg("subscribers", "", 0), text_arg("audio state", codes.AUDIO_STATES)),
        "Heartbeat.",
    ),
    Address("/audio/state", SERVICE, (text_arg("audio state", codes.AUDIO_STATES),), "How the audio source stands."),
    Address("/audio/dropped", SERVICE, (int_arg("frames", "", 0),), "Frames lost since the start."),
    Address("/audio/fault", SERVICE, (text_arg("sentence"),), "What is wrong with the audio source; empty if nothing."),
    Address(
        "/plugins/disabled",
        SERVICE,
        (text_arg("sentences"),),
        "Plug-ins that failed and are used no more, each name with the reason, `; ` between; empty for none.",
    ),
    Address("/record/state", SERVICE, (text_arg("record state", codes.RECORD_STATES),), "How the record stands."),
    Address(
        "/record/fault", SERVICE, (text_arg("sentence"),), "Why it is in memory only; empty while it is on the disk."
    ),
    Address(
        "/record/sound", SERVICE, (text_arg("sound state", codes.SOUND_STATES),), "How the keeping of sound stands."
    ),
)
"""In the order of the reference page."""
