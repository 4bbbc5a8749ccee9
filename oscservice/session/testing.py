"""What comparisons say beside a saddle's place: causes that no saddle cures, and how a string answered its move."""

from __future__ import annotations

import math
from dataclasses import replace

from oscservice.advice.comparison import Comparison
from oscservice.advice.finding import Finding, findings, stopped_strings, suspicion
from oscservice.advice.response import oddity
from oscservice.session import events as ev
from oscservice.session.state import State
from oscservice.session.surveying import MOST_SURVEY_PLUCKS, survey_of, surveys, to_json

SUSPECT = 0.25
IN_DOUBT = 0.35
"""More plucks are asked for while causes that no saddle cures are likelier than the first, and none is sure; when there
were enough of them and it is still likelier than the second, somebody has to look before a saddle is moved."""


def survey_taken(state: State) -> list[ev.Event]:
    """The event that keeps the survey of the string in focus, if its plucks allow one."""
    survey = survey_of(state, state.focus)
    return [] if survey is None else [ev.StringSurveyed(state.focus, to_json(survey))]


def causes_tested(state: State) -> list[ev.Event]:
    """Hold the pattern of all strings surveyed against the causes; strings that no saddle cures are set aside."""
    assert state.instrument is not None
    heard = surveys(state)
    found = findings(state.instrument, heard)
    if not found:
        probability, likeliest = suspicion(state.instrument, heard)
        if likeliest is not None and probability > SUSPECT and state.survey_plucks < MOST_SURVEY_PLUCKS:
            why = f"{likeliest.name}: {likeliest.probability:.0%} likely; more plucks will tell"
            return [ev.SurveyExtended(state.survey_plucks + 1, why)]
        if likeliest is not None and probability > IN_DOUBT:
            found = (likeliest,)
    stopped = {n: f for n, f in stopped_strings(found).items() if _advised(state, n)}
    told: list[ev.Event] = [ev.CauseNamed(to_json(finding)) for finding in found]
    aside: list[ev.Event] = [ev.StringSetAside(n, _reason(finding)) for n, finding in stopped.items()]
    first: list[ev.Event] = [ev.Focused(max(found[0].strings), "")] if found else []
    return [*told, *aside, *first, ev.CausesTested(bool(found))]


def uneven(state: State) -> list[ev.Event]:
    """What the 12th-fret harmonic says against moving the saddle of the string in focus, where it was heard."""
    string = state.string(state.focus)
    if state.played.several or string.harmonic_cents is None or not _advised(state, state.focus):
        return []
    assert state.instrument is not None
    found = stopped_strings(findings(state.instrument, surveys(state))).get(state.focus)
    return [] if found is None else stopped_by(replace(found, strings=(state.focus,)))


def stopped_by(finding: Finding) -> list[ev.Event]:
    """A cause is named for one string, which is set aside for it."""
    return [ev.CauseNamed(to_json(finding)), ev.StringSetAside(finding.strings[0], _reason(finding))]


def answered(state: State, comparison: Comparison) -> list[ev.Event]:
    """How the string in focus answered its last move, once that was heard."""
    string = state.string(state.focus)
    move = string.last_move
    if move is None or state.instrument is None:
        return []
    heard = comparison.error_cents - move.before_cents
    se = math.hypot(comparison.se_cents, move.before_se_cents, move.placing_cents)
    responses = {n: s.response for n, s in zip(state.numbers, state.strings, strict=True) if s.moves}
    responses[state.focus] = string.response.after(move.geometric_cents, heard, se)
    why = oddity(state.focus, responses, state.instrument.adjuster_of(state.focus)) or ""
    return [ev.ResponseLearnt(state.focus, move.geometric_cents, heard, se, why)]


def _advised(state: State, number: int) -> bool:
    string = state.string(number)
    return not string.overruled and not string.left_out


def _reason(finding: Finding) -> str:
    return f"{finding.text}; {finding.check}"
