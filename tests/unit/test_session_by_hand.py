"""In a manual session nothing advances by itself: notes are taken, and each step waits for a command."""

from __future__ import annotations

import pytest
from made_up_session import FLOATING, FRET, SCREWS, MadeUpSession, MadeUpTechnician, refused

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Ignored
from oscservice.session.decide import decide
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import Ending, Phase, Status

ONLY_HEARD = {ev.StepBegun, ev.ReadingTaken, ev.ReadingDoubted, ev.PlucksForeseen}


def by_hand(instrument: str = FLOATING) -> MadeUpSession:
    job = MadeUpSession(instrument)
    job.do(cm.ByHand(True))
    return job.inspected()


def pass_tuning(job: MadeUpSession) -> None:
    while job.phase() is Phase.TUNING:
        job.hear(job.state.focus)
        job.do(cm.Next())


class Deliberate(MadeUpTechnician):
    """Says what was done to a saddle; everything else is heard, and gone on from when the prompt says so."""

    def step(self) -> None:
        self.commands = self.job.prompt in ("let_down", "slacken", "shift_saddle", "turn_screw", "shape_crown")
        super().step()


@pytest.mark.parametrize("instrument", [FLOATING, SCREWS])
def test_a_whole_session_by_hand_does_nothing_by_itself(instrument: str) -> None:
    job = by_hand(instrument)
    errors = {n: (-1.0) ** n * 5.0 for n in job.state.numbers}
    hands = Deliberate(job, errors)
    for _ in range(3000):
        if job.phase() is Phase.CLOSED:
            break
        before = len(job.events)
        hands.step()
        new = job.events[before:]
        if isinstance(new[0], ev.StepBegun) and new[0].what == "Hear":
            assert {type(event) for event in new} <= ONLY_HEARD
    assert job.state.outcome == Ending.PROVED
    assert all(abs(hands.error(n)) < 2.0 for n in job.state.numbers)
    assert fold(job.events) == job.state


def test_the_string_stays_in_focus_until_the_next_command() -> None:
    job = by_hand()
    job.hear(6)
    assert (job.state.focus, job.prompt) == (6, "go_on")
    assert prompt(job.state).text == "String 6 has enough readings: string 5 comes next. Continue when ready."
    job.hear(6, OPEN, 1.0)
    assert job.string(6).open_cents == pytest.approx(1.0), "it may be plucked again"
    job.do(cm.Next())
    assert (job.state.focus, job.prompt) == (5, "pluck_open")
    job.hear(4)
    assert job.state.focus == 5, "another string that is plucked is heard, and is not turned to"
    assert job.string(4).open_cents == pytest.approx(0.0)
    job.do(cm.Next())
    assert job.string(5).in_tune_by_hand, "with nothing held back, going on says what it always says"


def heard_enough() -> MadeUpSession:
    """String 6 heard often enough to be judged 8 cents flat."""
    job = by_hand()
    pass_tuning(job)
    for _ in range(6):
        job.hear(6)
        job.hear(6, FRET, -8.0)
    job.hear(6)
    return job


def test_a_verdict_waits_and_is_announced_before() -> None:
    job = heard_enough()
    assert (job.phase(), job.string(6).status) == (Phase.COMPARING, Status.COMPARING)
    assert prompt(job.state).text.startswith("String 6 has enough readings: -8.0 ± ")
    job.do(cm.Next())
    assert (job.phase(), job.string(6).status) == (Phase.MOVING, Status.TO_MOVE)


def test_while_a_saddle_is_moved_nothing_that_is_heard_counts() -> None:
    job = heard_enough()
    job.do(cm.Next())
    for cents in (-700.0, 0.0):
        with pytest.raises(Ignored, match="saddle of string 6 is being moved"):
            job.hear(6, OPEN, cents)
    job.do(cm.Next())
    assert job.string(6).status is Status.SLACK
    with pytest.raises(Ignored, match="saddle of string 6 is being moved"):
        job.hear(6)
    job.do(cm.Next())
    assert job.phase() is Phase.RETUNING


def test_back_in_hands_free_mode_the_waiting_step_is_taken() -> None:
    job = by_hand()
    job.hear(6)
    job.do(cm.ByHand(False))
    assert (job.state.focus, job.state.by_hand) == (5, False)
    assert job.do(cm.ByHand(False)) == []
    job.do(cm.Undo())
    assert (job.state.focus, job.state.by_hand, job.prompt) == (6, True, "go_on")


def test_a_manual_step_is_undone_by_itself() -> None:
    job = by_hand()
    job.hear(6)
    held = job.state
    job.do(cm.Next())
    job.do(cm.Undo())
    assert (job.state.focus, job.prompt) == (6, "go_on")
    assert job.state.string(6) == held.string(6)
    job.do(cm.Undo())
    assert job.string(6).open_cents is None


def test_other_commands_do_not_take_the_step() -> None:
    job = by_hand()
    job.hear(6)
    job.do(cm.SetAside(2, "rusty"))
    assert (job.state.focus, job.prompt) == (6, "go_on")


def test_a_session_begun_by_hand_is_replayed_so() -> None:
    begun = decide(State(), cm.Begin(load_instrument(FLOATING), "by hand", by_hand=True)).events
    state = fold(begun)
    assert state.by_hand
    assert fold([ev.from_body(*ev.to_body(event)) for event in begun]) == state
    kind, body = ev.to_body(begun[1])
    del body["by_hand"]
    assert not fold([ev.from_body(kind, body)]).by_hand, "older journals were hands free"


def test_without_a_session_there_is_nothing_to_switch() -> None:
    job = MadeUpSession()
    job.do(cm.Abandon())
    refused(job, cm.ByHand(True), "phase")
