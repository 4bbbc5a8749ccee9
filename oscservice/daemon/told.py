"""What is told of a string beside its saddle: all its frets, its nut, the cause that was named, how it answers its
moves, what its build lets expect, and ways out. Parts of ``topics``, and as pure.
"""

from __future__ import annotations

import math
from functools import lru_cache

from oscservice.advice.balance import Balance
from oscservice.advice.causes import Cause
from oscservice.advice.correction import TOWARD
from oscservice.advice.finding import Finding
from oscservice.advice.neck import NeckErrors, SaddleAndNut, saddle_and_nut
from oscservice.advice.response import Response
from oscservice.advice.travel import ways_out
from oscservice.daemon.foretold import foretold
from oscservice.instrument.fretting import fretted_string
from oscservice.instrument.spec import StringSpec
from oscservice.session.events import StringChecked
from oscservice.session.state import State, StringState
from oscservice.session.surveying import neck_of, weights_of
from oscservice.session.words import Status, Verdict

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
        waits = Status.SET_ASIDE if string.status is Status.SET_ASIDE else Verdict.WAITING
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
    ways = ways_out(state.instrument, number, missing_mm, fretted)
    # Text after text, whole ones only.
    text = "; ".join(way.text.rstrip(".") for way in ways)
    while len(text) > MOST_CHARACTERS:
        text = text.rpartition("; ")[0]
    return text, max((way.caution for way in ways), key=len, default="")
