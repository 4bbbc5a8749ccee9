"""Topics: a state as relative OSC addresses and their values. Pure; the daemon sends those that have changed.

A value that is not known has no topic: no number means "no value".
"""

from __future__ import annotations

import math

from oscservice.advice.causes import Cause, Finding
from oscservice.advice.saddle_response import Response
from oscservice.instrument.pitch import OPEN, Place
from oscservice.sentences.length_text import LengthUnit
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session.events import StringChecked
from oscservice.session.figures import Figures, StringFigures, figures
from oscservice.session.inspection import BASS, PICKUP_BASS, PICKUP_TREBLE, RELIEF, TREBLE, age_of, off
from oscservice.session.item_texts import item_texts
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import notice_text, prompt, turning_sense
from oscservice.session.session_results import left_out_because
from oscservice.session.state import State
from oscservice.session.string_state import Advice, StringState
from oscservice.session.tuning_target import tuning_target
from oscservice.session.vocabulary import InspectionVerdict, Phase, Status

Topic = tuple[int | float | str, ...]

MOST_CHARACTERS = 1000
"""Texts are cut to this length: a message then fits into one packet of any network."""

_NO_ADVICE = Advice(0.0, 0.0, None, "none", 0.0, 0.0)

_MEASURED = {
    RELIEF: "/inspect/relief/value",
    TREBLE: "/inspect/action/treble",
    BASS: "/inspect/action/bass",
    PICKUP_TREBLE: "/inspect/pickups/treble",
    PICKUP_BASS: "/inspect/pickups/bass",
}
_LEFT = {
    RELIEF: "/left/relief",
    TREBLE: "/left/action/treble",
    BASS: "/left/action/bass",
    PICKUP_TREBLE: "/left/pickups/treble",
    PICKUP_BASS: "/left/pickups/bass",
}

_TOLD = ("/off", "/changes", "/cause/evidence", "/ways_out", "/response/oddity", "/nut/untold")
"""Ends of addresses with an English text that may have lengths in it."""


def topics(state: State, sentences: Sentences = ENGLISH, known: Figures | None = None) -> dict[str, Topic]:
    """Every topic of a state, by relative address, in a fixed order.

    Args:
        state: the session.
        sentences: the language of the prompt, and the unit of the lengths in texts.
        known: the state's figures; None: they are calculated here.
    """
    known = figures(state) if known is None else known
    now = prompt(state, sentences)
    waited = asked(state)
    place = waited[1] if waited is not None else OPEN
    values: dict[str, Topic] = {
        "/revision": (state.revision,),
        "/phase": (str(state.phase),),
        "/instrument": (state.instrument.name if state.instrument is not None else "",),
        "/tolerance": (state.tolerance_cents,),
        "/frets": (str(state.played) if state.instrument is not None else "",),
        "/by_hand": (int(state.by_hand),),
        "/focus/string": (state.focus,),
        "/focus/place": (place.kind,),
        "/focus/fret": (place.fret,),
    }
    values |= _notice_topics(state, sentences)
    values |= _doubt_topics(state)
    values |= _inspection_topics(state, sentences)
    for number, one in zip(state.numbers, known.strings, strict=True):
        values |= _string_topics(state, number, one, known)
        if state.string(number).status is Status.OUT_OF_TRAVEL:
            values[f"/string/{number}/reason"] = (sentences.told(left_out_because(state, number)),)
    values |= _check_topics(state)
    if sentences.lengths is not LengthUnit.MM:
        values |= {address: _told(topic, sentences) for address, topic in values.items() if address.endswith(_TOLD)}
    # The prompt comes last: whoever acts on it has the rest already.
    said = {"/prompt/tool": (now.tool,), "/prompt/reason": (now.reason,), "/prompt/caution": (now.caution,)}
    return values | said | {"/prompt/text": (now.text,), "/prompt": (now.code,)}


def changed(before: dict[str, Topic], after: dict[str, Topic]) -> dict[str, Topic]:
    """Topics of ``after`` that are new or differ."""
    return {address: values for address, values in after.items() if before.get(address) != values}


def checked(event: StringChecked) -> Topic:
    """A quick check's verdict on a string, as one message."""
    tuning, intonation = (
        (event.tuning_cents, event.tuning_se_cents),
        (event.intonation_cents, event.intonation_se_cents),
    )
    return (event.string, event.verdict, event.what, *tuning, *intonation)


def cause(finding: Finding, sentences: Sentences = ENGLISH) -> Topic:
    """A cause that was named, as one message; lengths in its evidence are in the unit of the table of sentences."""
    strings = ", ".join(map(str, finding.strings))
    size = (finding.size, finding.se, finding.unit)
    evidence = sentences.told(finding.evidence)[:MOST_CHARACTERS]
    return (strings, finding.fret, finding.cause, *size, finding.probability, evidence)


def _told(topic: Topic, sentences: Sentences) -> Topic:
    """The same texts with lengths in the unit of the table of sentences."""
    return tuple(sentences.told(value)[:MOST_CHARACTERS] if isinstance(value, str) else value for value in topic)


def _notice_topics(state: State, sentences: Sentences) -> dict[str, Topic]:
    """The step that was missed, and the nut clamps."""
    notice, nut = state.notice, state.instrument is not None and state.instrument.nut.locking
    clamps = {None: "unknown", True: "closed", False: "open"}[state.nut_closed] if nut else "none"
    return {
        "/nut": (clamps,),
        "/notice/string": (0 if notice is None else notice.string,),
        "/notice/text": (notice_text(state, sentences),),
        "/notice": ("" if notice is None else notice.what,),
    }


def _doubt_topics(state: State) -> dict[str, Topic]:
    """The two answers to the question which string it was; string 0 while there is no question."""
    doubt = state.doubt
    if doubt is None:
        return {"/doubt/first": (0, OPEN.kind, 0, 0.0), "/doubt/second": (0, OPEN.kind, 0, 0.0)}
    first, second = Place.parse(doubt.first.place), Place.parse(doubt.second.place)
    return {
        "/doubt/first": (doubt.first.string, first.kind, first.fret, doubt.probability),
        "/doubt/second": (doubt.second.string, second.kind, second.fret, doubt.second_probability),
    }


def _inspection_topics(state: State, sentences: Sentences) -> dict[str, Topic]:
    """Every item, and what is known of it; a value that was not measured has no topic."""
    values: dict[str, Topic] = {}
    for name, item in state.items:
        values[f"/inspect/{name}"] = (str(item.verdict),)
        values[f"/inspect/{name}/note"] = (item.note[:MOST_CHARACTERS],)
        values[f"/inspect/{name}/off"] = (off(state, name)[:MOST_CHARACTERS],)
        texts = item_texts(state, name, sentences)
        values[f"/inspect/{name}/how"] = (texts.how[:MOST_CHARACTERS],)
        values[f"/inspect/{name}/effect"] = (f"{texts.effect} {texts.order}"[:MOST_CHARACTERS],)
        values[f"/inspect/{name}/caution"] = (texts.caution[:MOST_CHARACTERS],)
    for what, mm in state.measured:
        nut, _, number = what.partition("/")
        values[_MEASURED.get(what, f"/string/{number}/{nut}/height")] = (mm,)
    for what, mm in state.measured_left:
        values[_LEFT.get(what, f"/string/{what.partition('/')[2]}/nut/left")] = (mm,)
    age = age_of(state)
    if age is not None:
        values["/inspect/strings/days"] = (age.days,)
    if state.instrument is not None:
        set_up = state.instrument.set_up
        values["/inspect/strings/set"] = (set_up.string_set,)
        if set_up.hours_played is not None:
            values["/inspect/strings/hours"] = (set_up.hours_played,)
        if set_up.stretched_in is not None:
            values["/inspect/strings/stretched"] = (int(set_up.stretched_in),)
    return values | {"/changes": (_joined([text for _, text in state.changes]),)}


def _string_topics(state: State, number: int, known: StringFigures, all_known: Figures) -> dict[str, Topic]:
    root, string = f"/string/{number}", state.string(number)
    values: dict[str, Topic] = {
        f"{root}/status": (str(string.status),),
        f"{root}/reason": (left_out_because(state, number),),
    }
    if string.status is not Status.UNTRIED or string.plucks_left:
        values[f"{root}/plucks/left"] = (string.plucks_left,)
        values[f"{root}/plucks/why"] = (string.plucks_why,)
    if string.open_cents is not None:
        values[f"{root}/open/cents"] = (string.open_cents,)
        values[f"{root}/open/spread"] = (string.unsure_cents,)
    values[f"{root}/tune/target"] = (string.target_cents,)
    if state.phase not in (Phase.IDLE, Phase.INSPECTING):  # a new session would be too large a burst otherwise
        target = tuning_target(state, number)
        values |= {f"{root}/target/hz": (target.hz,), f"{root}/target/note": (target.note, target.cents)}
    if string.nut_shift_cents is not None:
        values[f"{root}/nut/shift"] = (string.nut_shift_cents,)
    if all_known.coupling_cents and string.open_cents is not None:
        values[f"{root}/coupling"] = all_known.coupling_cents[number - 1]
    if string.harmonic_cents is not None:
        values[f"{root}/harmonic/error"] = (string.harmonic_cents,)
    values |= _error_topics(state, root, string, known)
    values |= _cause_topics(state, number)
    values |= _remedy_topics(root, string, known)
    values |= _response_topics(root, string)
    values |= _prediction_topics(root, string, known)
    if string.status is not Status.UNTRIED:
        values[f"{root}/saddle/sense"] = (turning_sense(state, number),)
    if string.saddle_at_mm[1] is not None:
        values[f"{root}/saddle/place"] = (string.saddle_at_mm[1],)
    return values | _saddle_topics(root, string)


def _error_topics(state: State, root: str, string: StringState, known: StringFigures) -> dict[str, Topic]:
    """The errors at the frets compared, and the saddle's part in them."""
    found = known.comparison
    values: dict[str, Topic] = {}
    if state.played.several:
        values |= _fret_topics(root, string, known)
    elif found is not None:
        fret = f"{root}/fret/{state.fret}"
        values[f"{fret}/error"] = (found.error_cents,)
        values[f"{fret}/spread"] = (found.se_cents,)
        values[f"{fret}/plucks"] = (found.plucks,)
        if found.ambiguity_cents is not None:
            values[f"{fret}/ambiguity"] = (found.ambiguity_cents,)
    if found is not None:
        values[f"{root}/saddle/error"] = (found.error_cents,)
        values[f"{root}/saddle/error/spread"] = (found.se_cents,)
        if known.ambiguity_mm is not None:
            values[f"{root}/saddle/ambiguity"] = (known.ambiguity_mm,)
    return values


def _fret_topics(root: str, string: StringState, known: StringFigures) -> dict[str, Topic]:
    """The errors at each fret as last heard, and the nut's part in them."""
    surveyed = None if string.survey is None else string.survey.neck
    values: dict[str, Topic] = {}
    for neck in (surveyed, known.neck):
        if neck is None:
            continue
        for index, fret in enumerate(neck.frets):
            at = f"{root}/fret/{fret}"
            values[f"{at}/error"] = (neck.errors_cents[index],)
            values[f"{at}/spread"] = (neck.se_cents(fret),)
            values[f"{at}/plucks"] = (neck.plucks[index],)
            if neck.ambiguity:
                values[f"{at}/ambiguity"] = (neck.ambiguity[index][0],)
    nut = known.nut
    if nut is not None:
        values[f"{root}/nut/untold"] = (nut.untold,)
        if nut.nut_mm is not None and nut.nut_se_mm is not None:
            values |= {f"{root}/nut/move": (nut.nut_mm,), f"{root}/nut/spread": (nut.nut_se_mm,)}
    return values


def _cause_topics(state: State, number: int) -> dict[str, Topic]:
    """The cause that was named for a string, or the saddle where it should move. The particulars come once work on the
    string has begun: otherwise a new session would be a burst of empty texts."""
    root, string = f"/string/{number}", state.string(number)
    named = state.named(number)
    if named is not None:
        word, probability, evidence, check = named.cause, named.probability, named.evidence, named.check
    else:
        saddle = string.status is Status.TO_MOVE
        word, probability, evidence, check = str(Cause.SADDLE) if saddle else "", 0.0, "", ""
    values: dict[str, Topic] = {f"{root}/cause": (word,)}
    if named is None and string.status is Status.UNTRIED:
        return values
    return values | {
        f"{root}/cause/probability": (probability,),
        f"{root}/cause/evidence": (evidence[:MOST_CHARACTERS],),
        f"{root}/cause/check": (check[:MOST_CHARACTERS],),
    }


def _remedy_topics(root: str, string: StringState, known: StringFigures) -> dict[str, Topic]:
    """Remedies where travel is missing, and the longest caution: the others are parts of it."""
    if string.status is Status.UNTRIED:
        return {}
    remedies = _joined([text.rstrip(".") for text in known.remedies])
    return {f"{root}/ways_out": (remedies,), f"{root}/ways_out/caution": (max(known.cautions, key=len, default=""),)}


def _response_topics(root: str, string: StringState) -> dict[str, Topic]:
    """The response of a string to moves, once it is known from its own moves or those of earlier strings."""
    values: dict[str, Topic] = {}
    if string.moves:
        values[f"{root}/response/oddity"] = (string.oddity[:MOST_CHARACTERS],)
    if string.moves and string.last_move is None and string.response != Response():
        values[f"{root}/response"] = (string.response.ratio,)
    return values


def _prediction_topics(root: str, string: StringState, known: StringFigures) -> dict[str, Topic]:
    one, stiffness = known.prediction, string.learnt_stiffness
    if one is None:
        return {}
    return {
        f"{root}/predicted/setback": (one.setback_mm,),
        f"{root}/predicted/spread": (one.setback_se_mm,),
        f"{root}/predicted/tension": (one.tension_n,),
        f"{root}/predicted/stiffness": (one.inharmonicity if stiffness is None else math.exp(stiffness.log_b),),
    }


def _saddle_topics(root: str, string: StringState) -> dict[str, Topic]:
    advice = string.advice or _NO_ADVICE
    values: dict[str, Topic] = {
        f"{root}/saddle/move": (advice.mm,),
        f"{root}/saddle/spread": (advice.se_mm,),
        f"{root}/saddle/turns": (advice.turns or 0.0,),
        f"{root}/saddle/direction": (advice.direction,),
        f"{root}/saddle/room": (max(0.0, advice.room_mm),),
        f"{root}/saddle/missing": (advice.missing_mm,),
    }
    if advice.left_cents is not None:
        values[f"{root}/saddle/left"] = (advice.left_cents,)
    return values | {f"{root}/saddle/moved": (string.moved_mm,)}


def _check_topics(state: State) -> dict[str, Topic]:
    """The session that a quick check compares with, and its verdict on each string so far."""
    if state.against is None:
        return {"/check/against": ("",)}
    values: dict[str, Topic] = {"/check/against": (state.against.session,)}
    for number, string in zip(state.numbers, state.strings, strict=True):
        root, found = f"/string/{number}/check", string.check
        waits = Status.SET_ASIDE if string.status is Status.SET_ASIDE else InspectionVerdict.WAITING
        values[root] = (str(waits) if found is None else found.verdict,)
        if found is not None:
            values |= {
                f"{root}/what": (found.what,),
                f"{root}/tuning": (found.tuning_cents,),
                f"{root}/tuning/spread": (found.tuning_se_cents,),
                f"{root}/intonation": (found.intonation_cents,),
                f"{root}/intonation/spread": (found.intonation_se_cents,),
            }
    return values


def _joined(texts: list[str]) -> str:
    """Texts in one line, as many whole ones as fit."""
    line = "; ".join(texts)
    while len(line) > MOST_CHARACTERS:
        line = line.rpartition("; ")[0]
    return line
