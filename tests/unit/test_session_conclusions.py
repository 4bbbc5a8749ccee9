"""Conclusions: an event keeps what was calculated from it, so replay calculates nothing."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from dataclasses import fields, replace
from types import FunctionType
from typing import Any

import pytest
from golden.sessions import SESSIONS
from invented_sessions import VERSION, Invented

from oscservice.advice.comparison import JointErrors
from oscservice.advice.floating_bridge import Balance
from oscservice.advice.saddle_response import Response
from oscservice.report.facts import Facts
from oscservice.report.gather_facts import gather_facts
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session.conclude import _NEEDED_BY_REPLAY, _ONLY_FOR_REPORTS, conclude
from oscservice.session.decide import decide
from oscservice.session.evolve import evolve
from oscservice.session.replay import effective_events, fold
from oscservice.session.session_results import compared_strings, remaining, summary_of
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase

NAMES = sorted(SESSIONS)
CLOSED = [name for name in NAMES if name != "left_open"]
_PATCHED = ("oscservice.session.", "oscservice.report.")
_ESTIMATORS = (
    "oscservice.advice.",
    "oscservice.hearing.",
    "oscservice.instrument.modified_instrument",
    "oscservice.session.automatic_steps",
    "oscservice.session.inspection",
    "oscservice.session.judgement",
    "oscservice.session.next_pluck",
    "oscservice.session.survey",
    "oscservice.session.tuning_rounds",
)
_READERS = ("with_strings_fitted", "with_strings_described", "current_survey")
"""Functions in these modules that only read what an event or the state says."""
_INSPECTED = (
    *("measured_of", "left_of", "age_of", "item_of", "age_days", "_judged"),
    *("strings_told", "_of_strings", "_whole"),
)
"""Functions that a report words the inspection with: measured values and the instrument's own targets."""


def journal(name: str) -> list[str]:
    """Events of a session as they are stored."""
    return [json.dumps(ev.to_body(event)) for step in SESSIONS[name]().steps for event in step]


def read(lines: Iterable[str]) -> list[ev.Event]:
    return [ev.from_body(*json.loads(line)) for line in lines]


def no_estimators(monkeypatch: pytest.MonkeyPatch, but_for: tuple[str, ...] = ()) -> int:
    """Let every estimator, prediction and decision raise, except those named; gives how many."""

    def raises(*args: Any, **more: Any) -> Any:
        raise AssertionError("replay calculates")

    count = 0
    kept = (*_READERS, *but_for)
    for module in [one for name, one in sys.modules.items() if name.startswith(_PATCHED)]:
        for name, value in list(vars(module).items()):
            if isinstance(value, FunctionType) and value.__module__.startswith(_ESTIMATORS) and name not in kept:
                monkeypatch.setattr(module, name, raises)
                count += 1
    for kind, method in ((Response, "after"), (JointErrors, "scatter_after"), (Balance, "coupling")):
        monkeypatch.setattr(kind, method, raises)
    return count


@pytest.mark.parametrize("name", NAMES)
def test_a_journal_replays_without_any_estimator(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    made, lines = SESSIONS[name](), journal(name)
    with monkeypatch.context() as patched:
        assert no_estimators(patched) > 60
        replayed = fold(read(lines))
    assert replayed == made.state
    assert replayed.past == made.state.past


@pytest.mark.parametrize("name", NAMES)
def test_a_journal_of_an_older_version_replays_to_the_same_state(name: str) -> None:
    old = [ev.without_conclusions(event) for event in read(journal(name))]
    assert fold(old) == replace(SESSIONS[name]().state, as_left=None)


def test_without_conclusions_replay_does_calculate(monkeypatch: pytest.MonkeyPatch) -> None:
    old = [ev.without_conclusions(event) for event in read(journal("floating"))]
    no_estimators(monkeypatch)
    with pytest.raises(AssertionError, match="replay calculates"):
        fold(old)


@pytest.mark.parametrize("name", NAMES)
def test_every_event_of_a_step_is_concluded_and_folds_to_its_state(name: str) -> None:
    made, state = SESSIONS[name](), State()
    for command, events in zip(made.commands, made.steps, strict=True):
        step = decide(state, command)
        assert step.events == events
        for event in step.events:
            assert conclude(state, event) is event
            state = evolve(state, event)
        assert state == step.state


def test_every_concluded_event_has_a_row_and_the_row_a_concluded_field() -> None:
    concluded = {kind: {one.name for one in fields(kind) if one.metadata} for kind in ev.Event.__args__}
    rows = [(kind, field) for table in (_NEEDED_BY_REPLAY, _ONLY_FOR_REPORTS) for kind, (field, _) in table.items()]
    assert {kind for kind, names in concluded.items() if names} - {ev.StepBegun} == {kind for kind, _ in rows}
    for kind, field in rows:
        assert field in concluded[kind]


def test_a_stored_conclusion_is_copied() -> None:
    made = SESSIONS["floating"]()
    events = [event for step in made.steps for event in step]
    at = next(i for i, event in enumerate(events) if isinstance(event, ev.ReadingTaken) and event.learnt_stiffness)
    reading = events[at]
    assert isinstance(reading, ev.ReadingTaken)
    state = fold(events[:at])
    other = evolve(state, replace(reading, learnt_stiffness="[-9.5,0.25]")).string(reading.string)
    assert other.learnt_stiffness == values.stiffness_of("[-9.5,0.25]")


def facts(name: str, events: Iterable[ev.Event]) -> Facts:
    """Facts of a session's report."""
    invented = Invented(name, SESSIONS[name]().state.instrument, (tuple(events),), name)
    return gather_facts(invented.record, effective_events(invented.timed), VERSION)


@pytest.mark.parametrize("name", CLOSED)
def test_a_closed_session_is_reported_without_any_estimator(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    events, made = read(journal(name)), SESSIONS[name]()
    wanted, summary = facts(name, events), summary_of(made.state, name)
    with monkeypatch.context() as patched:
        assert no_estimators(patched, _INSPECTED) > 60
        assert facts(name, events) == wanted
        state = fold(events)
        assert summary_of(state, name) == summary
        if compared_strings(state):
            assert remaining(state) == remaining(made.state)
        else:
            with pytest.raises(ValueError, match="no string was compared"):
                remaining(state)


@pytest.mark.parametrize("name", NAMES)
def test_stored_values_equal_calculated_ones(name: str) -> None:
    events, made = read(journal(name)), SESSIONS[name]()
    opened = replace(made.state, as_left=None)
    assert compared_strings(opened) == compared_strings(made.state)
    if compared_strings(opened):
        assert remaining(opened, (5, 12)) == remaining(made.state, (5, 12))
    old = [ev.without_conclusions(event) for event in events]
    assert facts(name, old).results == facts(name, events).results


def test_a_report_of_an_older_journal_does_calculate(monkeypatch: pytest.MonkeyPatch) -> None:
    events = read(journal("thorough"))
    for field in ("as_found", "as_left"):
        old = [replace(event, **{field: None}) if hasattr(event, field) else event for event in events]
        with monkeypatch.context() as patched:
            no_estimators(patched, _INSPECTED)
            with pytest.raises(AssertionError, match="replay calculates"):
                facts("thorough", old)


def test_an_open_session_has_no_errors_as_left() -> None:
    state = SESSIONS["thorough"]().state
    assert state.phase is Phase.CLOSED
    assert state.as_left
    assert SESSIONS["left_open"]().state.as_left is None
    assert state.past is not None
    assert state.past.as_left is None


def test_nothing_is_stored_where_nothing_was_concluded() -> None:
    assert ev.to_body(ev.TunedByHand(3)) == ("TunedByHand", {"string": 3})
    assert ev.to_body(ev.StepBegun("Next")) == ("StepBegun", {"what": "Next"})
    assert ev.to_body(ev.SessionClosed("proved")) == ("SessionClosed", {"outcome": "proved"})
    fixed = [event for step in SESSIONS["fixed"]().steps for event in step]
    assert all("balance" not in ev.to_body(event)[1] for event in fixed)
    assert all("held" not in ev.to_body(event)[1] for event in fixed)


def test_a_balance_comes_back_to_the_last_bit() -> None:
    balance = SESSIONS["floating"]().state.balance
    assert balance is not None
    again = values.first_balance_of(values.first_balance_text(balance))
    assert again == balance
    assert values.balance_of(values.balance_text(balance), again) == balance
