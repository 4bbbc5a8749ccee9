"""A string's survey: its errors over the frets, and the plucks that it needs."""

from __future__ import annotations

import math
from collections.abc import Mapping

from oscservice.advice.causes import misplaced_frets
from oscservice.advice.comparison import harmonic_check
from oscservice.advice.expected_errors import Survey
from oscservice.advice.neck_errors import NeckErrors, combined_neck_errors, compare_frets
from oscservice.advice.saddle_response import Response, first_response
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session.state import State
from oscservice.session.string_state import StringState

HARMONIC_PLUCKS = 2
"""Plucks of the 12th-fret harmonic before causes are tested."""

MOST_SURVEY_PLUCKS = 4
"""Most plucks at every fret, where with fewer a cause or the scatter is unclear."""


def surveying(state: State) -> bool:
    """True while strings are compared for the test of causes, before any advice."""
    return state.played.several and not state.tested


def places(state: State, number: int) -> tuple[Place, ...]:
    """Stopped places that are compared on a string now, in the order of plucking."""
    frets = tuple(Place("fret", fret) for fret in state.played.frets)
    wanted = surveying(state) and current_survey(state.string(number)) is None
    return (HARMONIC, *frets) if wanted else frets


def needs_survey(state: State, number: int) -> bool:
    """True if a string has to be plucked before causes can be tested."""
    survey = current_survey(state.string(number))
    return survey is None or min(survey.neck.plucks) < state.survey_plucks


def neck_of(state: State, number: int) -> NeckErrors | None:
    """Errors at those frets that the string's plucks so far allow, or None before the first.

    The test of causes uses how far single strings differ, so the scatter of other strings does not count here.
    """
    string = state.string(number)
    spec = None if state.instrument is None else state.instrument.string(number)
    return compare_frets(string.plucks, state.played.frets, string.slope, spec)


def weights_of(state: State, number: int) -> Mapping[int, float]:
    """Weight of each fret, those left out that a cause was named for; all of them if none would be left."""
    left_out = misplaced_frets(state.findings, number) if not state.string(number).overruled else frozenset()
    weights = {fret: 0.0 if fret in left_out else weight for fret, weight in state.played.weight().items()}
    return weights if any(weights.values()) else state.played.weight()


def survey_of(state: State, number: int) -> Survey | None:
    """The string's survey by its plucks, and by the one before if the saddle was not moved since; None until every fret
    was plucked."""
    string, neck = state.string(number), neck_of(state, number)
    if neck is None or neck.frets != state.played.frets:
        return None
    before = current_survey(string)
    cents, se = string.harmonic_cents, string.harmonic_se_cents
    if before is not None and before.neck.frets == neck.frets:
        neck = combined_neck_errors(before.neck, neck)
        cents, se = before.harmonic_cents, before.harmonic_se_cents
    if {OPEN, HARMONIC} <= {pluck.place for pluck in string.plucks}:
        checked = harmonic_check(string.plucks, stiffness_of(string))
        cents, se = checked.deviation_cents, checked.se_cents
    return Survey(neck, string.moved_mm, cents, se, string.learnt_stiffness)


def response_of(state: State, number: int) -> Response:
    """The string's response to moves: as learnt from its own, or from those of others before its first."""
    string = state.string(number)
    return string.response if string.moves else first_response(s.response for s in state.strings if s.moves)


def stiffness_of(string: StringState) -> float:
    """B of the open string as well as it is known."""
    return string.stiffness if string.learnt_stiffness is None else math.exp(string.learnt_stiffness.log_b)


def current_survey(string: StringState) -> Survey | None:
    """The string's survey, if its saddle was not moved since; else None."""
    survey = string.survey
    return survey if survey is not None and survey.position_mm == string.moved_mm else None


def surveys(state: State) -> dict[int, Survey]:
    """Every string's survey, of those that have one."""
    found = zip(state.numbers, state.strings, strict=True)
    return {number: string.survey for number, string in found if string.survey is not None}
