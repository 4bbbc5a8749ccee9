"""Judgement of a string: settled, to move, out of travel, or off for a cause that no saddle cures.

Strings that share a saddle are judged together. A comparison after a move also says how the string responded to it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from oscservice.advice.bridge_plan import BridgePlan, adjuster_moves, strings_moved_together
from oscservice.advice.causes import Finding, findings, strings_without_advice, suspected_cause
from oscservice.advice.comparison import FEWEST_PLUCKS, Comparison, compare
from oscservice.advice.correction import (
    SHOWN_MM,
    Ambiguity,
    Move,
    cents_per_mm,
    direction_of,
    error_after,
    refusal,
    saddle_ambiguity,
    saddle_correction,
    speaking_lengths_mm,
)
from oscservice.advice.decision import LAST_PASS_PLUCKS, Decision, combined_with_expected, string_decision
from oscservice.advice.expected_errors import Survey
from oscservice.advice.neck_errors import NeckErrors, equivalent_comparison
from oscservice.advice.saddle_response import geometric_equivalent, response_warning
from oscservice.instrument.pitch import OPEN, Place
from oscservice.instrument.spec import Adjuster, Instrument
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session.event_values import finding_text, survey_text
from oscservice.session.state import State
from oscservice.session.survey import MOST_SURVEY_PLUCKS, current_survey, neck_of, response_of, surveys, weights_of
from oscservice.session.vocabulary import Phase, Status

LARGEST_ERROR_CENTS = 60.0
"""A larger error has another cause: it would take more than two centimetres of saddle travel."""

MOST_MOVES = 5
"""After so many moves of a saddle, an error has another cause."""

_WORTH_MM = 2.0 * SHOWN_MM  # a shared saddle is not moved for less
_WORTH_TOLERANCES = 0.25  # nor when its strings gain less than this share of the tolerance


def comparison_of(state: State, number: int) -> Comparison | None:
    """The comparison that a string's plucks so far allow, or None until every fret to be compared was plucked."""
    string = state.string(number)
    there = {pluck.place for pluck in string.plucks}
    if not {OPEN, *(Place("fret", fret) for fret in state.played.frets)} <= there:
        return None
    if not state.played.several:
        spec = None if state.instrument is None else state.instrument.string(number)
        return compare(string.plucks, state.fret, state.pluck_scatter, string.slope, spec)
    neck = neck_of(state, number)
    return None if neck is None else _as_one(state, number, neck)


def survey_comparison(state: State, number: int) -> Comparison | None:
    """The survey of a string as a comparison; None without a survey at the present position of the saddle."""
    survey = current_survey(state.string(number))
    return None if survey is None else _as_one(state, number, survey.neck)


def _as_one(state: State, number: int, neck: NeckErrors) -> Comparison:
    assert state.instrument is not None
    spec, moved_mm = state.instrument.string(number), state.string(number).moved_mm
    return equivalent_comparison(neck, weights_of(state, number), spec, state.fret, moved_mm)


def ambiguity_of(state: State, number: int, comparison: Comparison) -> Ambiguity | None:
    """The distance between the saddle's places by first partial and by string pitch, mm; None when unknown."""
    if state.instrument is None:
        return None
    moved_mm = state.string(number).moved_mm
    return saddle_ambiguity(comparison, speaking_lengths_mm(state.instrument.string(number), state.fret, moved_mm))


def expected_of(state: State, number: int, heard: Comparison | None) -> Comparison | None:
    """The error of a string as expected before its plucks; None if nothing is known.

    It is its survey if its saddle was not moved since, or else the error that the last move should have left, as a
    comparison of no plucks. The standard error of the latter depends on ``heard``, its comparison so far.
    """
    string = state.string(number)
    found = survey_comparison(state, number) if state.played.several else None
    if found is not None:
        return found
    if string.expected is None:
        return None
    expected, move = string.expected.as_comparison(), string.last_move
    if heard is None or move is None or not state.played.several:
        return expected
    se_cents = math.hypot(heard.se_cents, move.before_se_cents, move.placing_cents)
    doubt = string.response.total_sd_given(move.geometric_cents, heard.error_cents - move.before_cents, se_cents)
    own_cents = (move.before_se_cents, move.placing_cents, doubt * move.geometric_cents)
    return replace(expected, se_cents=math.hypot(*own_cents))


def verdict_on(state: State, comparison: Comparison, expected: Comparison | None) -> Decision:
    """The decision on a comparison of the string in focus; a last pass will follow."""
    assert state.instrument is not None
    moved_mm = state.string(state.focus).moved_mm
    lengths = speaking_lengths_mm(state.instrument.string(state.focus), state.fret, moved_mm)
    return string_decision(
        comparison,
        state.tolerance_cents,
        cents_per_mm=cents_per_mm(lengths),
        expected=expected,
        last_pass_se_cents=state.pluck_scatter.se_cents(LAST_PASS_PLUCKS, LAST_PASS_PLUCKS),
    )


def judge_string(state: State, comparison: Comparison, *, settled: bool) -> list[ev.Event]:
    """The decision on the string in focus: settled, to move (and off to moving), or out of travel."""
    assert state.instrument is not None
    number = state.focus
    if abs(comparison.error_cents) > LARGEST_ERROR_CENTS:
        reason = f"{comparison.error_cents:+.0f} cents off at fret {state.fret}: no saddle is the cause of that"
        return [ev.StringSetAside(number, reason)]
    if len(strings_moved_together(state.instrument, number)) > 1:
        return _judged_together(state, comparison)
    if settled:
        return [_judgement(state, number, Status.SETTLED, comparison)]
    string, adjuster = state.instrument.string(number), state.instrument.adjuster_of(number)
    asked_of_saddle = geometric_equivalent(comparison, response_of(state, number))
    move = saddle_correction(asked_of_saddle, string, state.fret, state.string(number).moved_mm, adjuster)
    share = adjuster.influence[number] if adjuster is not None else 1.0
    if abs(move.mm) >= SHOWN_MM / 2.0:
        if state.string(number).moves >= MOST_MOVES:
            reason = f"moved {MOST_MOVES} times, still {comparison.error_cents:+.1f} cents off: look for a loose part"
            return [ev.StringSetAside(number, reason)]
        judgement = _judgement(state, number, Status.TO_MOVE, comparison, move, share)
        return [judgement, ev.PhaseEntered(Phase.MOVING)]
    status = Status.OUT_OF_TRAVEL if move.out_of_travel or move.refused else Status.SETTLED
    return [_judgement(state, number, status, comparison, move, share)]


def _judged_together(state: State, comparison: Comparison) -> list[ev.Event]:
    """Compare all the strings of a shared saddle, then move for the best of all of them, or let them be."""
    assert state.instrument is not None
    linked = strings_moved_together(state.instrument, state.focus)
    together = [n for n in linked if state.string(n).status is not Status.SET_ASIDE]
    errors = {state.focus: comparison}
    for number in together:
        known = _known(state, number)
        if number != state.focus and known is not None:
            errors[number] = known
    missing = [n for n in together if n not in errors]
    if missing:
        return [ev.Focused(max(missing), "")]
    plan = _plan(state, errors)
    if not _worthwhile(plan, errors, state.tolerance_cents):
        # What was settled before stays as it is.
        return [_let_be(state, n, errors[n], plan) for n in together if n == state.focus or not state.string(n).ended]
    # An adjuster goes by the name of the string it moves most.
    named: dict[int, Adjuster] = {}
    for name, strings in _strings_of(state.instrument, together).items():
        adjuster = next(a for a in state.instrument.bridge.adjusters if a.name == name)
        if abs(plan.moves[name].mm) >= _WORTH_MM:
            named[max(strings, key=lambda n: (abs(adjuster.influence[n]), n))] = adjuster
    judgements: list[ev.Event] = []
    for n in together:
        if n in named:
            move, share = plan.moves[named[n].name], named[n].influence[n]
            judgements.append(_judgement(state, n, Status.TO_MOVE, errors[n], move, share))
        else:
            judgements.append(_judgement(state, n, Status.COMPARING, errors[n]))
    return [*judgements, ev.Focused(max(named), ""), ev.PhaseEntered(Phase.MOVING)]


def _known(state: State, number: int) -> Comparison | None:
    """The error of another string at the present position of the saddle, if it is known well enough for a move."""
    string = state.string(number)
    running = comparison_of(state, number)
    if running is not None and refusal(running) is None:
        return combined_with_expected(running, expected_of(state, number, running))
    found = survey_comparison(state, number) if state.played.several else None
    if found is not None:
        return found
    if string.ended and string.judged_here and string.last is not None:
        # A last pass may be short; the longer comparison before it counts too.
        return replace(string.last.as_comparison(), plucks=max(string.last.plucks, FEWEST_PLUCKS))
    return None


def _strings_of(instrument: Instrument, numbers: list[int]) -> dict[str, list[int]]:
    """Adjuster name -> the strings that it moves more than any other adjuster does."""
    found: dict[str, list[int]] = {}
    for number in numbers:
        adjuster = instrument.adjuster_of(number)
        if adjuster is not None:
            found.setdefault(adjuster.name, []).append(number)
    return found


def _plan(state: State, errors: Mapping[int, Comparison]) -> BridgePlan:
    """The best moves of the adjusters that a compared string can name; the others stay where they are."""
    assert state.instrument is not None
    bridge = state.instrument.bridge
    usable = _strings_of(state.instrument, list(errors))
    kept = bridge.model_copy(update={"adjusters": tuple(a for a in bridge.adjusters if a.name in usable)})
    positions = {name: mm for name, mm in _positions(state).items() if name in usable}
    response = {n: response_of(state, n).ratio for n in errors}
    return adjuster_moves(errors, state.instrument.model_copy(update={"bridge": kept}), positions, state.fret, response)


def _worthwhile(plan: BridgePlan, errors: Mapping[int, Comparison], tolerance_cents: float) -> bool:
    """True if a string is out of tolerance, and the worst one or all together gain enough by a possible move."""
    if not any(abs(move.mm) >= _WORTH_MM for move in plan.moves.values()):
        return False
    before, after = [error.error_cents for error in errors.values()], list(plan.remaining_cents.values())
    worst = max(map(abs, before))
    gains = worst - max(map(abs, after)), (math.hypot(*before) - math.hypot(*after)) / math.sqrt(len(before))
    return worst > tolerance_cents and max(gains) >= _WORTH_TOLERANCES * tolerance_cents


def _let_be(state: State, number: int, comparison: Comparison, plan: BridgePlan) -> ev.StringJudged:
    """Settled, as near as the bridge allows; out of travel where it would allow more if there were room."""
    assert state.instrument is not None
    adjuster = state.instrument.adjuster_of(number)
    if adjuster is not None and abs(comparison.error_cents) > state.tolerance_cents:
        move = plan.moves[adjuster.name]
        if move.out_of_travel:
            return _judgement(state, number, Status.OUT_OF_TRAVEL, comparison, move, adjuster.influence[number])
    return _judgement(state, number, Status.SETTLED, comparison)


def _positions(state: State) -> dict[str, float]:
    """Adjuster name -> how far it has moved, by the moves of the saddles, mm."""
    assert state.instrument is not None
    adjusters = state.instrument.bridge.adjusters
    influence = np.array([[a.influence.get(n, 0.0) for a in adjusters] for n in state.numbers])
    moved, *_ = np.linalg.lstsq(influence, np.array([s.moved_mm for s in state.strings]))
    return {a.name: float(mm) for a, mm in zip(adjusters, moved, strict=True)}


def _judgement(
    state: State, number: int, status: Status, comparison: Comparison, move: Move | None = None, share: float = 1.0
) -> ev.StringJudged:
    """The event; ``share`` is what the string's saddle moves per mm of the adjuster that ``move`` is about."""
    found = (comparison.error_cents, comparison.se_cents, comparison.plucks, comparison.scatter_cents)
    ambiguity = ambiguity_of(state, number, comparison)
    judgement = ev.StringJudged(
        number,
        status,
        *found,
        ambiguity_cents=comparison.ambiguity_cents,
        ambiguity_se_cents=comparison.ambiguity_se_cents,
        ambiguity_mm=None if ambiguity is None else ambiguity.mm,
        ambiguous=ambiguity is not None and ambiguity.matters,
    )
    if move is None or state.instrument is None:
        return judgement
    saddle_mm = move.mm * share
    lengths = speaking_lengths_mm(state.instrument.string(number), state.fret, state.string(number).moved_mm)
    change = error_after(comparison.error_cents, lengths, saddle_mm) - comparison.error_cents
    return replace(
        judgement,
        left_cents=comparison.error_cents + response_of(state, number).ratio * change,
        move_mm=saddle_mm,
        move_se_mm=move.se_mm * abs(share),
        turns=move.turns,
        direction=direction_of(move.needed_mm * share),
        room_mm=move.room_mm * abs(share),
        missing_mm=move.missing_mm * abs(share),
    )


SUSPECT = 0.25
IN_DOUBT = 0.35
"""Probabilities of causes that no saddle cures, while none of them is sure: above the first, more plucks are asked for;
above the second, somebody has to look after enough plucks."""


def survey_event(number: int, survey: Survey) -> ev.StringSurveyed:
    """The event that keeps a string's survey."""
    return ev.StringSurveyed(number, survey_text(survey))


def causes_tested(state: State) -> list[ev.Event]:
    """Compare the pattern of all surveyed strings with the causes; strings that no saddle cures are set aside."""
    assert state.instrument is not None
    heard = surveys(state)
    found = findings(state.instrument, heard)
    if not found:
        probability, likeliest = suspected_cause(state.instrument, heard)
        if likeliest is not None and probability > SUSPECT and state.survey_plucks < MOST_SURVEY_PLUCKS:
            why = f"{likeliest.name}: {likeliest.probability:.0%} likely; more plucks will show"
            return [ev.SurveyExtended(state.survey_plucks + 1, why)]
        if likeliest is not None and probability > IN_DOUBT:
            found = (likeliest,)
    stopped = {n: f for n, f in strings_without_advice(found).items() if _advised(state, n)}
    named: list[ev.Event] = [ev.CauseNamed(finding_text(finding)) for finding in found]
    aside: list[ev.Event] = [ev.StringSetAside(n, _reason(finding)) for n, finding in stopped.items()]
    first: list[ev.Event] = [ev.Focused(max(found[0].strings), "")] if found else []
    return [*named, *aside, *first, ev.CausesTested(bool(found))]


def stopped_as_uneven(state: State, survey: Survey | None) -> list[ev.Event]:
    """The events that stop a move of the string in focus because its 12th-fret harmonic is off; empty if it is not.

    ``survey`` is the string's newest survey.
    """
    string = state.string(state.focus)
    if state.played.several or string.harmonic_cents is None or not _advised(state, state.focus):
        return []
    assert state.instrument is not None
    known = surveys(state) | ({} if survey is None else {state.focus: survey})
    found = strings_without_advice(findings(state.instrument, known)).get(state.focus)
    return [] if found is None else stopped_by(replace(found, strings=(state.focus,)))


def stopped_by(finding: Finding) -> list[ev.Event]:
    """A cause is named for one string, which is set aside for it."""
    return [ev.CauseNamed(finding_text(finding)), ev.StringSetAside(finding.strings[0], _reason(finding))]


def response_learnt(state: State, comparison: Comparison) -> ev.ResponseLearnt | None:
    """The response of the string in focus to its last move; None without a move that was not heard yet."""
    string = state.string(state.focus)
    move = string.last_move
    if move is None or state.instrument is None:
        return None
    heard = comparison.error_cents - move.before_cents
    se = math.hypot(comparison.se_cents, move.before_se_cents, move.placing_cents)
    response = string.response.after(move.geometric_cents, heard, se)
    responses = {n: s.response for n, s in zip(state.numbers, state.strings, strict=True) if s.moves}
    responses[state.focus] = response
    why = response_warning(state.focus, responses, state.instrument.adjuster_of(state.focus)) or ""
    return ev.ResponseLearnt(state.focus, move.geometric_cents, heard, se, why, values.response_text(response))


def _advised(state: State, number: int) -> bool:
    string = state.string(number)
    return not string.overruled and not string.left_out


def _reason(finding: Finding) -> str:
    return f"{finding.text}; {finding.check}"
