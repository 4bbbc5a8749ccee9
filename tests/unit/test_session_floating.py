"""A spring-balanced bridge in the session: rounds of tuning, their targets, and estimates for unplucked strings."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from made_up_session import FLOATING, SCREWS, MadeUpSession

from oscservice.api.address_table import TABLE
from oscservice.api.event_text import sentence
from oscservice.api.topics import topics
from oscservice.instrument.pitch import OPEN, note_name
from oscservice.osc.packet import encode
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.vocabulary import Phase

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import floating


def all_flat(cents: float = -100.0) -> MadeUpSession:
    job = MadeUpSession(FLOATING).inspected()
    for string in (6, 5, 4, 3, 2, 1):
        job.hear(string, OPEN, cents)
    return job


def test_all_are_heard_before_any_is_tuned() -> None:
    job = MadeUpSession(FLOATING).inspected()
    for string in (6, 5, 4, 3, 2, 1):
        assert (job.state.focus, job.prompt) == (string, "pluck_open")
        job.hear(string, OPEN, -100.0)
    assert (job.state.focus, job.prompt) == (6, "tune_up")


def test_the_first_is_to_go_past_its_pitch_and_the_last_to_it() -> None:
    job = all_flat()
    targets = [job.string(n).target_cents for n in (6, 5, 4, 3, 2, 1)]
    assert targets[0] > targets[1] > targets[2] > targets[4] > 1.0
    assert targets[-1] == 0.0
    now = prompt(job.state)
    above = round((targets[0] + 50.0) // 100.0)  # the target as a meter shows it: semitones above E2, and the rest
    assert f"to {note_name(40 + above)} {targets[0] - 100.0 * above:+.0f} cents" in now.text
    assert "will pull it down" in now.text
    assert topics(job.state)["/string/6/tune/target"] == (targets[0],)
    assert len(topics(job.state)["/string/6/coupling"]) == 6
    for address, values in topics(job.state).items():
        assert encode("/bench" + address, *TABLE.typed(address, values))
    assert any("tune string 6 to" in (sentence(event) or "") for event in job.events)


def test_a_string_is_left_where_it_was_to_be_and_not_at_its_pitch() -> None:
    job = all_flat()
    target = job.string(6).target_cents
    job.hear(6, OPEN, 0.0)
    assert (job.state.focus, job.prompt) == (6, "tune_up")
    job.hear(6, OPEN, target + 1.0)
    assert job.state.focus == 5
    assert (job.string(5).open_cents or 0.0) < -110.0, "string 6 has pulled it down, and nobody plucked it"


def test_replay_and_taking_back_are_exact() -> None:
    job = all_flat()
    before = job.state
    job.hear(6, OPEN, 100.0)
    job.do(cm.Next())
    bodies = [json.loads(json.dumps(ev.to_body(event))) for event in job.events]
    assert fold(ev.from_body(*body) for body in bodies) == job.state
    job.do(cm.Undo())
    job.do(cm.Undo())
    assert job.state.strings == before.strings
    assert job.state.balance == before.balance


def test_a_round_ends_by_commands_only() -> None:
    job = all_flat()
    for _ in range(12):
        if job.phase() is Phase.TUNING:
            job.do(cm.Next())
    assert job.phase() is Phase.COMPARING
    assert all(job.string(n).target_cents == 0.0 for n in job.state.numbers)


def test_a_string_set_aside_is_not_waited_for() -> None:
    job = all_flat()
    job.do(cm.SetAside(6, "worn"))
    assert job.state.focus == 5
    job.do(cm.SetAside(5, "worn"))
    assert job.state.focus == 4


def test_a_move_too_far_for_one_round_is_split_and_reported() -> None:
    job = all_flat(-310.0)
    while job.prompt == "pluck_open":  # so far flat they may have been wound on one after the other: heard again
        job.hear(job.state.focus, OPEN, -310.0)
    assert job.state.round_share < 1.0
    assert "block the bridge" in prompt(job.state).caution
    assert any("of the way" in (sentence(event) or "") for event in job.events)


def test_a_new_string_is_brought_near_its_pitch_before_the_next_is_heard() -> None:
    job = MadeUpSession(FLOATING).inspected()
    job.hear(6, OPEN, -700.0)
    assert (job.state.focus, job.prompt) == (6, "tune_up")
    job.hear(6, OPEN, -100.0)
    assert (job.state.focus, job.prompt) == (5, "pluck_open")


def test_a_fixed_bridge_has_no_targets() -> None:
    job = MadeUpSession(SCREWS).inspected()
    job.hear(6, OPEN, -100.0)
    assert job.state.balance is None
    assert (job.state.focus, job.prompt) == (6, "tune_up")
    assert topics(job.state)["/string/6/tune/target"] == (0.0,)
    assert "/string/6/coupling" not in topics(job.state)
    assert not any(isinstance(event, ev.TargetsSet) for event in job.events)


@pytest.mark.slow
@pytest.mark.parametrize("start", ["100 flat", "tone down", "one tone down", "astray"])
def test_with_targets_two_rounds_bring_a_guitar_to_pitch(start: str) -> None:
    found = [floating.one((start, seed)) for seed in (100, 101, 102, 103)]
    table = floating.table({start: found})
    assert all(one.after_two_cents <= floating.DONE_CENTS for one in found), table
    assert all(one.rounds <= one.rounds_without for one in found), table
    if start != "astray":  # as little as a guitar that is nearly in tune teaches can't be asked to tell every pair
        assert all(one.coupling_off <= 0.2 for one in found), table


def test_a_full_set_of_new_strings_comes_to_pitch() -> None:
    found = [floating.one(("slack", seed)) for seed in (100, 101, 102)]
    assert all(one.end_cents <= 5.0 for one in found), floating.table({"slack": found})
