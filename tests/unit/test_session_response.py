"""The effect of a move, compared with geometry: a session learns it, reports odd ones, and uses it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache

import pytest
from made_up_session import BAR, FLOATING, SCREWS, MadeUpSession, MadeUpTechnician

from oscservice.advice.correction import error_after, speaking_lengths_mm
from oscservice.advice.saddle_response import Response
from oscservice.session import events as ev
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase, Status

FAR = {6: 12.0}
REST = dict.fromkeys(range(1, 6), 0.2)


def worked(
    errors: dict[int, float], response: float, seed: int = 1, **job: str
) -> tuple[MadeUpSession, MadeUpTechnician]:
    """A whole set-up on a guitar whose saddles do ``response`` times what they should."""
    begun = MadeUpSession(SCREWS, **job).inspected()  # type: ignore[arg-type]
    hands = MadeUpTechnician(begun, errors, response=response, seed=seed)
    hands.work()
    return begun, hands


def moves(job: MadeUpSession, number: int) -> list[float]:
    return [e.mm for e in job.events if isinstance(e, ev.SaddleMoved) and e.string == number]


def without_learning(job: MadeUpSession, error_cents: float, response: float, tolerance_cents: float = 1.0) -> int:
    """Moves it takes to come within tolerance if every move is planned by geometry alone, and nothing scatters."""
    spec, moved_mm, count = job.instrument.string(6), 0.0, 0
    while abs(error_cents) > tolerance_cents:
        open_mm, stopped_mm = speaking_lengths_mm(spec, 12, moved_mm)
        ratio = 2.0 ** (error_cents / 1200.0)
        told_mm = open_mm * stopped_mm * (ratio - 1.0) / (open_mm - stopped_mm * ratio)
        error_cents = error_after(error_cents, (open_mm, stopped_mm), response * told_mm)
        moved_mm += told_mm
        count += 1
    return count


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_half_as_much_again_is_learnt_and_the_second_move_lands(seed: int) -> None:
    job, hands = worked(FAR | REST, 1.5, seed)
    taken = moves(job, 6)
    assert len(taken) == 2
    assert len(taken) < without_learning(job, FAR[6], 1.5) == 4
    assert job.string(6).response.ratio == pytest.approx(1.5, abs=0.1)
    assert abs(hands.error(6)) <= 2.0
    # The first move overshoots by half; the second comes back by a third of that, for its millimetres do more.
    assert taken[1] == pytest.approx(-taken[0] / 3.0, rel=0.2)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_odd_response_is_reported_in_numbers_and_an_ordinary_one_is_not(seed: int) -> None:
    odd, _ = worked(FAR | REST, 1.5, seed)
    learnt = next(e for e in odd.events if isinstance(e, ev.ResponseLearnt) and e.string == 6)
    assert learnt.heard_cents == pytest.approx(1.5 * learnt.geometric_cents, abs=3.0 * learnt.se_cents)
    assert "string 6" in learnt.oddity
    assert "1" in learnt.oddity
    assert "%" in learnt.oddity
    assert "thread" in learnt.oddity
    ordinary, _ = worked(FAR | REST, 1.0, seed)
    answers = [e for e in ordinary.events if isinstance(e, ev.ResponseLearnt)]
    assert [e.string for e in answers] == [6]
    assert answers[0].oddity == ""
    assert ordinary.string(6).response.ratio == pytest.approx(1.0, abs=0.05)


def test_two_strings_with_equal_responses_indicate_the_thread_for_all() -> None:
    job, hands = worked({6: 12.0, 5: -11.0, 4: 10.0, 3: 0.1, 2: 0.0, 1: 9.0}, 1.5)
    first: dict[int, str] = {}
    for e in job.events:
        if isinstance(e, ev.ResponseLearnt):
            first.setdefault(e.string, e.oddity)
    assert list(first) == [6, 5, 4, 1]
    assert first[6].startswith("the move of string 6 had 1")
    assert first[5].startswith("moves of strings 5, 6 had 1")
    assert "thread" in first[5]
    assert all(abs(hands.error(n)) <= 2.0 for n in job.state.numbers)
    # Two strings had to teach it; the rest are moved once.
    assert [len(moves(job, n)) for n in (6, 5, 4, 1)] == [2, 2, 1, 1]


def test_no_screw_no_thread() -> None:
    begun = MadeUpSession(FLOATING).inspected()
    MadeUpTechnician(begun, FAR | REST, response=0.6).work()
    odd = [e.oddity for e in begun.events if isinstance(e, ev.ResponseLearnt) and e.oddity]
    assert odd
    assert "thread" not in odd[0]
    assert "slipped" in odd[0]


def test_learnt_values_are_undone_with_the_step_and_replayed_with_the_journal() -> None:
    job = MadeUpSession(SCREWS).inspected()
    hands = MadeUpTechnician(job, FAR | REST, response=1.5)
    for _ in range(500):
        before = job.state
        hands.step()
        if any(isinstance(e, ev.ResponseLearnt) for e in job.events):
            break
    assert before.string(6).response == Response()
    assert job.string(6).response != Response()
    assert fold(ev.from_body(*json.loads(json.dumps(ev.to_body(e)))) for e in job.events) == job.state
    undone = replace(fold([ev.TakenBack()], job.state), revision=0)
    assert undone == replace(before, revision=0)


def test_a_move_of_an_unheard_string_is_no_evidence() -> None:
    job = MadeUpSession(SCREWS).tuned()
    begun = [e for e in job.events if not isinstance(e, ev.TakenBack)]
    state: State = fold(begun)
    moved = fold([ev.SaddleMoved(4, 1.0, told=True)], state)
    assert moved.string(4).last_move is None
    assert moved.string(4).response == Response()
    assert moved.phase is Phase.RETUNING


def test_the_expected_error_after_a_move_uses_the_strings_own_response() -> None:
    job, hands = worked(FAR | REST, 1.5)
    judged = [e for e in job.events if isinstance(e, ev.StringJudged) and e.string == 6 and e.left_cents is not None]
    assert judged[1].left_cents == pytest.approx(0.0, abs=0.1)
    assert abs(hands.error(6)) < 1.5


# Whole set-ups


def test_a_wrong_thread_is_learnt_named_and_counted_with() -> None:
    off = {1: 9.0, 2: -9.0, 3: 8.0, 4: -8.0, 5: 9.0, 6: -9.0}
    job = MadeUpSession(SCREWS, tolerance_cents=1.0).inspected()
    hands = MadeUpTechnician(job, off, response=1.4)
    hands.work()
    moves = [job.string(n).moves for n in range(1, 7)]
    # The first strings, from the sixth on, take a second move; then the thread is known.
    assert moves[:3] == [1, 1, 1]
    assert sum(moves) <= 10
    told = [e.oddity for e in job.events if isinstance(e, ev.ResponseLearnt) and e.oddity]
    assert any("thread" in line for line in told)
    assert all(abs(hands.error(n)) <= 1.5 for n in off)
    assert job.string(1).response.ratio == pytest.approx(1.4, abs=0.1)


def test_a_bridge_as_in_the_file_shows_no_odd_response() -> None:
    job = MadeUpSession(SCREWS).inspected()
    MadeUpTechnician(job, {1: 9.0, 2: -9.0, 3: 8.0, 4: -8.0, 5: 9.0, 6: -9.0}).work()
    learnt = [e for e in job.events if isinstance(e, ev.ResponseLearnt)]
    assert len(learnt) == 6
    assert not any(e.oddity for e in learnt)
    assert all(job.string(n).response.ratio == pytest.approx(1.0, abs=0.08) for n in range(1, 7))


def test_over_several_frets_a_move_is_learnt_from_at_the_fret_they_are_summed_up_at() -> None:
    job, hands = worked({6: 12.0, 5: -11.0} | dict.fromkeys(range(1, 5), 0.2), 1.5, frets="5 12")
    learnt = [e for e in job.events if isinstance(e, ev.ResponseLearnt)]
    assert [e.string for e in learnt[:1]] == [6]
    for e in learnt[:2]:
        assert e.heard_cents == pytest.approx(1.5 * e.geometric_cents, abs=3.0 * e.se_cents)
    # Cents at fret 12: the saddle takes half of what it does to the open string away from it again.
    spec = job.instrument.string(6)
    open_mm, fret_mm = speaking_lengths_mm(spec, 12, 0.0)
    mm = moves(job, 6)[0]
    geometric = 1200.0 * math.log2((open_mm + mm) / open_mm * fret_mm / (fret_mm + mm))
    assert learnt[0].geometric_cents == pytest.approx(geometric, abs=0.05)
    assert job.state.outcome == "proved"
    assert all(abs(hands.error(n)) <= 2.0 for n in job.state.numbers)


FAR_OFF = {6: 12.0, 5: -11.0} | dict.fromkeys(range(1, 5), 0.2)


@cache
def far_off(response: float, seed: int) -> tuple[MadeUpSession, MadeUpTechnician]:
    """A whole set-up of two strings that are far off, done once for all tests."""
    return worked(FAR_OFF, response, seed, frets="5 12 17")


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("response", [1.3, 1.5])
def test_the_expected_result_of_a_move_does_not_outweigh_readings(response: float, seed: int) -> None:
    job, hands = far_off(response, seed)
    assert job.state.outcome == "proved"
    assert all(abs(hands.error(n)) <= 2.5 for n in job.state.numbers)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_a_result_that_the_last_pass_contradicts_is_not_used_again(seed: int) -> None:
    job, _ = far_off(1.5, seed)
    assert not any(string.status is Status.SET_ASIDE for string in job.state.strings)
    assert all(string.reopened <= 1 for string in job.state.strings)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_move_of_a_bar_informs_every_string_on_it(seed: int) -> None:
    job = MadeUpSession(BAR).inspected()
    hands = MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 7.0), response=1.5, seed=seed)
    hands.work()
    learnt = {e.string for e in job.events if isinstance(e, ev.ResponseLearnt)}
    assert learnt == set(job.state.numbers)
    assert all(job.string(n).response.ratio == pytest.approx(1.5, abs=0.25) for n in job.state.numbers)
