"""The announced number of plucks; it doesn't grow without a reason."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from bench.silent import set_up
from made_up_session import FRET, SCREWS, MadeUpSession, refused

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN
from oscservice.session import commands as cm
from oscservice.session import decide as machine
from oscservice.session import events as ev
from oscservice.session.next_pluck import asked
from oscservice.session.vocabulary import Phase
from oscservice.simulate.guitar_builder import rig_of


def test_a_string_out_of_tune_takes_one_pluck() -> None:
    job = MadeUpSession(SCREWS).inspected()
    assert job.string(6).plucks_left == 1
    job.hear(6, OPEN, -10.0)
    assert job.string(6).plucks_left == 1
    job.hear(6)
    assert (job.string(6).plucks_left, job.string(5).plucks_left) == (0, 1)


def test_a_comparison_is_announced_and_counted_down() -> None:
    job = MadeUpSession(SCREWS).tuned()
    first = job.string(6)
    assert first.plucks_left >= 5
    assert first.plucks_why == "it is compared"
    job.hear(6)
    job.hear(6, FRET, 0.1)
    assert job.string(6).plucks_left == first.plucks_left - 2


def test_it_takes_as_many_plucks_as_were_announced_while_all_goes_as_expected() -> None:
    job = MadeUpSession(SCREWS).tuned()
    announced = job.string(6).plucks_left
    made = 0
    while job.string(6).last is None:
        waited = asked(job.state)
        assert waited is not None
        job.hear(6, waited[1], 0.05 * (-1) ** made)
        made += 1
    assert made == announced


def test_more_plucks_come_with_a_reason() -> None:
    job = MadeUpSession(SCREWS, 1.0).tuned()
    for place, cents in ((OPEN, 0.0), (FRET, 0.2), (FRET, 1.6), (OPEN, 0.0)):
        job.hear(6, place, cents)
    told = [e for e in job.events if isinstance(e, ev.PlucksForeseen)][-1]
    assert told.left > 2
    assert "too close to the tolerance" in told.why or "scatter" in told.why


def test_the_last_pass_is_announced_with_its_harmonic() -> None:
    job = MadeUpSession(SCREWS).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.2)
    assert job.phase() is Phase.PROVING
    assert job.string(6).plucks_left == 5
    assert [_next(job) for _ in range(5)] == [OPEN, HARMONIC, FRET, FRET, OPEN]
    assert job.string(6).proved


def _next(job: MadeUpSession) -> object:
    waited = asked(job.state)
    assert waited is not None
    job.hear(waited[0], waited[1], 0.26 if waited[1] == HARMONIC else 0.2 if waited[1] == FRET else 0.0)
    return waited[1]


def test_the_last_pass_leaves_out_a_skipped_harmonic() -> None:
    job = MadeUpSession(SCREWS).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.2)
    refused(job, cm.Next(), "phase")
    job.hear(6)
    assert asked(job.state) == (6, HARMONIC)
    job.do(cm.Next())
    assert asked(job.state) == (6, FRET)
    for place, cents in ((FRET, 0.2), (FRET, 0.2), (OPEN, 0.0)):
        job.hear(6, place, cents)
    assert job.string(6).proved
    assert asked(job.state) == (5, OPEN)


def test_an_uneven_string_is_named_in_the_last_pass_though_it_is_in_tune_where_compared() -> None:
    job = MadeUpSession(SCREWS).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.2)
    # It is asked about, since it could have been fretted; plucked again it is believed.
    for place, cents in ((OPEN, 0.0), (HARMONIC, 6.0), (HARMONIC, 6.0), (FRET, 0.2), (FRET, 0.2), (OPEN, 0.0)):
        job.hear(6, place, cents)
    assert job.string(6).proved
    assert [finding.cause for finding in job.state.findings] == ["uneven string"]


@pytest.mark.slow
@pytest.mark.parametrize("frets", ["12", "5 7 12"])
def test_announced_plucks_never_grow_without_a_reason(frets: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # Whole set-ups with scatter of plucks and readings; every state of every one is looked at.
    instrument = load_instrument("six-string-628")
    left: dict[int, int] = {}
    grown, plain = 0, machine.decide

    def watched(state: object, command: object) -> machine.Step:
        nonlocal grown
        step = plain(state, command)  # type: ignore[arg-type]
        after = step.state
        for number in after.numbers:
            now = after.string(number)
            if now.plucks_left > left.get(number, 0):
                grown += 1
                assert now.plucks_why
            left[number] = now.plucks_left
        waited = asked(after)
        if waited is not None and after.doubt is None:
            assert after.string(after.focus).plucks_left >= 1, "what is asked for is announced"
        return step

    monkeypatch.setattr("bench.silent.decide", watched)
    for seed in (1, 2):
        left.clear()
        draw = random.Random(seed)
        off = [draw.uniform(-4.0, 4.0) for _ in range(6)]
        rig = rig_of(instrument, saddle_error_mm=off, detune_cents=[draw.uniform(-20.0, 20.0) for _ in range(6)])
        done = set_up(instrument, rig, seed, tolerance_cents=1.0, frets=frets)
        assert done.outcome == "proved"
    assert grown


def test_undo_takes_back_announced_values() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.hear(6)
    before = job.state
    job.hear(6, FRET, 3.0)
    job.do(cm.Undo())
    assert replace(job.state, revision=0) == replace(before, revision=0)
