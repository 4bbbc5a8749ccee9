"""Commands beside the main road: set aside, focus, discard, listen, abandon, take back."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from made_up_session import FLOATING, FRET, LOCKING, PAIRED, SCREWS, MadeUpSession, MadeUpTechnician, reading

from oscservice.hearing.reading import Reading
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Ignored, Refused
from oscservice.session.next_pluck import asked
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase, Status


def same(a: State, b: State) -> bool:
    """Equal in everything but the count of steps."""
    return replace(a, revision=0) == replace(b, revision=0)


# Set aside


def test_setting_aside_needs_a_reason_and_a_string() -> None:
    job = MadeUpSession().tuned()
    for command, code in (
        (cm.SetAside(6, "  "), "refused"),
        (cm.SetAside(7, "x"), "missing"),
        (cm.SetAside(0, "x"), "missing"),
    ):
        with pytest.raises(Refused) as refusal:
            job.do(command)
        assert refusal.value.code == code


def test_a_string_set_aside_is_skipped() -> None:
    job = MadeUpSession().inspected()
    job.do(cm.SetAside(6, "frayed at the ball end"))
    assert job.state.focus == 5
    for string in (5, 4, 3, 2, 1):
        job.hear(string)
    assert (job.state.phase, job.state.focus) == (Phase.COMPARING, 5)
    assert (job.string(6).status, job.string(6).reason) == (Status.SET_ASIDE, "frayed at the ball end")


def test_set_aside_while_comparing_goes_to_the_next() -> None:
    job = MadeUpSession().tuned()
    job.hear(6)
    job.hear(6, FRET)
    job.do(cm.SetAside(6, "buzzes"))
    assert (job.state.phase, job.state.focus, job.string(6).plucks) == (Phase.COMPARING, 5, ())


def test_set_aside_while_moving() -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, 8.0)
    job.do(cm.SetAside(6, "clamp stripped"))
    assert (job.state.phase, job.state.focus, job.string(6).advice) == (Phase.COMPARING, 5, None)
    job.bracket(5, 8.0)
    job.do(cm.Slackened(5))
    job.do(cm.SetAside(5, "broke"))
    assert job.phase() is Phase.RETUNING, "a slack string has let the bridge go: the rest is tuned again"
    assert job.state.focus == 4


def test_a_string_set_aside_can_be_compared_again() -> None:
    job = MadeUpSession().tuned()
    job.do(cm.SetAside(3, "later"))
    job.do(cm.Focus(3))
    assert (job.state.focus, job.string(3).status, job.string(3).reason) == (3, Status.COMPARING, "")


def test_all_set_aside_closes() -> None:
    job = MadeUpSession().tuned()
    for string in job.state.numbers:
        job.do(cm.SetAside(string, "no time"))
    assert job.phase() is Phase.CLOSED


# Focus


def test_focus_goes_where_it_is_sent_and_back_to_the_work() -> None:
    job = MadeUpSession().tuned()
    job.do(cm.Focus(2))
    assert (job.state.focus, job.string(2).status) == (2, Status.COMPARING)
    job.bracket(2, 0.1)
    assert job.state.focus == 6


def test_a_place_is_asked_for_once() -> None:
    job = MadeUpSession().tuned()
    job.do(cm.Focus(4, Place("fret", 7)))
    assert (asked(job.state), job.prompt) == ((4, Place("fret", 7)), "pluck_fretted")
    assert "fret 7" in job.prompts["pluck_fretted"].text
    job.hear(4, Place("fret", 7), 1.0)
    assert asked(job.state) == (4, OPEN)
    assert job.string(4).plucks == ()
    job.do(cm.Focus(4, HARMONIC))
    assert job.prompt == "pluck_harmonic"


def test_focus_on_a_missing_string() -> None:
    job = MadeUpSession().tuned()
    for command in (cm.Focus(0), cm.Focus(7), cm.Focus(3, Place("fret", 25))):
        with pytest.raises(Refused) as refusal:
            job.do(command)
        assert refusal.value.code == "missing"


def test_focus_on_a_settled_string_compares_it_again() -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, 0.1)
    job.do(cm.Focus(6))
    assert (job.state.focus, job.string(6).status) == (6, Status.COMPARING)


def test_focus_on_a_proved_string_goes_back_to_comparing() -> None:
    job = MadeUpSession().tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.1)
    job.bracket(6, 0.1)
    job.do(cm.Focus(6))
    assert (job.state.phase, job.state.focus, job.string(6).proved) == (Phase.COMPARING, 6, False)
    job.bracket(6, 0.1)
    assert job.phase() is Phase.PROVING


def test_no_focus_while_a_saddle_moves() -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, 8.0)
    with pytest.raises(Refused) as refusal:
        job.do(cm.Focus(5))
    assert refusal.value.code == "phase"


# Discard and listen


def test_discard_takes_the_last_pluck_out() -> None:
    job = MadeUpSession().tuned()
    job.hear(6)
    job.hear(6, FRET, 30.0)
    job.do(cm.Discard())
    assert [p.place for p in job.string(6).plucks] == [OPEN]
    assert asked(job.state) == (6, FRET)
    job.do(cm.Discard())
    with pytest.raises(Refused) as refusal:
        job.do(cm.Discard())
    assert refusal.value.code == "refused"


def test_not_listening_hears_nothing_and_takes_words_still() -> None:
    job = MadeUpSession().inspected()
    job.do(cm.Listen(False))
    revision = job.state.revision
    assert job.do(cm.Listen(False)) == []
    assert job.state.revision == revision, "nothing changed"
    with pytest.raises(Ignored, match="not listening"):
        job.hear(6)
    job.do(cm.Next())
    assert job.state.focus == 5
    job.do(cm.Listen(True))
    job.hear(5)
    assert job.state.focus == 4


@pytest.mark.parametrize(
    ("note", "why"),
    [
        (reading(5e-324), "4.94066e-324 Hz is not the pitch of a string; expected 10 to 20000 Hz"),
        (reading(9.99), "9.99 Hz is not the pitch of a string; expected 10 to 20000 Hz"),
        (reading(20_001.0), "20001 Hz is not the pitch of a string; expected 10 to 20000 Hz"),
        (reading(-82.4), "-82.4 Hz is not the pitch of a string; expected 10 to 20000 Hz"),
        (replace(reading(82.4), string_hz=1e-300), "1e-300 Hz is not the pitch of a string; expected 10 to 20000 Hz"),
        (reading(math.nan), "a reading that is no number"),
        (reading(math.inf), "a reading that is no number"),
        (reading(82.4, math.inf), "a reading that is no number"),
        (reading(82.4, 0.1, -math.inf), "a reading that is no number"),
        (reading(82.4, inharmonicity=math.nan), "a reading that is no number"),
        (reading(82.4, -0.1), "a standard error of -0.1 cents; expected 0 or more"),
    ],
)
def test_a_reading_that_no_string_can_have_is_ignored(note: Reading, why: str) -> None:
    for job in (MadeUpSession().inspected(), MadeUpSession().tuned()):
        with pytest.raises(Ignored) as ignored:
            job.do(cm.Hear(note))
        assert str(ignored.value) == why


def test_abandoning_is_possible_in_every_phase() -> None:
    seen: set[Phase] = set()
    job = MadeUpSession(LOCKING)
    seen.add(job.phase())
    job.do(cm.Abandon())
    job = MadeUpSession(LOCKING).inspected()
    hands = MadeUpTechnician(job, dict.fromkeys(range(1, 7), 5.0))
    while job.phase() is not Phase.CLOSED:
        if job.phase() not in seen:
            seen.add(job.phase())
            there = job.state
            job.do(cm.Abandon())
            assert (job.state.phase, job.state.outcome) == (Phase.CLOSED, "abandoned")
            job.state = there
        hands.step()
    # Of a quick check, which is no set-up: see test_quick_check.
    assert seen == set(Phase) - {Phase.IDLE, Phase.CLOSED, Phase.CHECKING}


# Taking back

STEPS: list[tuple[str, Callable[[MadeUpSession], object]]] = [
    ("inspected", lambda job: job.do(cm.Inspect("all", "passed"))),
    ("tuned by ear", lambda job: job.hear(6, OPEN, 1.0)),
    ("tuned by word", lambda job: job.do(cm.Next())),
    ("another plucked", lambda job: job.hear(1, OPEN, 1.0)),
    *((f"tuned {n}", lambda job, n=n: job.hear(n)) for n in (4, 3, 2)),
    ("not listening", lambda job: job.do(cm.Listen(False))),
    ("listening", lambda job: job.do(cm.Listen(True))),
    ("asked", lambda job: job.do(cm.Focus(6, HARMONIC))),
    ("harmonic", lambda job: job.hear(6, HARMONIC, 0.5)),
    *((f"pluck {k}", lambda job, k=k: job.hear(6, OPEN if k % 2 == 0 else FRET, 8.0 * (k % 2))) for k in range(6)),
    ("discarded", lambda job: job.do(cm.Discard())),
    ("again", lambda job: job.hear(6, FRET, 8.0)),
    ("judged", lambda job: job.hear(6)),
    ("slack heard", lambda job: job.hear(6, OPEN, -600.0)),
    ("moved", lambda job: job.do(cm.Moved(6, 3.0))),
    *((f"retuned {n}", lambda job, n=n: job.hear(n)) for n in (6, 5, 4, 3, 2, 1)),
    ("set aside", lambda job: job.do(cm.SetAside(3, "x"))),
    ("taken up", lambda job: job.do(cm.Focus(3))),
    ("let down", lambda job: job.do(cm.Slackened(2))),
]


def test_every_step_can_be_undone_to_the_same_state() -> None:
    job = MadeUpSession()
    for what, step in STEPS:
        before = job.state
        step(job)
        after = job.state
        assert not same(before, after), what
        job.do(cm.Undo())
        assert same(job.state, before), what
        assert job.state.revision == after.revision + 1
        step(job)
        assert same(job.state, after), f"{what}: the same step again gives the same state"


def test_many_steps_in_a_row_back_to_the_beginning() -> None:
    job = MadeUpSession()
    states = [job.state]
    for _, step in STEPS:
        step(job)
        states.append(job.state)
    for before in reversed(states[:-1]):
        job.do(cm.Undo())
        assert same(job.state, before)
    assert job.phase() is Phase.INSPECTING
    with pytest.raises(Refused) as refusal:
        job.do(cm.Undo())
    assert refusal.value.code == "phase"


def test_a_proof_and_a_whole_string_can_be_taken_back() -> None:
    job = MadeUpSession().tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.1)
    before = job.state
    job.bracket(6, 0.1)
    assert job.string(6).proved
    while job.state.revision and job.string(6).plucks == () and job.state.focus != 6:
        job.do(cm.Undo())
    assert not job.string(6).proved
    for _ in range(len(job.string(6).plucks)):
        job.do(cm.Undo())
    assert same(job.state, before)


def test_undone_steps_are_kept_in_the_events() -> None:
    job = MadeUpSession().inspected()
    job.hear(6, OPEN, -20.0)
    job.do(cm.Undo())
    assert isinstance(job.events[-1], ev.TakenBack)
    assert any(isinstance(e, ev.ReadingTaken) for e in job.events)
    assert fold(job.events) == job.state


@pytest.mark.parametrize("instrument", [FLOATING, SCREWS, PAIRED])
def test_taking_back_each_step_of_a_whole_job(instrument: str) -> None:
    job = MadeUpSession(instrument).inspected()
    hands = MadeUpTechnician(job, {1: 6.0, 2: 0.1, 3: 0.2, 4: -0.1, 5: 0.0, 6: -0.2})
    for _ in range(300):
        before = job.state
        hands.step()
        if job.phase() is Phase.CLOSED:
            break
        after = job.state
        job.do(cm.Undo())
        assert same(job.state, before)
        job.state = after
    assert job.phase() is Phase.CLOSED


def test_the_count_of_steps_goes_up_by_one_a_step() -> None:
    job = MadeUpSession()
    assert job.state.revision == 1
    for k, (_, step) in enumerate(STEPS, 2):
        step(job)
        assert job.state.revision == k
    job.do(cm.Undo())
    assert job.state.revision == len(STEPS) + 2
