"""The last pass: every string open, as a harmonic and at the frets compared, with as few plucks as possible."""

from __future__ import annotations

from dataclasses import replace

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.advice.causes import findings, strings_without_advice
from oscservice.advice.comparison import Comparison
from oscservice.advice.decision import confirmed
from oscservice.instrument.pitch import HARMONIC, OPEN
from oscservice.session import events as ev
from oscservice.session.event_values import finding_text
from oscservice.session.judgement import comparison_of
from oscservice.session.next_pluck import drifted, ending, unproved
from oscservice.session.state import State
from oscservice.session.survey import survey_of
from oscservice.session.vocabulary import Phase

MOST_REOPENED = 3
"""A string that the last pass sent back so often is not sent back once more."""

_MOST_PROVING_NOTES = 40  # after these a last pass is given up, and the string compared again


def next_to_prove(state: State) -> list[ev.Event]:
    """On to a string that is not proved yet, or the record is sealed."""
    waiting = unproved(state)
    return [ev.Focused(max(waiting), "")] if waiting else [ev.SessionClosed(ending(state))]


def after_proving(state: State) -> list[ev.Event]:
    """The events that follow from the plucks of the last pass so far."""
    string = state.string(state.focus) if state.focus else None
    if string is None or string.proved or string.left_out:
        return next_to_prove(state)
    if drifted(string):
        return [ev.PhaseEntered(Phase.RETUNING), ev.Focused(state.focus, "")]
    comparison = comparison_of(state, state.focus)
    if comparison is None or string.plucks[-1].place != OPEN or string.last is None:
        return []
    answer = last_word(state, comparison)
    if answer is None and len(string.plucks) < _MOST_PROVING_NOTES:
        return []
    if answer:
        if not string.no_harmonic and all(pluck.place != HARMONIC for pluck in string.plucks):
            return []
        found = (comparison.error_cents, comparison.se_cents, comparison.plucks, comparison.scatter_cents)
        ambiguity = (comparison.ambiguity_cents, comparison.ambiguity_se_cents)
        return [*_uneven(state), ev.StringProved(state.focus, *found, *ambiguity)]
    if string.reopened >= MOST_REOPENED:
        off = f"{comparison.error_cents:+.1f} ± {comparison.se_cents:.1f} cents in the last pass again"
        return [ev.StringSetAside(state.focus, f"{off}: look for a loose part or a worn string")]
    return [ev.StringReopened(state.focus, "not within tolerance in the last pass"), ev.PhaseEntered(Phase.COMPARING)]


def last_word(state: State, comparison: Comparison) -> bool | None:
    """True if the last pass confirms the string in focus, False if it does not; None: that takes more plucks."""
    last = state.string(state.focus).last
    assert last is not None
    before = last.as_comparison()
    return confirmed(comparison, _tolerance(state, before), before)


def _uneven(state: State) -> list[ev.Event]:
    """A cause to name for a string that is proved at the frets compared, but whose harmonic shows that it is uneven."""
    survey = survey_of(state, state.focus)
    if survey is None or state.instrument is None or state.named(state.focus) is not None:
        return []
    found = strings_without_advice(findings(state.instrument, {state.focus: survey})).get(state.focus)
    return [] if found is None else [ev.CauseNamed(finding_text(replace(found, strings=(state.focus,))))]


def _tolerance(state: State, before: Comparison) -> float:
    """The tolerance; for a saddle shared by several strings, the compromise settled on and half a tolerance more."""
    assert state.instrument is not None
    if len(strings_moved_together(state.instrument, state.focus)) == 1:
        return state.tolerance_cents
    return max(state.tolerance_cents, abs(before.error_cents) + state.tolerance_cents / 2.0)
