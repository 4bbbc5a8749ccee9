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
from oscservice.api.check_messages import RECORDED_ENDINGS, RECORDED_FINDINGS, RECORDED_VERDICTS
from oscservice.instrument.pitch import MOST_SEMITONES
from oscservice.osc.address import Address, Argument

OF_STRINGS: tuple[Address, ...] = (
    Address(f"{AT_STRING}/hz", LIVE, (float_arg("frequency", "Hz", 0),), "First partial now."),
    Address(
        f"{AT_STRING}/cents",
        LIVE,
        (float_arg("deviation", "cents"),),
        "Deviation from the pitch of the recognised place; + sharp.",
    ),
    Address(
        f"{AT_STRING}/bend",
        LIVE,
        (BEND,),
        "That deviation as a 14-bit pitch bend, while a bend range is set: 8192 is none, 0 the lowest, "
        "16383 the highest.",
    ),
    Address(f"{AT_STRING}/level", LIVE, (float_arg("level", "dBFS"),), "Level now."),
    Address(
        f"{AT_STRING}/sounding", LIVE, (Argument("sounding", "i", switch=True),), "1 while the string sounds, else 0."
    ),
    Address(f"{AT_STRING}/status", RESULT, (text_arg("status", codes.STATUSES),), "Status of the string."),
    Address(f"{AT_STRING}/reason", RESULT, (text_arg("sentence"),), "Why the string is left out; empty if it is not."),
    Address(
        f"{AT_STRING}/plucks/left",
        RESULT,
        (int_arg("plucks", "", 0),),
        "Number of plucks that the present work on the string still needs: tuning, comparing, moving or the last pass.",
    ),
    Address(
        f"{AT_STRING}/plucks/why",
        RESULT,
        (text_arg("sentence"),),
        "Why this number grew; empty if it did not.",
    ),
    Address(
        f"{AT_STRING}/open/cents",
        RESULT,
        (float_arg("deviation", "cents"),),
        "Deviation of the open string from its note; + sharp.",
    ),
    Address(
        f"{AT_STRING}/open/spread",
        RESULT,
        (float_arg("standard error", "cents", 0),),
        "Its standard error (1 sd) on a spring-balanced bridge, where the strings pull each other; 0 on a fixed one.",
    ),
    Address(
        f"{AT_STRING}/tune/target",
        ADVICE,
        (float_arg("target", "cents"),),
        "Target of the open string, from its note; differs from 0 while a spring-balanced bridge is tuned; + sharp.",
    ),
    Address(
        f"{AT_STRING}/target/hz",
        ADVICE,
        (float_arg("frequency", "Hz", 0),),
        "The frequency to bring the open string to now.",
    ),
    Address(
        f"{AT_STRING}/target/note",
        ADVICE,
        (text_arg("note"), float_arg("deviation", "cents")),
        "The same as a meter shows it: the nearest note, and the cents from it; + sharp.",
    ),
    Address(
        f"{AT_STRING}/nut/shift",
        RESULT,
        (float_arg("change", "cents"),),
        "Change of the open string when the nut clamps were last closed or opened; + sharper.",
    ),
    Address(
        f"{AT_STRING}/coupling",
        RESULT,
        (float_arg("string 1", "cents"),),
        "Change of each string from 1 on when this one is tuned 100 cents up; spring-balanced bridge only.",
        rest=True,
    ),
    Address(
        f"{AT_STRING}/harmonic/error",
        RESULT,
        (float_arg("error", "cents"),),
        "12th-fret harmonic against the open octave, without the effect of stiffness; over 1 cent: an uneven string.",
    ),
    Address(
        f"{AT_FRET}/error",
        RESULT,
        (float_arg("error", "cents"),),
        "Fretted note against the open string, from where the fret is wanted; + sharp.",
    ),
    Address(
        f"{AT_FRET}/spread", RESULT, (float_arg("standard error", "cents", 0),), "Standard error of that error (1 sd)."
    ),
    Address(f"{AT_FRET}/plucks", RESULT, (int_arg("plucks", "", 0),), "Number of readings used for that error."),
    Address(
        f"{AT_FRET}/ambiguity",
        RESULT,
        (float_arg("distance", "cents"),),
        "Error from the string pitches (all partials together) minus the error from the first partials.",
    ),
    Address(
        f"{AT_STRING}/saddle/error",
        RESULT,
        (float_arg("error", "cents"),),
        "The error at fret 12 that the saddle has to cancel, from all frets compared; with one fret, its own error.",
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
        "Cause of the error: `saddle` if the saddle should move and no other cause was named; empty for none.",
    ),
    Address(
        f"{AT_STRING}/cause/probability",
        RESULT,
        (float_arg("probability", "", 0, 1),),
        "Probability of a named cause; 0 for none and for the saddle.",
    ),
    Address(
        f"{AT_STRING}/cause/evidence",
        RESULT,
        (text_arg("sentence"),),
        "Evidence for the cause; empty for none.",
    ),
    Address(f"{AT_STRING}/cause/check", RESULT, (text_arg("sentence"),), "What to check by hand; empty for nothing."),
    Address(
        f"{AT_STRING}/response",
        RESULT,
        (float_arg("ratio", "", 0),),
        "Measured effect of its moves divided by the expected one (1: as expected).",
    ),
    Address(
        f"{AT_STRING}/response/oddity",
        RESULT,
        (text_arg("sentence"),),
        "What to check when a move had more than 20 % more or less effect than expected; empty otherwise.",
    ),
    Address(
        f"{AT_STRING}/nut/height",
        RESULT,
        (float_arg("height", "mm", 0),),
        "Height of the string over fret 1, as measured in this session.",
    ),
    Address(
        f"{AT_STRING}/nut/left",
        RESULT,
        (float_arg("height", "mm", 0),),
        "Height of the string over fret 1 as left, measured after the inspection.",
    ),
    Address(
        f"{AT_STRING}/predicted/setback",
        RESULT,
        (float_arg("setback", "mm"),),
        "Saddle place by the string's build that puts fret 12 in tune, beyond the scale length; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/predicted/spread",
        RESULT,
        (float_arg("standard error", "mm", 0),),
        "Its standard error (1 sd).",
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
        "B of the open string: from its build, or measured if it was heard.",
    ),
    Address(
        f"{AT_STRING}/check",
        RESULT,
        (text_arg("verdict", codes.CHECKS),),
        "Verdict of a quick check; sent in quick checks only.",
    ),
    Address(
        f"{AT_STRING}/check/what",
        RESULT,
        (text_arg("way", codes.DRIFTS),),
        "Kind of drift.",
    ),
    Address(
        f"{AT_STRING}/check/tuning",
        RESULT,
        (float_arg("change", "cents"),),
        "Change of the open string since that session; + sharper.",
    ),
    Address(
        f"{AT_STRING}/check/tuning/spread",
        RESULT,
        (float_arg("standard error", "cents", 0),),
        "Its standard error (1 sd).",
    ),
    Address(
        f"{AT_STRING}/check/intonation",
        RESULT,
        (float_arg("change", "cents"),),
        "Change of the fret against its own open string; + sharper.",
    ),
    Address(
        f"{AT_STRING}/check/intonation/spread",
        RESULT,
        (float_arg("standard error", "cents", 0),),
        "Its standard error (1 sd).",
    ),
    Address(
        f"{AT_STRING}/saddle/move",
        ADVICE,
        (float_arg("move", "mm"),),
        "Advised move of the saddle; + away from the nut.",
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
        "Direction of the move as a text.",
    ),
    Address(f"{AT_STRING}/saddle/room", ADVICE, (float_arg("room", "mm", 0),), "Travel left in that direction."),
    Address(
        f"{AT_STRING}/saddle/missing",
        ADVICE,
        (float_arg("missing", "mm", 0),),
        "Distance of the move beyond the travel.",
    ),
    Address(
        f"{AT_STRING}/saddle/left",
        ADVICE,
        (float_arg("error", "cents"),),
        "Error that should remain after the move; + sharp.",
    ),
    Address(
        f"{AT_STRING}/saddle/ambiguity",
        ADVICE,
        (float_arg("distance", "mm"),),
        "Saddle place from the string pitches minus the place from the first partials; + away from the nut.",
    ),
    Address(
        f"{AT_STRING}/saddle/sense",
        ADVICE,
        (text_arg("sense", codes.SENSES),),
        "The way to turn its screw, seen from the head; empty if the instrument file does not say.",
    ),
    Address(
        f"{AT_STRING}/saddle/place",
        RESULT,
        (float_arg("place", "mm"),),
        "Place of the saddle by the last reading sent to `saddle/at`.",
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
        "Move of the nut beside that of the saddle, + away from it. Unknown while `untold` gives a reason.",
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
        "Why the nut's part is unknown; empty if it is known.",
    ),
    Address(
        f"{AT_STRING}/ways_out",
        ADVICE,
        (text_arg("sentences"),),
        "Ways out if the saddle's travel is too short, the least harm first, `; ` between; empty if it is not.",
    ),
    Address(
        f"{AT_STRING}/ways_out/caution",
        ADVICE,
        (text_arg("sentence"),),
        "Caution for these; empty for none.",
    ),
)
"""In the order of the reference page."""


_ANSWER_IN_DOUBT = (
    *(int_arg("string", "", 0, MAX_STRINGS), text_arg("place", PLACES), int_arg("fret", "", 0, MAX_FRETS)),
    float_arg("probability", "", 0, 1),
)

SENT: tuple[Address, ...] = (
    Address("/phase", STATE, (text_arg("phase", codes.PHASES),), "Phase of the session."),
    Address("/prompt", STATE, (text_arg("code"),), "The next thing to do, as one of the prompt codes."),
    Address("/prompt/text", STATE, (text_arg("sentence"),), "The next thing to do, as a sentence."),
    Address("/prompt/tool", STATE, (text_arg("tool"),), "Tool for this prompt; empty for none."),
    Address("/prompt/reason", STATE, (text_arg("sentence"),), "Reason for this prompt; empty for none."),
    Address(
        "/notice",
        STATE,
        (text_arg("notice", codes.NOTICES),),
        "Step that was left out or done wrongly, as noticed with the last note or command; empty for none.",
    ),
    Address("/notice/string", STATE, (int_arg("string", "", 0),), "The string of that notice; 0 for none."),
    Address("/notice/text", STATE, (text_arg("sentence"),), "That notice as a sentence; it also begins the prompt."),
    Address(
        "/nut",
        STATE,
        (text_arg("clamps", codes.NUT_STATES),),
        "Clamps of the locking nut: `open`, `closed`, or `unknown`; `none` for an instrument without.",
    ),
    Address("/prompt/caution", STATE, (text_arg("sentence"),), "Caution for this prompt; empty for none."),
    Address("/focus/string", STATE, (int_arg("string", "", 0, MAX_STRINGS),), "String in focus; 0 for none."),
    Address("/focus/place", STATE, (text_arg("place", PLACES),), "Place in focus on that string."),
    Address("/focus/fret", STATE, (int_arg("fret", "", 0, MAX_FRETS),), "Fret in focus; 0 unless the place is fret."),
    Address("/doubt/first", STATE, _ANSWER_IN_DOUBT, "Most probable place of the last note, while it is unclear."),
    Address("/doubt/second", STATE, _ANSWER_IN_DOUBT, "Second place it may be. Answer with `plucked`."),
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
        "The sealed session that a quick check compares with; empty if there is no quick check.",
    ),
    Address(
        "/check/running", STATE, (text_arg("set"),), "The set of recordings that is being checked; empty for none."
    ),
    Address(
        "/bend/range",
        STATE,
        (int_arg("range", "semitones", 0, MOST_SEMITONES),),
        "Pitch bend range, up and down; 0: no bends are sent.",
    ),
    Address("/listening", STATE, (int_arg("on", "", 0, 1),), "0 while sound is ignored; see `/listen`."),
    Address("/by_hand", STATE, (int_arg("on", "", 0, 1),), "1 while each step waits for `/session/next`."),
    Address("/inspect/{item}", STATE, (text_arg("state", codes.INSPECTION_STATES),), "State of an inspection item."),
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
        "By how much a measured value is outside its target; empty if the item can be passed.",
    ),
    Address("/inspect/{item}/how", STATE, (text_arg("sentences"),), "How the item is measured, and its tools."),
    Address(
        "/inspect/{item}/effect",
        STATE,
        (text_arg("sentences"),),
        "Its effect on the intonation, its place in the order, and what must be done again after a change.",
    ),
    Address("/inspect/{item}/caution", STATE, (text_arg("sentences"),), "Where work on it can hurt."),
    Address("/inspect/relief/value", STATE, (float_arg("relief", "mm"),), "Relief as measured in this session."),
    Address("/inspect/action/treble", STATE, (float_arg("action", "mm", 0),), "Action as measured, treble side."),
    Address("/inspect/action/bass", STATE, (float_arg("action", "mm", 0),), "Action as measured, bass side."),
    Address("/inspect/pickups/treble", STATE, (float_arg("gap", "mm", 0),), "Pickup gap as measured, string 1."),
    Address("/inspect/pickups/bass", STATE, (float_arg("gap", "mm", 0),), "Pickup gap as measured, last string."),
    Address("/inspect/strings/days", STATE, (int_arg("age", "days", 0),), "Age of the strings, if known."),
    Address(
        "/inspect/strings/hours", STATE, (float_arg("played", "h", 0),), "Hours the strings were played, if known."
    ),
    Address("/inspect/strings/stretched", STATE, (int_arg("on", "", 0, 1),), "1: they are stretched in, if known."),
    Address("/inspect/strings/set", STATE, (text_arg("set"),), "Name of the set of strings; empty if not known."),
    Address("/left/relief", STATE, (float_arg("relief", "mm"),), "Relief as left, measured after the inspection."),
    Address("/left/action/treble", STATE, (float_arg("action", "mm", 0),), "Action as left, treble side."),
    Address("/left/action/bass", STATE, (float_arg("action", "mm", 0),), "Action as left, bass side."),
    Address("/left/pickups/treble", STATE, (float_arg("gap", "mm", 0),), "Pickup gap as left, string 1."),
    Address("/left/pickups/bass", STATE, (float_arg("gap", "mm", 0),), "Pickup gap as left, last string."),
    Address(
        "/changes",
        STATE,
        (text_arg("sentences"),),
        "Changes since this instrument's last session, with their effects; `; ` between, empty for none.",
    ),
    *OF_STRINGS,
    Address(
        "/change",
        EVENT,
        (text_arg("what"), text_arg("sentence")),
        "A change since this instrument's last session: `string/N`, `reference`, `relief`, `bridge`, "
        "`strings`, `tension`, or a measured value; and its effect.",
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
        "A quick check's verdict on a string, and its changes since the session compared with; + sharper.",
    ),
    Address(
        "/check/recorded",
        EVENT,
        (
            int_arg("string", "", 0, MAX_STRINGS),
            *(text_arg("verdict", RECORDED_VERDICTS), text_arg("what", RECORDED_FINDINGS)),
            *(float_arg("size", "cents"), float_arg("its standard error", "cents", 0), text_arg("where")),
        ),
        "Result of a set of recordings for a string: the verdict, the finding that decides it, and its place, such as "
        "`string 6 fret 12`; + sharp. String 0: a note that belongs to no string.",
    ),
    Address(
        "/check/summary",
        EVENT,
        (
            *(text_arg("set"), text_arg("verdict", RECORDED_ENDINGS)),
            *(int_arg(name, "", 0) for name in ("holding", "drifted or out", "unsure", "files refused")),
            text_arg("sentence"),
        ),
        "The check of a set of recordings has ended: how many strings (of a set without strings: notes) hold, have "
        "drifted or are out of tolerance, are unsure; files that could not be used; and the same as a sentence.",
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
        "One note's settled pitch, committed to the journal. The note is the nominal note of this place on this "
        "string. The deviation is from its nominal pitch: equal temperament at the instrument's own A4 and tuning, "
        "with the string's own offset and the fret's target; + sharp.",
    ),
    Address(
        "/reading/bend",
        EVENT,
        (STRING, int_arg("midi note", "", 0, 127), BEND),
        "With each reading while a bend range is set: its note, and its deviation as a pitch bend.",
    ),
    Address("/reading/ignored", EVENT, (text_arg("reason"),), "A note was heard and is ignored."),
    Address("/event", EVENT, (text_arg("sentence"),), "The session changed state."),
    Address(
        "/simulator/done",
        EVENT,
        (float_arg("time", "s", 0),),
        "A wait of the simulated guitar has ended, and all of it was heard.",
    ),
    Address(
        "/alive",
        SERVICE,
        (int_arg("uptime", "s", 0), int_arg("subscribers", "", 0), text_arg("audio state", codes.AUDIO_STATES)),
        "Heartbeat.",
    ),
    Address("/audio/state", SERVICE, (text_arg("audio state", codes.AUDIO_STATES),), "State of the audio source."),
    Address("/audio/dropped", SERVICE, (int_arg("frames", "", 0),), "Frames lost since the start."),
    Address("/audio/fault", SERVICE, (text_arg("sentence"),), "Fault of the audio source; empty for none."),
    Address(
        "/plugins/disabled",
        SERVICE,
        (text_arg("sentences"),),
        "Plug-ins that failed and are used no more, each name with the reason, `; ` between; empty for none.",
    ),
    Address("/record/state", SERVICE, (text_arg("record state", codes.RECORD_STATES),), "State of the record."),
    Address(
        "/record/fault",
        SERVICE,
        (text_arg("sentence"),),
        "Why the record is in memory only; empty while it is on the disk.",
    ),
    Address("/record/sound", SERVICE, (text_arg("sound state", codes.SOUND_STATES),), "State of kept sound."),
)
"""In the order of the reference page."""
