"""The facts of a report: the effective events of a session, and the result of each string."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_sessions import SESSIONS, VERSION, Invented, abandoned, empty, normal, quick, still_open, thorough
from made_up_session import FLOATING, LOCKING, PAIRED, SCREWS, MadeUpSession, MadeUpTechnician

from oscservice.instrument.pitch import OPEN
from oscservice.record.event_chain import EventRow
from oscservice.report.facts import Facts
from oscservice.report.gather_facts import gather_facts
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.replay import effective_events, fold
from oscservice.session.session_results import remaining, summary_of
from oscservice.session.vocabulary import Phase


def of(job: MadeUpSession) -> Facts:
    """Facts of a made-up session."""
    return Invented("2026-11-25-1", job.instrument, (tuple(job.events),), "made up").facts


@pytest.mark.slow
@pytest.mark.parametrize("name", SESSIONS)
def test_the_course_ends_where_the_session_does(name):
    invented = SESSIONS[name]()
    effective = effective_events(invented.timed)
    events = [event for step in invented.steps for event in step]
    assert effective.state == fold(events)
    for turn in effective.turns:
        assert events[turn.number - 1] is turn.event


def test_steps_taken_back_are_left_out():
    effective = effective_events(normal().timed)
    assert effective.taken_back == 1
    assert not any(isinstance(turn.event, ev.TakenBack) for turn in effective.turns)
    kept = [turn.event for turn in effective.turns if isinstance(turn.event, ev.ReadingTaken)]
    written = [event for _, event in normal().timed if isinstance(event, ev.ReadingTaken)]
    assert len(written) == len(kept) + 1


@settings(deadline=None, max_examples=50)
@given(st.lists(st.sampled_from(["pluck", "undo"]), max_size=40))
def test_effective_events_replay_to_the_same_session_after_any_undo(steps):
    job = MadeUpSession().tuned()
    for step in steps:
        if step == "pluck":
            job.hear(job.state.focus or 6, OPEN) if job.phase() is not Phase.INSPECTING else job.inspected()
        elif job.state.past is not None:
            job.do(cm.Undo())
    effective = effective_events([("", event) for event in job.events])
    again = fold(turn.event for turn in effective.turns)
    assert replace(again, revision=0) == replace(job.state, revision=0)


def test_as_left_is_the_value_at_the_end():
    facts, state = normal().facts, effective_events(normal().timed).state
    left = remaining(state)
    for one, summary in zip(facts.results, summary_of(state).strings, strict=True):
        told = left[one.string]
        assert [at.fret for at in one.frets] == list(range(1, 25))
        assert [at.left.value for at in one.frets] == list(told.errors_cents)
        assert [at.left.se for at in one.frets] == list(told.se_cents)
        assert [at.fret for at in one.frets if at.plucked] == [12]
        assert one.at(12).left.value == summary.errors[0].error_cents
        assert (one.status, one.moves, one.moved_mm) == (summary.status, summary.moves, summary.moved_mm)


def test_as_found_is_the_value_before_the_first_move():
    facts = normal().facts
    effective = effective_events(normal().timed)
    for one in facts.results:
        first = next(
            (t for t in effective.turns if isinstance(t.event, ev.SaddleMoved) and t.event.string == one.string),
            None,
        )
        if first is None:
            assert one.moves == 0
            assert all(at.found is None for at in one.frets)
            continue
        judged = first.before.string(one.string).last
        assert one.at(12).found.value == pytest.approx(judged.error_cents, abs=0.3)
        assert abs(one.at(12).left.value) < abs(one.at(12).found.value)
    assert [one.string for one in facts.results if one.moves == 0] == [5]


def test_a_shared_saddle_moves_both_its_strings():
    job = MadeUpSession(PAIRED).inspected()
    MadeUpTechnician(job, {1: 5.0, 2: 5.0, 3: 0.0, 4: 0.0, 5: -6.0, 6: -6.0}).work()
    facts = of(job)
    assert {move.string for move in facts.moves} <= {1, 2, 5, 6}
    moved = {one.string for one in facts.results if one.moves}
    assert moved == {1, 2, 5, 6}
    for one in facts.results:
        assert all((at.found is not None) == (one.string in moved) for at in one.frets)


def test_moves_in_order_with_their_effects():
    facts = normal().facts
    assert [move.number for move in facts.moves] == [1, 2, 3, 4, 5, 6]
    assert [move.string for move in facts.moves] == [6, 6, 4, 3, 2, 1]
    for move in facts.moves:
        assert not move.told
        assert move.mm == move.advised.value
        # A string that frets sharp gets longer: its saddle goes away from the nut.
        assert (move.mm > 0.0) == (move.before.value > 0.0)
        assert abs(move.expected_cents) < 0.01
        assert abs(move.after.value) < abs(move.before.value)
    total = sum(move.mm for move in facts.moves if move.string == 6)
    assert facts.results[5].moved_mm == pytest.approx(total)
    assert [move.at_utc for move in facts.moves] == sorted(move.at_utc for move in facts.moves)


def test_a_reported_move_is_marked_and_a_move_without_a_pluck_has_no_result():
    job = MadeUpSession(FLOATING).inspected()
    worker = MadeUpTechnician(job, dict.fromkeys(range(1, 7), 5.0), commands=True)
    while not any(isinstance(event, ev.SaddleMoved) for event in job.events):
        worker.step()
    (move,) = of(job).moves
    assert move.told
    assert (move.after, move.oddity) == (None, "")
    assert of(job).results[5].heard is False


def test_plucks_are_those_that_were_compared():
    facts, events = normal().facts, effective_events(normal().timed).turns
    taken = [t for t in events if isinstance(t.event, ev.ReadingTaken)]
    assert 0 < len(facts.plucks) < len(taken), "tuning is not told"
    assert {pluck.phase for pluck in facts.plucks} == {"comparing", "proving"}
    assert sum(one.plucks for one in facts.results) == len(facts.plucks)
    (slip,) = [pluck for pluck in facts.plucks if pluck.dropped]
    assert (slip.string, slip.place) == (6, "fret 12")
    for before, after in zip(facts.plucks, facts.plucks[1:], strict=False):
        assert before.number < after.number
        assert before.string != after.string or before.moves <= after.moves


def test_causes_and_strings_set_aside():
    facts = thorough().facts
    (cause,) = [one for one in facts.causes if one.stops]
    assert (cause.cause, cause.strings, cause.stands) == ("uneven string", (4,), True)
    (aside,) = [one for one in facts.results if one.out]
    assert aside.string == 4
    assert aside.left_out.startswith(cause.name)
    assert "measured" in cause.evidence
    assert cause.check


def test_inspection_and_measured_values():
    facts = normal().facts
    found = {one.item: one for one in facts.inspected}
    assert found["relief"].measured == ("Relief: 0.20 mm, within the target (0.10 to 0.35)",)
    assert (found["frets"].verdict, found["frets"].note) == ("waived", "fret 14 a little worn; the player is told")
    assert found["strings"].measured == ("Strings 5 days old (limit 60)",)
    assert facts.inspected[0].item == "strings"


def test_a_quick_check_has_its_verdicts():
    facts = quick().facts
    assert (facts.quick, facts.overview.kind, facts.overview.against) == (True, "quick check", "2026-11-25-6")
    verdicts = {one.string: (one.check.verdict, one.check.what) for one in facts.results}
    assert verdicts[2] == ("drifted", "tuning")
    assert verdicts[5] == ("drifted", "intonation")
    assert facts.results[1].check.tuning.value == pytest.approx(-9.0, abs=2.0)
    assert facts.inspected == ()
    assert len(facts.cautions) == 1


def test_cautions_suit_the_hardware():
    told = {}
    for preset in (LOCKING, SCREWS):
        told[preset] = " ".join(of(MadeUpSession(preset)).cautions)
    for caution in ("Never turn a peg against a closed clamp", "Never release the springs or the claw all at once"):
        assert caution in told[LOCKING]
        assert caution not in told[SCREWS]
    for caution in ("Wear eye protection", "by a qualified repairer", "mains-powered", "solvent"):
        assert all(caution in one for one in told.values())


def test_open_abandoned_and_empty_sessions():
    open_one, given_up, nothing = still_open().facts, abandoned().facts, empty().facts
    assert (open_one.overview.outcome, open_one.overview.phase, open_one.seal.state) == ("", "moving", "open")
    assert [one.string for one in open_one.compared] == [5, 6]
    assert (given_up.overview.outcome, given_up.seal.state) == ("abandoned", "sealed")
    assert (given_up.compared, given_up.moves, given_up.plucks) == ((), (), ())
    assert (nothing.overview.kind, nothing.instrument, nothing.results) == ("", None, ())
    assert nothing.seal.sha256, "the hash that its chain begins with"


def test_an_edited_record_is_reported():
    record = normal().record
    assert normal().facts.seal.state == "sealed"
    assert normal().facts.seal.sha256 == record.session.seal
    row = record.events[40]
    other = EventRow(row.seq, row.at_utc, row.kind, row.body.replace("0", "1", 1), row.hash)
    edited = replace(record, events=(*record.events[:40], other, *record.events[41:]))
    seal = gather_facts(edited, effective_events(normal().timed), VERSION).seal
    assert (seal.state, seal.fault) == ("edited", "event 41 does not fit its hash")
    cut = replace(record, session=replace(record.session, cut="damage", seal="0" * 64))
    seal = gather_facts(cut, effective_events(normal().timed), VERSION).seal
    assert (seal.state, seal.cut) == ("edited", "damage")


@pytest.mark.parametrize("name", SESSIONS)
def test_json_holds_everything(name):
    facts = SESSIONS[name]().facts
    told = json.loads(facts.to_json())
    assert told["overview"]["session"] == name
    assert len(told["results"]) == len(facts.results)
    assert [pluck["pitch"]["value"] for pluck in told["plucks"]] == [pluck.pitch.value for pluck in facts.plucks]
    assert told["seal"]["sha256"] == facts.seal.sha256
