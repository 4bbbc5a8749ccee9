"""The state as what is sent: relative OSC addresses to values. Pure; the daemon sends what has changed.

What is not known has no topic: nothing stands for "no value".
"""

from __future__ import annotations

from oscservice.daemon.inspected import inspection_topics
from oscservice.daemon.told import Topic, cause_topics, check_topics, neck_topics, pull_topics, string_topics
from oscservice.instrument.pitch import OPEN, Place
from oscservice.sentences.table import ENGLISH, Sentences
from oscservice.session.asking import asked
from oscservice.session.judging import ambiguity_of, comparison_of
from oscservice.session.leaving import left_out_because
from oscservice.session.prompts import prompt
from oscservice.session.state import Advice, State, StringState
from oscservice.session.words import Status

NO_ADVICE = Advice(0.0, 0.0, None, "none", 0.0, 0.0)


def topics(state: State, sentences: Sentences = ENGLISH) -> dict[str, Topic]:
    """Every topic of a state, by relative address, in a fixed order; the prompt in the language of ``sentences``."""
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
    values |= _in_doubt(state)
    values |= inspection_topics(state)
    for number, string in zip(state.numbers, state.strings, strict=True):
        values |= _of_string(state, number, string)
    values |= check_topics(state)
    # The prompt comes last: whoever acts on it has the rest already.
    return values | {"/prompt/caution": (now.caution,), "/prompt/text": (now.text,), "/prompt": (now.code,)}


def _in_doubt(state: State) -> dict[str, Topic]:
    """The two answers to the question which string it was; string 0 while there is no question."""
    doubt = state.doubt
    if doubt is None:
        return {"/doubt/first": (0, OPEN.kind, 0, 0.0), "/doubt/second": (0, OPEN.kind, 0, 0.0)}
    first, second = Place.parse(doubt.first.place), Place.parse(doubt.second.place)
    return {
        "/doubt/first": (doubt.first.string, first.kind, first.fret, doubt.probability),
        "/doubt/second": (doubt.second.string, second.kind, second.fret, doubt.second_probability),
    }


def _of_string(state: State, number: int, string: StringState) -> dict[str, Topic]:
    root = f"/string/{number}"
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
    values |= pull_topics(state, number)
    if string.harmonic_cents is not None:
        values[f"{root}/harmonic/error"] = (string.harmonic_cents,)
    values |= _compared(state, number, string)
    values |= cause_topics(state, number)
    values |= string_topics(state, number)
    advice = string.advice or NO_ADVICE
    values[f"{root}/saddle/move"] = (advice.mm,)
    values[f"{root}/saddle/spread"] = (advice.se_mm,)
    values[f"{root}/saddle/turns"] = (advice.turns or 0.0,)
    values[f"{root}/saddle/direction"] = (advice.direction,)
    values[f"{root}/saddle/room"] = (max(0.0, advice.room_mm),)
    values[f"{root}/saddle/missing"] = (advice.missing_mm,)
    if advice.left_cents is not None:
        values[f"{root}/saddle/left"] = (advice.left_cents,)
    values[f"{root}/saddle/moved"] = (string.moved_mm,)
    return values


def _compared(state: State, number: int, string: StringState) -> dict[str, Topic]:
    """The errors at the frets compared, and what they come to for the saddle."""
    root = f"/string/{number}"
    running = comparison_of(state, number)
    found = running
    if found is None and string.last is not None:
        found = string.last.as_comparison()
    values: dict[str, Topic] = {}
    if state.played.several:
        values |= neck_topics(state, number)
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
        apart = ambiguity_of(state, number, found)
        if apart is not None:
            values[f"{root}/saddle/ambiguity"] = (apart.mm,)
    return values


def changed(before: dict[str, Topic], after: dict[str, Topic]) -> dict[str, Topic]:
    """Topics of ``after`` that are new or differ."""
    return {address: values for address, values in after.items() if before.get(address) != values}
