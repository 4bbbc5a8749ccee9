"""Addresses that the daemon sends: state, what it says of each string, events, service."""

from __future__ import annotations

from oscservice.instrument.bend import MOST_SEMITONES
from oscservice.osc import codes
from oscservice.osc.arguments import (
    BEND,
    MAX_FRETS,
    MAX_STRINGS,
    PLACES,
    STRING,
    float_arg,
    int_arg,
    text_arg,
)
from oscservice.osc.declaration import Address, Direction
from oscservice.osc.sent_strings import OF_STRINGS

_STATE = Direction.STATE
_EVENT, _SERVICE = Direction.EVENT, Direction.SERVICE

_ANSWER_IN_DOUBT = (
    *(int_arg("string", "", 0, MAX_STRINGS), text_arg("place", PLACES), int_arg("fret", "", 0, MAX_FRETS)),
    float_arg("probability", "", 0, 1),
)

SENT: tuple[Address, ...] = (
    Address("/phase", _STATE, (text_arg("phase", codes.PHASES),), "Where the session stands."),
    Address("/prompt", _STATE, (text_arg("code"),), "The one thing to do next, as one of the prompt codes."),
    Address("/prompt/text", _STATE, (text_arg("sentence"),), "The one thing to do next, as a sentence."),
    Address(
        "/prompt/caution", _STATE, (text_arg("sentence"),), "What to be careful of while doing it; empty if nothing."
    ),
    Address("/focus/string", _STATE, (int_arg("string", "", 0, MAX_STRINGS),), "String in focus; 0 for none."),
    Address("/focus/place", _STATE, (text_arg("place", PLACES),), "Place in focus on that string."),
    Address("/focus/fret", _STATE, (int_arg("fret", "", 0, MAX_FRETS),), "Fret in focus; 0 unless the place is fret."),
    Address("/doubt/first", _STATE, _ANSWER_IN_DOUBT, "What the last note most probably was, while that is in doubt."),
    Address("/doubt/second", _STATE, _ANSWER_IN_DOUBT, "What it may have been instead. Say which it was: `plucked`."),
    Address("/revision", _STATE, (int_arg("revision", "", 0),), "Goes up by one with every change of the session."),
    Address("/session/id", _STATE, (text_arg("session"),), "Name of the open session; empty for none."),
    Address("/session/offered", _STATE, (text_arg("session"),), "An open session that can be resumed; empty for none."),
    Address("/instrument", _STATE, (text_arg("instrument"),), "Name of the instrument on the bench; empty for none."),
    Address("/tolerance", _STATE, (float_arg("tolerance", "cents", 0),), "Error within which a string is settled."),
    Address(
        "/frets", _STATE, (text_arg("frets"),), "Frets compared, as `1 3 5x2 12` (x2: counts twice); empty for none."
    ),
    Address(
        "/check/against",
        _STATE,
        (text_arg("session"),),
        "The sealed session that a quick check is held against; empty while what is on the bench is no quick check.",
    ),
    Address(
        "/check/running", _STATE, (text_arg("set"),), "The set of recordings that is being checked; empty for none."
    ),
    Address(
        "/bend/range",
        _STATE,
        (int_arg("range", "semitones", 0, MOST_SEMITONES),),
        "How far up or down a whole pitch bend is; 0: no bends are sent.",
    ),
    Address("/listening", _STATE, (int_arg("on", "", 0, 1),), "0 while what is heard is not used; see `/listen`."),
    Address("/by_hand", _STATE, (int_arg("on", "", 0, 1),), "1 while nothing advances by itself."),
    Address("/inspect/{item}", _STATE, (text_arg("state", codes.INSPECTION_STATES),), "How an inspection item stands."),
    Address(
        "/inspect/{item}/note",
        _STATE,
        (text_arg("sentence"),),
        "Why an item was waived or failed; empty for none.",
    ),
    Address(
        "/inspect/{item}/off",
        _STATE,
        (text_arg("sentence"),),
        "By how much what was measured is off what is wanted; empty if nothing stands against passing the item.",
    ),
    Address("/inspect/relief/value", _STATE, (float_arg("relief", "mm"),), "Relief as measured in this session."),
    Address("/inspect/action/treble", _STATE, (float_arg("action", "mm", 0),), "Action as measured, treble side."),
    Address("/inspect/action/bass", _STATE, (float_arg("action", "mm", 0),), "Action as measured, bass side."),
    Address("/inspect/strings/days", _STATE, (int_arg("age", "days", 0),), "How old the strings are, once known."),
    Address(
        "/changes",
        _STATE,
        (text_arg("sentences"),),
        "What differs since this instrument's last session, and what to expect of it; `; ` between, empty for none.",
    ),
    *OF_STRINGS,
    Address(
        "/change",
        _EVENT,
        (text_arg("what"), text_arg("sentence")),
        "Something is different since this instrument's last session: `string/N`, `reference`, `relief`, `bridge`, "
        "`strings`, `tension`, or what was measured; and what to expect of it.",
    ),
    Address(
        "/cause",
        _EVENT,
        (
            *(text_arg("strings"), int_arg("fret", "", 0, MAX_FRETS), text_arg("cause", codes.CAUSES)),
            *(float_arg("size"), float_arg("standard error", "", 0), text_arg("unit", ("mm", "cents"))),
            *(float_arg("probability", "", 0, 1), text_arg("evidence")),
        ),
        "A cause was named. Strings as `1, 2, 3`; fret 0 for none; size and its standard error in the unit.",
    ),
    Address(
        "/check/string",
        _EVENT,
        (
            *(STRING, text_arg("verdict", codes.CHECKS), text_arg("way", codes.DRIFTS)),
            *(float_arg("tuning", "cents"), float_arg("its standard error", "cents", 0)),
            *(float_arg("intonation", "cents"), float_arg("its standard error", "cents", 0)),
        ),
        "A quick check's verdict on a string, and what has changed since the session it is held against; + sharper.",
    ),
    Address(
        "/check/recorded",
        _EVENT,
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
        _EVENT,
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
        _EVENT,
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
        _EVENT,
        (STRING, int_arg("midi note", "", 0, 127), BEND),
        "With each reading while a bend range is set: its note, and its deviation as a pitch bend.",
    ),
    Address("/reading/ignored", _EVENT, (text_arg("reason"),), "A note was heard and is not used."),
    Address("/event", _EVENT, (text_arg("sentence"),), "The session changed state."),
    Address(
        "/simulator/done", _EVENT, (float_arg("time", "s", 0),), "A wait of the simulated guitar has passed, all heard."
    ),
    Address(
        "/alive",
        _SERVICE,
        (int_arg("uptime", "s", 0), int_arg("subscribers", "", 0), text_arg("audio state", codes.AUDIO_STATES)),
        "Heartbeat.",
    ),
    Address("/audio/state", _SERVICE, (text_arg("audio state", codes.AUDIO_STATES),), "How the audio source stands."),
    Address("/audio/dropped", _SERVICE, (int_arg("frames", "", 0),), "Frames lost since the start."),
    Address(
        "/audio/fault", _SERVICE, (text_arg("sentence"),), "What is wrong with the audio source; empty if nothing."
    ),
    Address(
        "/plugins/disabled",
        _SERVICE,
        (text_arg("sentences"),),
        "Plug-ins that failed and are used no more, each name with the reason, `; ` between; empty for none.",
    ),
    Address("/record/state", _SERVICE, (text_arg("record state", codes.RECORD_STATES),), "How the record stands."),
    Address(
        "/record/fault", _SERVICE, (text_arg("sentence"),), "Why it is in memory only; empty while it is on the disk."
    ),
    Address(
        "/record/sound", _SERVICE, (text_arg("sound state", codes.SOUND_STATES),), "How the keeping of sound stands."
    ),
)
"""In the order of the reference page."""
