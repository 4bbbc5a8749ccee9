"""The state as addresses and values."""

from __future__ import annotations

import pytest
from made_up import BAR, FIXED, FRET, SCREWS, Job

from oscservice.advice.correction import FIXED_SADDLE
from oscservice.daemon.topics import changed, topics
from oscservice.instrument.pitch import HARMONIC, OPEN
from oscservice.session import commands as cm
from oscservice.session.state import State


def test_an_idle_bench() -> None:
    now = topics(State())
    assert now["/phase"] == ("idle",)
    assert now["/prompt"] == ("begin",)
    assert now["/instrument"] == ("",)
    assert now["/focus/string"] == (0,)
    assert not any(address.startswith("/string") for address in now)


def test_what_is_not_known_has_no_topic() -> None:
    now = topics(Job().state)
    assert "/string/6/open/cents" not in now
    assert "/string/6/fret/12/error" not in now
    assert "/string/6/harmonic/error" not in now
    assert now["/string/6/status"] == ("untried",)
    assert now["/string/6/saddle/direction"] == ("none",)


def test_a_comparison_as_it_grows_and_the_advice_that_follows() -> None:
    job = Job(SCREWS).tuned()
    job.do(cm.Focus(6, HARMONIC))
    job.hear(6, HARMONIC, 0.5)
    job.hear(6)
    assert topics(job.state)["/focus/fret"] == (12,)
    job.hear(6, FRET, 8.0)
    now = topics(job.state)
    assert now["/string/6/fret/12/plucks"] == (1,)
    assert now["/string/6/fret/12/error"][0] == pytest.approx(8.0)
    assert now["/string/6/harmonic/error"][0] == pytest.approx(0.5 - 0.2596, abs=1e-3), "what stiffness explains is off"
    job.hear(6)
    job.bracket(6, 8.0)
    now = topics(job.state)
    assert now["/phase"] == ("moving",)
    assert now["/string/6/status"] == ("to move",)
    assert now["/string/6/saddle/direction"] == ("away from the nut",)
    (mm,) = now["/string/6/saddle/move"]
    assert now["/string/6/saddle/turns"][0] == pytest.approx(float(mm) / 0.5)  # M3: 0.5 mm a turn (ISO 261)
    assert now["/string/6/saddle/room"] == (5.0,)
    job.do(cm.Moved(6, float(mm)))
    now = topics(job.state)
    assert now["/string/6/saddle/moved"] == (mm,)
    assert now["/string/6/saddle/direction"] == ("none",)
    assert "/string/6/open/cents" not in now


def test_the_move_of_a_shared_saddle_is_said_for_the_string_it_is_named_by() -> None:
    job = Job(BAR).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 8.0)
    (mm,), (turns,) = topics(job.state)["/string/6/saddle/move"], topics(job.state)["/string/6/saddle/turns"]
    # The bass screw's M3 thread has 0.5 mm a turn (ISO 261), and string 6 takes 82 % of its way.
    assert float(mm) == pytest.approx(float(turns) * 0.5 * 0.817073)


def test_only_what_changed_is_sent_and_the_prompt_comes_last() -> None:
    job = Job().inspected()
    before = topics(job.state)
    job.hear(6, OPEN, -20.0)
    now = topics(job.state)
    sent = changed(before, now)
    assert list(sent) == ["/revision", "/string/6/open/cents", "/prompt/caution", "/prompt/text", "/prompt"]
    assert list(now)[-1] == "/prompt"
    assert changed(now, now) == {}


def test_a_string_left_out_says_why() -> None:
    job = Job(SCREWS).tuned()
    assert topics(job.state)["/string/6/reason"] == ("",)
    job.do(cm.SetAside(6, "worn at the 3rd fret"))
    assert topics(job.state)["/string/6/reason"] == ("worn at the 3rd fret",)
    # The screws of this preset have 4 mm either way: 30 cents ask for some 11 mm.
    job.bracket(5, 30.0)
    for _ in range(2):
        job.do(cm.Moved(5, 4.0))
        for number in (5, 4, 3, 2, 1):
            job.hear(number)
        job.bracket(5, 20.0)
    (reason,) = topics(job.state)["/string/5/reason"]
    assert reason.endswith("mm of travel missing")
    fixed = Job(FIXED).tuned()
    fixed.bracket(6, 12.0)
    assert topics(fixed.state)["/string/6/reason"] == (FIXED_SADDLE,)
