"""The state as what is sent: relative OSC addresses to values. Pure; the daemon sends what has changed.

What a string's build lets expect, worked out once for each string and stiffness: topics ask for it all the time.

What is told of a string beside its saddle: all its frets, its nut, the cause that was named, how it answers its
moves, what its build lets expect, and ways out. Parts of ``topics``, and as pure.

What is told of the inspection: each item, what was measured for it, and what changed since last time. Pure.

What is not known has no topic: nothing stands for "no value".
"""

from __future__ import annotations

import math
from functools import lru_cache

from oscservice.advice.causes import Cause, Finding
from oscservice.advice.correction import TOWARD
from oscservice.advice.floating_bridge import Balance
from oscservice.advice.neck_errors import NeckErrors, SaddleAndNut, saddle_and_nut
from oscservice.advice.prediction import StringPrediction, predict
from oscservice.advice.saddle_response import Response
from oscservice.advice.travel import travel_remedies
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.fretting import fretted_string
from oscservice.instrument.pitch import OPEN, Place
from oscservice.instrument.spec import FIXED, Bridge, Instrument, StringSpec
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session.events import StringChecked
from oscservice.session.inspection import BASS, RELIEF, TREBLE, age_of, off
from oscservice.session.judgement import ambiguity_of, comparison_of
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import prompt
from oscservice.session.state import Advice, State, StringState
from oscservice.session.summarize import left_out_because
from oscservice.session.survey import neck_of, weights_of
from oscservice.session.vocabulary import InspectionVerdict, Status

_NO_BRIDGE = Bridge(kind=FIXED, floating=False, slacken=False, adjusters=())


def foretold(instrument: Instrument, number: int, stiffness: Stiffness | None) -> StringPrediction | None:
    """The prediction for one string; None where no saddle makes its octave true.

    Args:
        instrument, number: the string.
        stiffness: what its readings taught of its B; it replaces what the file takes its core to be. To a hundredth of
            B, which is a hundredth of a millimetre of setback: each reading changes it a little.
    """
    known = None if stiffness is None else Stiffness(round(stiffness.log_b, 2), round(stiffness.sd, 2))
    return _foretold(instrument.string(number), instrument.reference_hz, known)


@lru_cache(maxsize=64)
def _foretold(spec: StringSpec, reference_hz: float, stiffness: Stiffness | None) -> StringPrediction | None:
    alone = Instrument(name="", title="", reference_hz=reference_hz, frets=12, strings=(spec,), bridge=_NO_BRIDGE)
    try:
        return predict(alone, stiffness={} if stiffness is None else {1: stiffness})[0]
    except ValueError:
        return None


Topic = tuple[int | float | str, ...]

MOST_CHARACTERS = 1000
"""Texts that are sent are cut here: a message then fits into one packet of any network."""


def neck_topics(state: State, number: int) -> dict[str, Topic]:
    """The errors at each fret as last heard, and the nut's part in them."""
    root, string = f"/string/{number}", state.string(number)
    running = neck_of(state, number)
    surveyed = None if string.survey is None else string.survey.neck
    values: dict[str, Topic] = {}
    for neck in (surveyed, running):
        for index, fret in enumerate(() if neck is None else neck.frets):
            assert neck is not None
            at = f"{root}/fret/{fret}"
            values[f"{at}/error"] = (neck.errors_cents[index],)
            values[f"{at}/spread"] = (neck.se_cents(fret),)
            values[f"{at}/plucks"] = (neck.plucks[index],)
            if neck.ambiguity:
                values[f"{at}/ambiguity"] = (neck.ambiguity[index][0],)
    whole = running is not None and running.frets == state.played.frets
    if whole and running is not None:
        values |= _nut(state, number, running, string.moved_mm)
    elif string.survey is not None and surveyed is not None:
        values |= _nut(state, number, surveyed, string.survey.position_mm)
    return values


def cause_topics(state: State, number: int) -> dict[str, Topic]:
    """The cause that was named for a string; the saddle where it is to move and no other was. Its particulars come once
    the string was taken up: a new session would else be a burst of empty texts."""
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


def check_topics(state: State) -> dict[str, Topic]:
    """What a quick check is held against, and what it says of each string so far."""
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


def checked(event: StringChecked) -> Topic:
    """A quick check's verdict on a string, as one message."""
    tuning, intonation = (
        (event.tuning_cents, event.tuning_se_cents),
        (event.intonation_cents, event.intonation_se_cents),
    )
    return (event.string, event.verdict, event.what, *tuning, *intonation)


def pull_topics(state: State, number: int) -> dict[str, Topic]:
    """On a floating bridge, how far each string moves when this one is tuned by 100 cents, once it was heard."""
    if state.balance is None or state.string(number).open_cents is None:
        return {}
    return {f"/string/{number}/coupling": tuple(round(100.0 * g, 1) for g in _coupling(state.balance)[number - 1])}


@lru_cache(maxsize=4)
def _coupling(balance: Balance) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(column) for column in balance.coupling().T.tolist())


def cause(finding: Finding) -> Topic:
    """A cause that was named, as one message."""
    strings = ", ".join(map(str, finding.strings))
    size = (finding.size, finding.se, finding.unit)
    return (strings, finding.fret, finding.cause, *size, finding.probability, finding.evidence[:MOST_CHARACTERS])


def string_topics(state: State, number: int) -> dict[str, Topic]:
    """How a string answers its moves, what its build lets expect, and what helps where travel is missing."""
    root, string = f"/string/{number}", state.string(number)
    values: dict[str, Topic] = {}
    if string.status is not Status.UNTRIED:
        ways, caution = _ways_out(state, number)
        values |= {f"{root}/ways_out": (ways,), f"{root}/ways_out/caution": (caution,)}
    if string.moves:
        values[f"{root}/response/oddity"] = (string.oddity[:MOST_CHARACTERS],)
    if _answered(string):
        values[f"{root}/response"] = (string.response.ratio,)
    if state.instrument is None:
        return values
    one = foretold(state.instrument, number, string.learnt_stiffness)
    if one is not None:
        values[f"{root}/predicted/setback"] = (one.setback_mm,)
        values[f"{root}/predicted/spread"] = (one.setback_se_mm,)
        values[f"{root}/predicted/tension"] = (one.tension_n,)
        known = string.learnt_stiffness
        values[f"{root}/predicted/stiffness"] = (one.inharmonicity if known is None else math.exp(known.log_b),)
    return values


def _nut(state: State, number: int, neck: NeckErrors, position_mm: float) -> dict[str, Topic]:
    assert state.instrument is not None
    weights = tuple((fret, weight) for fret, weight in weights_of(state, number).items() if fret in neck.frets)
    found = _saddle_and_nut(neck, state.instrument.string(number), position_mm, weights)
    root = f"/string/{number}/nut"
    values: dict[str, Topic] = {f"{root}/untold": (found.untold,)}
    if found.nut_mm is not None and found.nut_se_mm is not None:
        values |= {f"{root}/move": (found.nut_mm,), f"{root}/spread": (found.nut_se_mm,)}
    return values


@lru_cache(maxsize=64)
def _saddle_and_nut(
    neck: NeckErrors, spec: StringSpec, position_mm: float, weights: tuple[tuple[int, float], ...]
) -> SaddleAndNut:
    return saddle_and_nut(neck, spec, position_mm, dict(weights))


def _answered(string: StringState) -> bool:
    """Whether its own moves, or those of others before it, have taught how it answers."""
    return string.moves > 0 and string.last_move is None and string.response != Response()


def _ways_out(state: State, number: int) -> tuple[str, str]:
    """What helps a string whose saddle can't go far enough, the least harm first, and what to be careful of: the
    longest caution, since the others are parts of it."""
    string = state.string(number)
    if string.status is not Status.OUT_OF_TRAVEL or state.instrument is None or string.advice is None:
        return "", ""
    known = string.learnt_stiffness
    spec = state.instrument.string(number)
    fretted = fretted_string(
        spec,
        state.instrument.open_hz(number),
        log_stiffness=None if known is None else known.log_b,
        setback_mm=spec.setback_mm + string.moved_mm,
    )
    missing_mm = string.advice.missing_mm * (-1.0 if string.advice.direction == TOWARD else 1.0)
    ways = travel_remedies(state.instrument, number, missing_mm, fretted)
    # Text after text, whole ones only.
    text = "; ".join(way.text.rstrip(".") for way in ways)
    while len(text) > MOST_CHARACTERS:
        text = text.rpartition("; ")[0]
    return text, max((way.caution for way in ways), key=len, default="")


_MEASURED = {
    RELIEF: "/inspect/relief/value",
    TREBLE: "/inspect/action/treble",
    BASS: "/inspect/action/bass",
}


def inspection_topics(state: State) -> dict[str, Topic]:
    """Every item, and what is known of it; what was not measured has no topic."""
    values: dict[str, Topic] = {}
    for name, item in state.items:
        values[f"/inspect/{name}"] = (str(item.verdict),)
        values[f"/inspect/{name}/note"] = (item.note[:MOST_CHARACTERS],)
        values[f"/inspect/{name}/off"] = (off(state, name)[:MOST_CHARACTERS],)
    for what, mm in state.measured:
        nut, _, number = what.partition("/")
        values[_MEASURED.get(what, f"/string/{number}/{nut}/height")] = (mm,)
    age = age_of(state)
    if age is not None:
        values["/inspect/strings/days"] = (age.days,)
    # Line after line, whole ones only: each was told by itself already.
    text = "; ".join(text for _, text in state.changes)
    while len(text) > MOST_CHARACTERS:
        text = text.rpartition("; ")[0]
    return values | {"/changes": (text,)}


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
