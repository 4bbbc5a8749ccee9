"""Conclusions: an event keeps what was calculated from it, so replay calculates nothing."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from dataclasses import replace
from types import FunctionType
from typing import Any

import pytest
from golden.sessions import SESSIONS

from oscservice.advice.comparison import JointErrors
from oscservice.advice.floating_bridge import Balance
from oscservice.advice.saddle_response import Response
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session.conclude import conclude
from oscservice.session.decide import take_step
from oscservice.session.evolve import evolve, fold
from oscservice.session.state import State

NAMES = sorted(SESSIONS)
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
_READERS = ("survey_from_json", "finding_from_json", "with_strings_fitted")
"""Functions in these modules that only read what an event says."""


def journal(name: str) -> list[str]:
    """Events of a session as they are stored."""
    return [json.dumps(ev.to_body(event)) for step in SESSIONS[name]().steps for event in step]


def read(lines: Iterable[str]) -> list[ev.Event]:
    return [ev.from_body(*json.loads(line)) for line in lines]


def no_estimators(monkeypatch: pytest.MonkeyPatch) -> int:
    """Let every estimator, prediction and decision raise; gives how many."""

    def raises(*args: Any, **more: Any) -> Any:
        raise AssertionError("replay calculates")

    count = 0
    for module in [one for name, one in sys.modules.items() if name.startswith("oscservice.session.")]:
        for name, value in list(vars(module).items()):
            if isinstance(value, FunctionType) and value.__module__.startswith(_ESTIMATORS) and name not in _READERS:
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
    assert fold(old) == SESSIONS[name]().state


def test_without_conclusions_replay_does_calculate(monkeypatch: pytest.MonkeyPatch) -> None:
    old = [ev.without_conclusions(event) for event in read(journal("floating"))]
    no_estimators(monkeypatch)
    with pytest.raises(AssertionError, match="replay calculates"):
        fold(old)


@pytest.mark.parametrize("name", NAMES)
def test_every_event_of_a_step_is_concluded_and_folds_to_its_state(name: str) -> None:
    made, state = SESSIONS[name](), State()
    for command, events in zip(made.commands, made.steps, strict=True):
        step = take_step(state, command)
        assert step.events == events
        for event in step.events:
            assert conclude(state, event) is event
            state = evolve(state, event)
        assert state == step.state


def test_a_stored_conclusion_is_copied() -> None:
    made = SESSIONS["floating"]()
    events = [event for step in made.steps for event in step]
    at = next(i for i, event in enumerate(events) if isinstance(event, ev.ReadingTaken) and event.learnt_stiffness)
    reading = events[at]
    assert isinstance(reading, ev.ReadingTaken)
    state = fold(events[:at])
    other = evolve(state, replace(reading, learnt_stiffness="[-9.5,0.25]")).string(reading.string)
    assert other.learnt_stiffness == values.stiffness_of("[-9.5,0.25]")


def test_nothing_is_stored_where_nothing_was_concluded() -> None:
    assert ev.to_body(ev.TunedByHand(3)) == ("TunedByHand", {"string": 3})
    assert ev.to_body(ev.StepBegun("Next")) == ("StepBegun", {"what": "Next"})
    fixed = [event for step in SESSIONS["fixed"]().steps for event in step]
    assert all("balance" not in ev.to_body(event)[1] for event in fixed)
    assert all("held" not in ev.to_body(event)[1] for event in fixed)


def test_a_balance_comes_back_to_the_last_bit() -> None:
    balance = SESSIONS["floating"]().state.balance
    assert balance is not None
    again = values.first_balance_of(values.first_balance_text(balance))
    assert again == balance
    assert values.balance_of(values.balance_text(balance), again) == balance
