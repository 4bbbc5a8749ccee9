"""The quick check between takes."""

from __future__ import annotations

import copy
import math
import random
from dataclasses import replace

import pytest
from bench.silent import SilentBench, quick_check, set_up
from made_up_session import FLOATING, FRET, SCREWS, MadeUpSession, MadeUpTechnician, refused

from oscservice.api.topics import topics
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import NewGauge, with_gauges
from oscservice.instrument.pitch import HARMONIC, OPEN
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import Prompt, prompt
from oscservice.session.quick_check import MOST_FRETTED, change_verdict
from oscservice.session.replay import fold
from oscservice.session.session_results import summary_of
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import State
from oscservice.session.vocabulary import Check, Drift, Ending, Phase, Status
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig


def proved(instrument: str | Instrument = SCREWS, aside: int = 0, tolerance_cents: float = 2.0) -> MadeUpSession:
    """A made-up guitar that was set up; a string may be set aside."""
    job = MadeUpSession(instrument, tolerance_cents).inspected()
    if aside:
        job.do(cm.SetAside(aside, "rusty"))
    MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 3.0)).work()
    assert job.state.outcome in (Ending.PROVED, Ending.PARTLY_PROVED)
    return job


@pytest.fixture(scope="module")
def done() -> MadeUpSession:
    return proved()


@pytest.fixture(scope="module")
def left(done: MadeUpSession) -> SetupSummary:
    return summary_of(done.state, "2026-11-25-1")


class Quick(MadeUpSession):
    """A quick check of six made-up strings, compared with ``left``."""

    def __init__(self, left: SetupSummary, instrument: Instrument | None = None, tolerance_cents: float | None = None):
        self.instrument = instrument or load_instrument(SCREWS)
        self.state = State()
        self.events: list[ev.Event] = []
        self.prompts: dict[str, Prompt] = {}
        self.left = left
        self.do(cm.Quick(self.instrument, left.to_json(), tolerance_cents))

    def pluck(self, string: int, tuning_cents: float = 0.0, intonation_cents: float = 0.0, times: int = 1) -> None:
        """Open, fretted and open again, so far from how the string was left."""
        one = self.left.string(string)
        assert one is not None
        error = one.at(12)
        assert error is not None
        assert one.open_cents is not None
        opened = one.open_cents + tuning_cents
        if not self.string(string).plucks:
            self.hear(string, OPEN, opened)
        for _ in range(times):
            self.hear(string, FRET, opened + error.error_cents + intonation_cents)
            self.hear(string, OPEN, opened)


def test_a_guitar_that_holds_takes_three_plucks_a_string(left: SetupSummary) -> None:
    job = Quick(left)
    assert (job.phase(), job.state.focus, job.prompt) == (Phase.CHECKING, 6, "pluck_open")
    assert job.state.tolerance_cents == 2.0
    for string in (6, 5, 4, 3, 2, 1):
        assert job.state.focus == string
        job.hear(string, OPEN, left.strings[string - 1].open_cents or 0.0)
        assert job.prompt == "pluck_fretted"
        job.pluck(string, 0.3, -0.4)
        assert job.string(string).status is Status.CHECKED
    checked = [event for event in job.events if isinstance(event, ev.StringChecked)]
    assert [(event.string, event.verdict, event.what) for event in checked] == [
        (n, Check.HOLDS, Drift.NONE) for n in (6, 5, 4, 3, 2, 1)
    ]
    assert (job.phase(), job.state.outcome, job.prompt) == (Phase.CLOSED, Ending.HOLDS, "check_holds")
    assert sum(isinstance(event, ev.ReadingTaken) for event in job.events) == 18


@pytest.mark.parametrize(
    ("tuning", "intonation", "what"),
    [
        (6.0, 0.0, Drift.TUNING),
        (-6.0, 0.0, Drift.TUNING),
        (0.0, 6.0, Drift.INTONATION),
        (0.0, -6.0, Drift.INTONATION),
        (8.0, -9.0, Drift.BOTH),
        (-100.0, 3.5, Drift.TUNING),  # so slack a string frets otherwise
    ],
)
def test_a_drift_is_reported_with_its_size(left: SetupSummary, tuning: float, intonation: float, what: Drift) -> None:
    job = Quick(left)
    job.pluck(6, tuning, intonation)
    found = job.string(6).check
    assert found is not None
    assert (found.verdict, found.what) == (Check.DRIFTED, what)
    assert abs(found.tuning_cents - tuning) < 1.0
    assert found.tuning_se_cents < 1.0
    assert abs(found.intonation_cents - intonation) < 1.0
    assert found.intonation_se_cents < 1.2
    for string in (5, 4, 3, 2, 1):
        job.pluck(string)
    assert (job.state.outcome, job.prompt) == (Ending.DRIFTED, "check_drifted")
    ways = {Drift.TUNING: "string 6 in tuning.", Drift.INTONATION: "string 6 in intonation."}
    both = "string 6 in tuning, string 6 in intonation."
    assert prompt(job.state).text == f"Drifted since session 2026-11-25-1: {ways.get(what, both)}"
    assert "face away from it" in prompt(job.state).caution


def test_if_plucks_do_not_decide_more_are_requested_and_finally_the_verdict_is_unsure(left: SetupSummary) -> None:
    job = Quick(left)
    for times in range(1, MOST_FRETTED + 1):
        assert job.string(6).check is None
        job.pluck(6, 0.0, 2.2)
        assert (job.string(6).check is None) == (times < MOST_FRETTED)
    found = job.string(6).check
    assert found is not None
    assert (found.verdict, found.what, found.plucks) == (Check.UNSURE, Drift.NONE, MOST_FRETTED)
    for string in (5, 4, 3, 2, 1):
        job.pluck(string)
    assert (job.state.outcome, job.prompt) == (Ending.UNSURE, "check_unsure")
    assert "unclear: string 6. Check again" in prompt(job.state).text


def test_the_three_answers() -> None:
    assert change_verdict(0.0, 0.9, 2.0, last_word=False) is Check.HOLDS
    assert change_verdict(-6.0, 0.9, 2.0, last_word=False) is Check.DRIFTED
    assert change_verdict(2.2, 0.9, 2.0, last_word=False) is None
    assert change_verdict(2.2, 0.9, 2.0, last_word=True) is Check.UNSURE
    # However large: a change that its own standard error explains is no drift.
    assert change_verdict(20.0, 9.0, 2.0, last_word=True) is Check.UNSURE
    # However small: what is not known well enough does not hold.
    assert change_verdict(0.0, 3.0, 2.0, last_word=True) is Check.UNSURE


def test_without_a_sealed_session_there_is_nothing_to_check_against(done: MadeUpSession) -> None:
    job = MadeUpSession()
    job.do(cm.Abandon())
    assert "no sealed session of 'six-string-648'" in refused(job, cm.Quick(job.instrument, ""), "missing")


def test_a_set_up_is_not_disturbed(left: SetupSummary) -> None:
    quick = cm.Quick(load_instrument(SCREWS), left.to_json())
    for job in (MadeUpSession(SCREWS), MadeUpSession(SCREWS).inspected(), MadeUpSession(SCREWS).tuned(), Quick(left)):
        assert "a session is under way" in refused(job, quick, "phase")
    under_way = Quick(left)
    assert "a session is under way" in refused(under_way, cm.Begin(under_way.instrument, "another"), "phase")


def test_strings_that_cannot_be_checked_are_set_aside_and_said() -> None:
    before = proved(aside=4)
    left = summary_of(before.state, "s")
    other = with_gauges(before.instrument, {2: NewGauge(0.36)})
    job = Quick(left, other)
    assert job.string(4).reason == "set aside in session s: rusty"
    assert job.string(2).reason == "not the string of session s: another string (0.33 and 0.36 mm)"
    assert "string 4 can't be checked: set aside" in refused(job, cm.Focus(4), "refused")
    for string in (6, 5, 3, 1):
        assert job.state.focus == string
        job.pluck(string)
    assert job.state.outcome == Ending.HOLDS


def test_a_session_that_compared_nothing_or_other_strings_is_refused(left: SetupSummary) -> None:
    job = MadeUpSession(SCREWS)
    job.do(cm.Abandon())
    nothing = summary_of(job.state, "s")
    assert "compared no fret" in refused(job, cm.Quick(job.instrument, nothing.to_json()), "refused")
    bass = load_instrument("bass-4-864")
    assert "no string can be compared with session" in refused(job, cm.Quick(bass, left.to_json()), "refused")
    assert "tolerance of 0 cents" in refused(job, cm.Quick(job.instrument, left.to_json(), 0.0), "range")


def test_commands_in_a_quick_check(left: SetupSummary) -> None:
    job = Quick(left)
    assert "at least one fretted pluck" in refused(job, cm.Next(), "refused")
    job.pluck(6, 0.0, 2.2)
    job.do(cm.Next())
    checked = job.string(6).check
    assert checked is not None
    assert checked.verdict == Check.UNSURE
    assert "not checked: string 1, 2, 3, 4, 5" in refused(job, cm.Finish(), "refused")
    for command in (cm.Moved(5, 1.0), cm.Turned(5, 1.0), cm.Slackened(5), cm.Overrule(5), cm.Inspect("all", "passed")):
        refused(job, command, "phase")
    job.do(cm.SetAside(5, "no time"))
    assert job.state.focus == 4
    job.do(cm.Focus(6))  # once more, since it was unsure
    assert (job.state.focus, job.string(6).check, job.string(6).plucks) == (6, None, ())
    job.hear(6, OPEN, 0.0)
    job.do(cm.Discard())
    assert job.string(6).plucks == ()
    job.pluck(6)
    assert job.state.focus == 4, "the thickest that was not checked; 5 was set aside"
    job.do(cm.Focus(5))
    job.pluck(5, -7.0)
    assert (job.string(5).status, job.string(5).reason) == (Status.CHECKED, "")
    job.do(cm.Listen(False))
    job.do(cm.Listen(True))
    job.do(cm.Focus(3, HARMONIC))
    assert job.prompt == "pluck_harmonic"
    job.do(cm.Abandon())
    assert job.state.outcome == Ending.ABANDONED


def test_every_step_can_be_taken_back_exactly(left: SetupSummary) -> None:
    job = Quick(left)
    states = [job.state]
    for _ in range(8):
        waited = asked(job.state)
        assert waited is not None
        job.hear(*waited, cents=12.0 if waited[1] == FRET else 0.0)
        states.append(job.state)
    assert any(string.check is not None for string in job.state.strings)
    for state in reversed(states[:-1]):
        job.do(cm.Undo())
        assert replace(job.state, revision=0) == replace(state, revision=0)


def test_a_journal_replays_to_the_same_state(left: SetupSummary) -> None:
    job = Quick(left)
    job.pluck(6, 6.0)
    job.pluck(5, 0.0, 2.2)
    job.do(cm.SetAside(4, "no time"))
    job.do(cm.Undo())
    again = fold(ev.from_body(kind, body) for kind, body in map(ev.to_body, job.events))
    assert again == job.state
    assert again.past == job.state.past


def test_topics_of_a_quick_check_show_the_result_of_each_string(left: SetupSummary) -> None:
    job = Quick(left)
    now = topics(job.state)
    assert now["/check/against"] == ("2026-11-25-1",)
    assert [now[f"/string/{n}/check"] for n in (6, 1)] == [("waiting",), ("waiting",)]
    assert "/string/6/check/tuning" not in now
    job.pluck(6, 6.0, 0.2)
    job.do(cm.SetAside(5, "no time"))
    now = topics(job.state)
    assert now["/string/6/check"] == ("drifted",)
    assert now["/string/6/check/what"] == ("tuning",)
    for what, cents in (("tuning", 6.0), ("intonation", 0.2)):
        assert now[f"/string/6/check/{what}"][0] == pytest.approx(cents, abs=0.5)
        assert 0.0 < float(now[f"/string/6/check/{what}/spread"][0]) < 1.2
    assert now["/string/6/status"] == ("checked",)
    assert now["/string/5/check"] == ("set aside",)
    set_up_topics = topics(MadeUpSession(SCREWS).state)
    assert set_up_topics["/check/against"] == ("",)
    assert "/string/6/check" not in set_up_topics


def test_a_quick_check_has_a_summary_of_its_own(left: SetupSummary) -> None:
    job = Quick(left)
    for string in (6, 5, 4, 3, 2, 1):
        job.pluck(string, 1.0, 1.0 if string > 1 else 6.0)
    found = summary_of(job.state, "2")
    assert found.quick
    for before, after in zip(left.strings, found.strings, strict=True):
        error, known = after.at(12), before.at(12)
        assert error is not None
        assert known is not None
        change = 1.0 if after.string > 1 else 6.0
        assert error.error_cents - known.error_cents == pytest.approx(change, abs=0.5)
        assert error.se_cents > known.se_cents


# On the simulated guitar's own pitches, which share no formula with any of this


@pytest.fixture(scope="module")
def guitar() -> tuple[Instrument, Rig, SetupSummary]:
    """A guitar on a spring-balanced bridge as a set-up left it."""
    instrument, draw = load_instrument(FLOATING), random.Random(8)
    astray = [draw.uniform(-3.0, 3.0) for _ in instrument.strings]
    rig = rig_of(instrument, saddle_error_mm=astray, detune_cents=[draw.uniform(-20.0, 20.0) for _ in astray])
    account = set_up(instrument, rig, 8)
    return instrument, rig, summary_of(account.state, "set-up")


def test_an_unchanged_guitar_holds(guitar: tuple[Instrument, Rig, SetupSummary]) -> None:
    instrument, rig, left = guitar
    for seed in range(5):
        state, _ = quick_check(instrument, left, SilentBench(copy.deepcopy(rig), seed))
        assert state.outcome == Ending.HOLDS


@pytest.mark.parametrize("string", [1, 2, 3, 4, 5, 6])
def test_a_string_far_off_is_taken_for_itself(guitar: tuple[Instrument, Rig, SetupSummary], string: int) -> None:
    instrument, rig, left = guitar
    for cents in (-100.0, 70.0):
        there = copy.deepcopy(rig)
        there.turn_peg(string, cents)
        opened = {n: there.open_hz(n) for n in range(1, 7)}
        before = {n: rig.open_hz(n) for n in range(1, 7)}
        state, plucks = quick_check(instrument, left, SilentBench(there, 3))
        for number in range(1, 7):
            found = state.string(number).check
            assert found is not None
            true_cents = 1200.0 * math.log2(opened[number] / before[number])
            assert abs(found.tuning_cents - true_cents) < 4.0 * found.tuning_se_cents
        checked = state.string(string).check
        assert checked is not None
        assert (checked.verdict, checked.what) == (Check.DRIFTED, Drift.TUNING)
        assert plucks[string] <= 5
