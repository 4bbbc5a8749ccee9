"""A session over several frets: every string is compared before any is moved, and what no saddle cures is told."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest
from made_up import SCREWS, Hands, Job, refused

from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.asking import MOST_BETWEEN, asked
from oscservice.session.evolve import evolve, fold
from oscservice.session.state import State
from oscservice.session.surveying import HARMONIC_PLUCKS, MOST_SURVEY_PLUCKS
from oscservice.session.words import Phase, Status

ERRORS = {1: 6.0, 2: -5.0, 3: 0.3, 4: 4.0, 5: 0.0, 6: 5.0}
WORN = {4: 6.0}
"""String 4's harmonic is far off the octave: no saddle cures that."""


def asked_to_look(**hands: object) -> tuple[Job, Hands]:
    """A thorough job on a guitar with a worn string, up to where somebody has to look."""
    job = Job(SCREWS, frets="thorough").inspected()
    worker = Hands(job, ERRORS, harmonics_cents=WORN, **hands)  # type: ignore[arg-type]
    for _ in range(2000):
        if job.prompt == "look_into":
            return job, worker
        worker.step()
    raise AssertionError("nobody was asked to look")


def plucked(job: Job, number: int) -> list[Place]:
    return [Place.parse(e.place) for e in job.events if isinstance(e, ev.ReadingTaken) and e.string == number]


def test_a_string_is_plucked_open_first_and_last_and_often_between() -> None:
    job, _ = asked_to_look()
    order = plucked(job, 5)
    begins = order.index(HARMONIC) - 1
    order = order[begins:]
    assert (order[0], order[-1]) == (OPEN, OPEN)
    between = [len(run.split()) for run in " ".join("o" if p == OPEN else "x" for p in order).split("o")]
    assert max(between) <= MOST_BETWEEN
    assert order.count(HARMONIC) == HARMONIC_PLUCKS
    for fret in (1, 3, 5, 7, 12, 17):
        assert 2 <= order.count(Place("fret", fret)) <= MOST_SURVEY_PLUCKS


def test_no_saddle_is_moved_before_all_strings_were_compared() -> None:
    job, worker = asked_to_look()
    assert not any(isinstance(e, ev.StringJudged | ev.SaddleMoved) for e in job.events)
    assert {e.string for e in job.events if isinstance(e, ev.StringSurveyed)} == set(job.state.numbers)
    job.do(cm.Next())
    worker.work()
    assert job.state.outcome == "partly proved"
    moved = {e.string for e in job.events if isinstance(e, ev.SaddleMoved)}
    assert {1, 2, 6} <= moved
    assert 4 not in moved
    for number in (1, 2, 3, 5, 6):
        assert abs(worker.error(number)) <= 2.0


def test_what_no_saddle_cures_is_set_aside_with_its_numbers_and_waits_to_be_seen() -> None:
    job, _ = asked_to_look()
    string = job.string(4)
    assert string.status is Status.SET_ASIDE
    assert "uneven string" in string.reason
    assert "sure" in string.reason
    assert any(character.isdigit() for character in string.reason)
    assert asked(job.state) is None
    before = job.state
    with pytest.raises(cm.Ignored):
        job.hear(3, Place("fret", 12), 9.0)
    assert job.state is before
    job.do(cm.Next())
    assert not job.state.unseen
    assert job.string(4).status is Status.SET_ASIDE
    assert job.prompt != "look_into"


def test_overruled_it_is_advised_on() -> None:
    job, worker = asked_to_look()
    job.do(cm.Overrule(4))
    assert job.string(4).overruled
    assert [e.status for e in job.events if isinstance(e, ev.StringJudged) and e.string == 4] == [Status.TO_MOVE]
    worker.work()
    assert job.state.outcome == "proved"
    assert abs(worker.error(4)) <= 2.0


def test_there_is_nothing_to_overrule_where_no_cause_was_named() -> None:
    job, _ = asked_to_look()
    assert "no cause" in refused(job, cm.Overrule(3), "refused")
    refused(job, cm.Overrule(9), "missing")


def test_put_right_and_taken_up_again_it_is_heard_and_tested_afresh() -> None:
    job, _ = asked_to_look()
    job.do(cm.Focus(4))
    assert job.state.named(4) is None
    assert job.string(4).survey is None
    assert (job.prompt, job.state.focus) == ("pluck_open", 4)
    fresh = Hands(job, ERRORS)
    fresh.work()
    assert job.state.outcome == "proved"


def test_each_of_these_steps_can_be_taken_back() -> None:
    for command in (cm.Next(), cm.Overrule(4), cm.Focus(4)):
        job, _ = asked_to_look()
        before = job.state
        job.do(command)
        assert job.state != before
        job.do(cm.Undo())
        assert replace(job.state, revision=0) == replace(before, revision=0)


def test_a_journal_gives_the_same_state() -> None:
    job, worker = asked_to_look()
    job.do(cm.Overrule(4))
    worker.work()
    replayed = fold(ev.from_body(*json.loads(json.dumps(ev.to_body(event)))) for event in job.events)
    assert replayed == job.state


def test_a_journal_from_before_several_frets_still_loads() -> None:
    job = Job(SCREWS).tuned()
    body = ev.to_body(job.events[1])[1]
    assert body.pop("frets") == "12"
    begun = ev.from_body("SessionBegun", body)
    old = {"string": 6, "status": "to move", "error_cents": 5.0, "se_cents": 0.3, "plucks": 4, "scatter_cents": 0.6}
    old |= {"move_mm": 1.8, "move_se_mm": 0.1, "turns": 3.6, "direction": "away from the nut", "room_mm": 5.0}
    state = evolve(evolve(State(), begun), ev.from_body("StringJudged", old | {"missing_mm": 0.0}))
    assert state.played.frets == (12,)
    assert state.string(6).advice is not None
    assert state.string(6).advice.left_cents is None
    assert ev.from_body("StringReopened", {"string": 6, "why": "so"}) == ev.StringReopened(6, "so")


def test_scatter_is_named_and_set_aside() -> None:
    job = Job(SCREWS, frets="5 12").inspected()
    for number in reversed(job.state.numbers):
        job.hear(number)
    wild = random.Random(1)
    for _ in range(200):
        if job.string(6).status is Status.SET_ASIDE:
            break
        waited = asked(job.state)
        assert waited is not None
        assert waited[0] == 6
        job.hear(6, waited[1], 0.0 if waited[1] in (OPEN, HARMONIC) else wild.gauss(0.0, 6.0))
    finding = job.state.named(6)
    assert finding is not None
    assert finding.cause == "scatter too large"
    assert "scatter" in job.string(6).reason


def test_a_harmonic_off_the_octave_stops_a_move_even_with_one_fret() -> None:
    job = Job(SCREWS).tuned()
    job.hear(6)
    for _ in range(4):
        job.do(cm.Focus(6, HARMONIC))
        job.hear(6, HARMONIC, 9.0)
    for k in range(20):
        if job.string(6).ended or job.phase() is Phase.MOVING:
            break
        job.hear(6, *((Place("fret", 12), 8.0 + 0.1 * (-1) ** k) if k % 2 == 0 else (OPEN, 0.0)))
    assert job.string(6).status is Status.SET_ASIDE
    assert "uneven string" in job.string(6).reason


def test_a_string_the_last_pass_sends_back_for_ever_is_set_aside() -> None:
    job = Job(SCREWS).inspected()
    hands = Hands(job, dict.fromkeys(range(1, 7), 0.0))
    for _ in range(3000):
        if job.state.phase is Phase.CLOSED:
            break
        if job.state.phase is Phase.PROVING and job.state.focus == 3 and job.prompt == "pluck_fretted":
            job.hear(3, Place("fret", 12), 9.0)  # a saddle that gives whenever it is proved
        else:
            hands.step()
    assert job.state.outcome == "partly proved"
    assert job.string(3).status is Status.SET_ASIDE
    assert "last pass" in job.string(3).reason


# How a string answers


def test_a_wrong_thread_is_learnt_named_and_counted_with() -> None:
    off = {1: 9.0, 2: -9.0, 3: 8.0, 4: -8.0, 5: 9.0, 6: -9.0}
    job = Job(SCREWS, tolerance_cents=1.0).inspected()
    hands = Hands(job, off, response=1.4)
    hands.work()
    moves = [job.string(n).moves for n in range(1, 7)]
    # The first strings, from the sixth on, take a second move; then the thread is known.
    assert moves[:3] == [1, 1, 1]
    assert sum(moves) <= 10
    told = [e.oddity for e in job.events if isinstance(e, ev.ResponseLearnt) and e.oddity]
    assert any("thread" in line for line in told)
    assert all(abs(hands.error(n)) <= 1.5 for n in off)
    assert job.string(1).response.ratio == pytest.approx(1.4, abs=0.1)


def test_a_bridge_as_filed_teaches_nothing_odd() -> None:
    job = Job(SCREWS).inspected()
    Hands(job, {1: 9.0, 2: -9.0, 3: 8.0, 4: -8.0, 5: 9.0, 6: -9.0}).work()
    learnt = [e for e in job.events if isinstance(e, ev.ResponseLearnt)]
    assert len(learnt) == 6
    assert not any(e.oddity for e in learnt)
    assert all(job.string(n).response.ratio == pytest.approx(1.0, abs=0.08) for n in range(1, 7))
