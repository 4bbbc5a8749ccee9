"""The last pass, and how a session closes."""

from __future__ import annotations

import pytest
from made_up_session import SCREWS, MadeUpSession, refused

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.session import commands as cm
from oscservice.session.commands import Ignored
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase, Status


def all_settled() -> MadeUpSession:
    job = MadeUpSession().tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.1)
    assert (job.state.phase, job.state.focus) == (Phase.PROVING, 6)
    return job


def test_every_string_is_proved_and_the_record_sealed() -> None:
    job = all_settled()
    for string in (6, 5, 4, 3, 2, 1):
        assert job.state.focus == string
        job.bracket(string, 0.2)
        assert job.string(string).proved
    assert (job.state.phase, job.state.outcome, job.prompt) == (Phase.CLOSED, "proved", "hand_over")


def test_a_string_that_fails_goes_back_and_the_rest_stay_proved() -> None:
    job = all_settled()
    job.bracket(6, 0.1)
    job.bracket(5, 7.0)
    assert (job.state.phase, job.state.focus, job.string(5).status) == (Phase.COMPARING, 5, Status.COMPARING)
    assert job.string(6).proved
    job.bracket(5, 0.1)
    assert (job.state.phase, job.state.focus) == (Phase.PROVING, 5)


def test_a_drifted_string_is_tuned_in_the_last_pass_without_a_new_comparison() -> None:
    job = MadeUpSession(SCREWS).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.1)
    job.hear(6, OPEN, 30.0)
    assert (job.state.phase, job.state.focus) == (Phase.RETUNING, 6)
    job.hear(6)
    assert (job.state.phase, job.state.focus, job.string(6).status) == (Phase.PROVING, 6, Status.SETTLED)


def test_finish_is_refused_until_all_is_proved_or_left_out() -> None:
    job = all_settled()
    job.bracket(6, 0.1)
    assert "string 1, 2, 3, 4, 5" in refused(job, cm.Finish(), "refused")
    for string in (5, 4, 3, 2):
        job.do(cm.SetAside(string, "not today"))
    refused(job, cm.Finish(), "refused")
    job.do(cm.SetAside(1, "not today"))
    assert (job.state.phase, job.state.outcome) == (Phase.CLOSED, "partly proved")
    assert job.prompts["hand_over_partly"].text.startswith("Done, except strings 1, 2, 3, 4, 5")


def test_nothing_is_heard_or_done_after_closing() -> None:
    job = MadeUpSession().tuned()
    job.do(cm.Abandon())
    assert (job.state.phase, job.state.outcome, job.prompt) == (Phase.CLOSED, "abandoned", "abandoned")
    with pytest.raises(Ignored):
        job.hear(6)
    for command in (cm.Next(), cm.Undo(), cm.Finish(), cm.Abandon(), cm.Focus(1), cm.Listen(False), cm.Discard()):
        refused(job, command, "phase")


def test_the_next_session_starts_without_values_of_the_last() -> None:
    job = MadeUpSession().tuned()
    job.do(cm.Listen(False))
    job.do(cm.Abandon())
    job.do(cm.Begin(load_instrument(SCREWS), "next"))
    fresh = MadeUpSession(SCREWS).state
    assert job.state == State(
        **{f: getattr(fresh, f) for f in fresh.__dataclass_fields__ if f not in ("label",)}, label="next"
    )
    refused(job, cm.Undo(), "phase")
