"""A session over several frets: every string is compared before any is moved; other causes than saddles are named."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from itertools import pairwise

import pytest
from made_up_session import SCREWS, MadeUpSession, MadeUpTechnician, refused

from oscservice.advice.causes import suspected_cause
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.decide import decide
from oscservice.session.event_values import survey_of
from oscservice.session.evolve import evolve
from oscservice.session.judgement import IN_DOUBT
from oscservice.session.next_pluck import MOST_BETWEEN, asked
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.survey import HARMONIC_PLUCKS, MOST_SURVEY_PLUCKS, surveys
from oscservice.session.vocabulary import Phase, Status

ERRORS = {1: 6.0, 2: -5.0, 3: 0.3, 4: 4.0, 5: 0.0, 6: 5.0}
WORN = {4: 6.0}
"""String 4's harmonic is far off the octave: no saddle cures that."""


def asked_to_look(**hands: object) -> tuple[MadeUpSession, MadeUpTechnician]:
    """Return a thorough session on a guitar with a worn string, up to the prompt to check it."""
    job = MadeUpSession(SCREWS, frets="thorough").inspected()
    worker = MadeUpTechnician(job, ERRORS, harmonics_cents=WORN, **hands)  # type: ignore[arg-type]
    for _ in range(2000):
        if job.prompt == "look_into":
            return job, worker
        worker.step()
    raise AssertionError("nobody was asked to look")


def plucked(job: MadeUpSession, number: int) -> list[Place]:
    return [Place.parse(e.place) for e in job.events if isinstance(e, ev.ReadingTaken) and e.string == number]


def test_a_string_is_plucked_open_first_and_last_and_often_between() -> None:
    job, _ = asked_to_look()
    for number in job.state.numbers:
        order = plucked(job, number)
        order = order[order.index(HARMONIC) - 1 :]
        assert (order[0], order[-1]) == (OPEN, OPEN)
        opens = [index for index, place in enumerate(order) if place == OPEN]
        between = [after - before - 1 for before, after in pairwise(opens)]
        assert min(between) >= 1
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


def test_an_error_that_no_saddle_corrects_is_set_aside_with_its_numbers_until_it_is_checked() -> None:
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


def test_open_strings_are_heard_while_a_cause_waits_to_be_seen() -> None:
    job, _ = asked_to_look()
    for number in job.state.numbers:
        readings = [e for e in job.hear(number, OPEN, 1.5) if isinstance(e, ev.ReadingTaken)]
        assert [(one.string, one.place) for one in readings] == [(number, "open")]
        assert job.string(number).open_cents == pytest.approx(1.5)
    assert job.prompt == "look_into"
    job.do(cm.Moved(2, -0.5))  # by hand, unasked: what is waited for is still to be seen
    assert job.phase() is Phase.RETUNING
    for number in (6, 2):
        assert any(isinstance(e, ev.ReadingTaken) for e in job.hear(number, OPEN, 1.5))


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


def test_a_repaired_string_in_focus_is_compared_and_tested_again() -> None:
    job, _ = asked_to_look()
    job.do(cm.Focus(4))
    assert job.state.named(4) is None
    assert job.string(4).survey is None
    assert (job.prompt, job.state.focus) == ("pluck_open", 4)
    fresh = MadeUpTechnician(job, ERRORS)
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


def test_a_journal_replays_to_the_same_state() -> None:
    job, worker = asked_to_look()
    job.do(cm.Overrule(4))
    worker.work()
    replayed = fold(ev.from_body(*json.loads(json.dumps(ev.to_body(event)))) for event in job.events)
    assert replayed == job.state


def test_scatter_is_named_and_set_aside() -> None:
    job = MadeUpSession(SCREWS, frets="5 12").inspected()
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
    job = MadeUpSession(SCREWS).tuned()
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
    job = MadeUpSession(SCREWS).inspected()
    hands = MadeUpTechnician(job, dict.fromkeys(range(1, 7), 0.0))
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


# Unclear causes


def up_to(worn_cents: float) -> MadeUpSession:
    """Return a thorough session up to the prompt to check, let a string down or turn a screw; string 4's harmonic is
    off."""
    job = MadeUpSession(SCREWS, frets="thorough").inspected()
    hands = MadeUpTechnician(job, ERRORS, harmonics_cents={4: worn_cents})
    for _ in range(2000):
        if job.prompt in ("look_into", "let_down", "turn_screw"):
            return job
        hands.step()
    raise AssertionError("nobody was asked to look, and nothing to be moved")


@pytest.mark.slow
def test_in_doubt_every_string_is_plucked_again_until_the_cause_is_clear() -> None:
    """From a harmonic that is in order to one that is clearly off: nothing, doubt, a cause."""
    jobs = {cents: up_to(cents) for cents in (0.0, 1.25, 1.5, 1.75, 4.0)}
    extended = {cents: [e for e in job.events if isinstance(e, ev.SurveyExtended)] for cents, job in jobs.items()}
    assert extended[0.0] == extended[4.0] == []
    assert jobs[0.0].state.findings == ()
    doubted = {cents: more for cents, more in extended.items() if more}
    assert doubted
    for cents, more in doubted.items():
        job = jobs[cents]
        assert [e.plucks for e in more] == list(range(3, 3 + len(more)))
        assert more[-1].plucks <= MOST_SURVEY_PLUCKS
        assert all("uneven string, string 4: " in e.why and "% likely" in e.why for e in more)
        for number in job.state.numbers:
            survey = job.string(number).survey
            assert survey is not None
            assert min(survey.neck.plucks) >= more[-1].plucks
        tested = [e.wait for e in job.events if isinstance(e, ev.CausesTested)]
        assert tested == [job.prompt == "look_into"]
        # Plucked out, and still likely: somebody looks, sure or not.
        probability, _ = suspected_cause(job.instrument, surveys(job.state))
        assert (job.prompt == "look_into") == (probability > IN_DOUBT)
        assert {n for f in job.state.findings for n in f.strings} <= {4}
    named = [finding for cents in doubted for finding in jobs[cents].state.findings]
    assert any(finding.probability < 0.85 for finding in named)


def test_more_plucks_make_a_survey_surer_not_another() -> None:
    job = up_to(1.5)
    taken = [survey_of(e.survey) for e in job.events if isinstance(e, ev.StringSurveyed) and e.string == 2]
    assert len(taken) > 1
    for before, after in pairwise(taken):
        assert sum(after.neck.plucks) > sum(before.neck.plucks)
        for fret in (1, 5, 17):
            off = (
                after.neck.errors_cents[after.neck.frets.index(fret)]
                - before.neck.errors_cents[after.neck.frets.index(fret)]
            )
            assert abs(off) < 3.5 * before.neck.se_cents(fret)
            assert after.neck.se_cents(fret) < 1.05 * before.neck.se_cents(fret)


# While it waits, and later


def test_taking_up_another_string_is_having_looked() -> None:
    job, _ = asked_to_look()
    job.do(cm.Focus(6))
    assert not job.state.unseen
    assert job.string(4).status is Status.SET_ASIDE
    assert job.state.named(4) is not None
    assert job.prompt != "look_into"


def test_a_cause_can_be_overruled_while_another_string_is_moved() -> None:
    job, worker = asked_to_look()
    job.do(cm.Next())
    while job.phase() is not Phase.MOVING:
        worker.step()
    moving = job.state.focus
    assert moving != 4
    job.do(cm.Overrule(4))
    assert (job.phase(), job.state.focus) == (Phase.MOVING, moving)
    assert job.string(4).status is Status.COMPARING
    worker.work()
    assert job.state.outcome == "proved"
    assert abs(worker.error(4)) <= 2.0


def test_a_cause_can_be_overruled_in_the_last_pass() -> None:
    job, worker = asked_to_look()
    job.do(cm.Next())
    while job.phase() is not Phase.PROVING:
        worker.step()
    job.do(cm.Overrule(4))
    assert job.state.focus == 4
    assert job.phase() is not Phase.PROVING
    worker.work()
    assert job.state.outcome == "proved"
    assert abs(worker.error(4)) <= 2.0


class Nut(MadeUpTechnician):
    """A technician on a guitar whose stopped notes are all sharp by the same cents, as with a misplaced nut."""

    def error(self, number: int, fret: int = 12) -> float:
        return super().error(number, fret) + 8.0


def test_a_misplaced_nut_stops_every_string_and_one_may_be_overruled() -> None:
    job = MadeUpSession(SCREWS, frets="thorough").inspected()
    hands = Nut(job, dict.fromkeys(job.state.numbers, 0.0))
    while job.prompt != "look_into":
        hands.step()
    assert [(f.cause, f.strings) for f in job.state.findings] == [("nut misplaced", (1, 2, 3, 4, 5, 6))]
    # All frets 8 cents sharp: the nut is 8 X0 / K too far from the saddle.
    spec = job.instrument.string(1)
    mm = 8.0 * (spec.scale_mm + spec.setback_mm) * math.log(2.0) / 1200.0
    found = job.state.findings[0]
    assert abs(found.size - mm) < 3.0 * found.se
    assert all(string.status is Status.SET_ASIDE for string in job.state.strings)
    job.do(cm.Overrule(3))
    assert job.string(3).advice is not None
    hands.work()
    assert job.state.outcome == "partly proved"
    assert {e.string for e in job.events if isinstance(e, ev.SaddleMoved)} == {3}


def test_every_step_of_a_whole_session_can_be_taken_back_one_after_another() -> None:
    job, worker = asked_to_look()
    job.do(cm.Overrule(4))
    while job.phase() is not Phase.PROVING:
        worker.step()
    states = [State()]
    for event in job.events:
        if isinstance(event, ev.StepBegun):
            states.append(states[-1])
        states[-1] = evolve(states[-1], event)
    now = job.state
    assert now == states[-1]
    for before in reversed(states[1:-1]):
        now = fold(decide(now, cm.Undo()).events, now)
        assert replace(now, revision=0, past=None) == replace(before, revision=0, past=None)
    assert now.phase is Phase.INSPECTING
