"""What a note that became evidence, or waits to, changes in the state."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

from oscservice.advice.comparison import harmonic_check
from oscservice.advice.evidence import PluckReading
from oscservice.advice.hand import Hand
from oscservice.advice.joint import joint_errors
from oscservice.hearing.stiffness import expected_stiffness, learnt, log_stiffness
from oscservice.hearing.strength import Pluck, Slope, learn
from oscservice.instrument.pitch import CENTS_PER_E, HARMONIC, OPEN, Place, cents_between
from oscservice.session import events as ev
from oscservice.session.asking import asked
from oscservice.session.balancing import open_heard
from oscservice.session.changing import with_string
from oscservice.session.pattern import pattern_of
from oscservice.session.state import Doubt, State, StringState
from oscservice.session.surveying import stiffness_of
from oscservice.session.words import COMPARED, Phase

STRAY_CENTS = 50.0
"""A note this near to what was asked for has its pitch."""


def reading_taken(state: State, event: ev.ReadingTaken) -> State:
    """The pluck is part of what is being compared, or tells how the string is tuned."""
    place = Place.parse(event.place)
    string = state.string(event.string)
    pluck = _pluck(place, event)
    state = replace(state, strayed=_strays(state, event, place))
    changes: dict[str, Any] = {"plucks_left": max(0, string.plucks_left - (event.string == state.focus))}
    if place == OPEN:
        state = open_heard(state, event)
        if state.phase in (Phase.TUNING, Phase.RETUNING):
            changes["plucks"] = ()  # what was plucked before a peg was turned can't be compared with what comes after
        changes |= {"open_pluck": pluck, "stiffness": event.inharmonicity, "open_cents": event.cents}
        if state.balance is not None:
            changes["unsure_cents"] = state.balance.se_cents(event.string - 1)
        heard = log_stiffness(event.inharmonicity, event.inharmonicity_se)
        if heard is not None and state.instrument is not None:
            before = string.learnt_stiffness or expected_stiffness(state.instrument, event.string)
            changes["learnt_stiffness"] = learnt(before, event.cents, heard)
    elif place == HARMONIC and string.open_pluck is not None:
        checked = harmonic_check((string.open_pluck, pluck), stiffness_of(string))
        changes |= {"harmonic_cents": checked.deviation_cents, "harmonic_se_cents": checked.se_cents}
    if event.string != state.focus:
        return with_string(state, event.string, **changes)
    # A bracket begins with an open note.
    evidence = place == OPEN or (place in pattern_of(state, event.string).stopped and string.plucks)
    if evidence and state.phase in COMPARED:
        changes["plucks"] = (*string.plucks, pluck)
    return replace(with_string(state, event.string, **changes), asked_place=None)


def _strays(state: State, event: ev.ReadingTaken, place: Place) -> bool:
    """Whether a note is another than was asked for, and of its pitch."""
    waited = asked(state)
    if waited is None or state.instrument is None or (event.string, place) == waited:
        return False
    return abs(cents_between(event.f1_hz, state.instrument.place_hz(*waited))) <= STRAY_CENTS


def _pluck(place: Place, event: ev.ReadingTaken) -> PluckReading:
    flags = event.flags.split(", ")
    # Where the first partial was too weak to be read, it was put where the string pitch is.
    told = event.string_se_cents is not None and "weak first partial" not in flags
    return PluckReading(
        place,
        event.f1_hz,
        event.se_cents,
        event.strength_db,
        event.string_hz if told else None,
        event.string_se_cents or 0.0,
        "clipped" in flags,
    )


def slope_learnt(string: StringState) -> Slope | None:
    """Pitch against strength, after the plucks of the comparison that has just ended."""
    plucks = [
        Pluck(p.place, CENTS_PER_E * math.log(p.f1_hz), p.se_cents, p.known_strength_db, order)
        for order, p in enumerate(string.plucks)
        if p.known_strength_db is not None
    ]
    return learn(plucks, string.slope)


def hand_learnt(state: State, number: int) -> Hand:
    """How plucks scatter, after those of the comparison of a string that has just ended."""
    plucks = state.string(number).plucks
    there = {pluck.place for pluck in plucks}
    targets = {Place("fret", fret): 100.0 * fret for fret in state.played.frets if Place("fret", fret) in there}
    if not targets or OPEN not in there:
        return state.hand
    return joint_errors(plucks, targets, state.hand, state.string(number).slope).hand(state.hand)


def reading_doubted(state: State, event: ev.ReadingDoubted) -> State:
    """The note waits until somebody says what it was."""
    first, second = (ev.ReadingTaken(**json.loads(body)) for body in (event.first, event.second))
    return replace(state, doubt=Doubt(first, second, event.probability, event.second_probability))


def reading_discarded(state: State, event: ev.ReadingDiscarded) -> State:
    """The last pluck of a comparison is taken out of it."""
    if event.string == 0:
        return state  # the step itself drops what was in doubt
    return with_string(state, event.string, plucks=state.string(event.string).plucks[:-1])
