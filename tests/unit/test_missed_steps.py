"""Steps that were left out or done wrongly are noticed, and sound work is not disturbed."""

from __future__ import annotations

import pytest
from bench.missed_steps import INSTRUMENT, one
from made_up_session import FLOATING, LOCKING, SCREWS, MadeUpSession, MadeUpTechnician

from oscservice.api.topics import topics
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.sentences.sentence_table import ENGLISH
from oscservice.session import commands as cm
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.vocabulary import MISSED_TEXTS, MissedStep, Phase
from oscservice.simulate.mistakes import MISTAKE_TEXTS, Mistake


def heard(job: MadeUpSession, string: int, cents: float) -> str:
    """The notice after an open note, or nothing."""
    job.hear(string, OPEN, cents)
    assert fold(job.events) == job.state
    notice = job.state.notice
    if notice is None:
        return ""
    now = prompt(job.state)
    assert now.text.startswith(topics(job.state)["/notice/text"][0])
    return str(notice.what)


def tuning(instrument: str, cents: float = 20.0) -> MadeUpSession:
    """String 6 so far off, its peg to be turned next."""
    job = MadeUpSession(instrument).inspected()
    while job.phase() is Phase.PREPARING:
        job.do(cm.Next())
    for number in reversed(job.state.numbers) if job.instrument.bridge.floating else [6]:
        job.hear(number, OPEN, cents if number == 6 else 0.0)
    while job.state.focus != 6 or not job.prompt.startswith("tune_"):
        job.hear(job.state.focus, OPEN, job.string(job.state.focus).target_cents)
    return job


@pytest.mark.parametrize(("instrument", "what"), [(SCREWS, "wrong_peg"), (LOCKING, "nut_still_closed")])
def test_a_string_that_does_not_follow_its_peg(instrument: str, what: str) -> None:
    job = tuning(instrument)
    assert heard(job, 6, 19.9) == what
    assert job.phase() is (Phase.PREPARING if instrument == LOCKING else Phase.TUNING)


def test_a_nut_that_was_opened_again_is_not_suspected_twice() -> None:
    job = tuning(LOCKING)
    assert heard(job, 6, 19.9) == "nut_still_closed"
    job.do(cm.Next())
    for number in (6, 5, 4, 3, 2, 1):
        job.hear(number, OPEN, 20.0 if number == 6 else 0.0)
    assert job.prompt == "tune_down"
    assert heard(job, 6, 19.9) == "wrong_peg"


def test_a_string_tuned_the_wrong_way() -> None:
    job = tuning(SCREWS)
    assert heard(job, 6, 38.0) == "wrong_way"
    assert "wrong way, by +18 cents" in prompt(job.state).text


@pytest.mark.parametrize("cents", [0.4, 5.0, 12.0, -9.0])
def test_a_string_that_follows_more_or_less_says_nothing(cents: float) -> None:
    assert heard(tuning(SCREWS), 6, cents) == ""


def test_a_small_correction_is_not_judged() -> None:
    assert heard(tuning(SCREWS, 5.0), 6, 5.0) == ""


def locked(shifts_cents: dict[int, float]) -> MadeUpSession:
    """In tune, the nut closed; each string's change is heard."""
    job = MadeUpSession(LOCKING).inspected()
    while job.phase() is Phase.PREPARING:
        job.do(cm.Next())
    for number in (6, 5, 4, 3, 2, 1):
        job.hear(number)
    job.do(cm.NutClamps(True))
    for number, cents in shifts_cents.items():
        job.hear(number, OPEN, cents)
    return job


def test_clamps_that_change_nothing_are_open() -> None:
    job = locked(dict.fromkeys((6, 5, 4, 3, 2), 0.1))
    assert heard(job, 1, -0.1) == "nut_still_open"
    assert (job.phase(), job.prompt, job.state.nut_closed) == (Phase.SECURING, "close_nut", False)
    job.do(cm.Next())
    for number in (6, 5, 4, 3, 2):
        job.hear(number, OPEN, 0.1)
    assert heard(job, 1, -0.1) == "", "said once; whoever says it again knows better"
    assert job.state.nut_closed


def test_clamps_that_shift_strings_are_closed() -> None:
    job = locked({6: 0.2, 5: -4.0, 4: 0.1, 3: 2.0, 2: 0.0})
    assert heard(job, 1, 0.1) == ""


def test_a_string_that_jumps_when_its_clamp_closes() -> None:
    assert heard(locked({}), 6, -40.0) == "clamp_jumped"


def test_a_fine_tuner_at_its_end() -> None:
    job = locked({6: 5.0, 5: -4.0, 4: 4.0, 3: 5.0, 2: -4.0, 1: 4.0})
    number = job.state.focus
    before = job.string(number).open_cents
    assert before is not None
    assert heard(job, number, before + 0.1) == "fine_tuner_at_end"


def to_slacken(instrument: str) -> MadeUpSession:
    """String 6 to be slackened for its saddle."""
    job = MadeUpSession(instrument).inspected()
    while job.phase() is Phase.PREPARING:
        job.do(cm.Next())
    for number in (6, 5, 4, 3, 2, 1):
        job.hear(number)
    job.bracket(6, -8.0)
    assert job.prompt == "slacken"
    return job


def test_a_string_at_pitch_that_should_be_slack() -> None:
    job = to_slacken(LOCKING)
    assert heard(job, 6, 0.3) == "not_slack"
    assert heard(job, 6, -700.0) == ""
    assert job.prompt == "shift_saddle"


def test_a_string_that_rises_when_another_one_is_slackened() -> None:
    assert heard(to_slacken(LOCKING), 6, 14.0) == "wrong_string_slack"


@pytest.mark.parametrize(
    ("response", "what"), [(0.0, "saddle_not_moved"), (-1.0, "saddle_moved_wrong_way"), (2.0, "saddle_moved_otherwise")]
)
def test_the_next_notes_show_a_saddle_that_was_moved_otherwise(response: float, what: str) -> None:
    job = MadeUpSession(FLOATING).inspected()
    hands = MadeUpTechnician(job, {6: -14.0, **dict.fromkeys(range(1, 6), 0.0)}, response=response)
    while not job.state.notice:
        hands.step()
        assert job.string(6).moves < 2
    assert (job.state.notice.what, job.state.notice.string) == (what, 6)
    # By one comparison at most: no further one was made in vain.
    assert job.string(6).moves == 1
    assert job.state.notice.found == pytest.approx(response * job.state.notice.wanted, abs=0.9)


def test_a_move_as_advised_says_nothing() -> None:
    job = MadeUpSession(FLOATING).inspected()
    MadeUpTechnician(job, {n: (-1.0) ** n * 9.0 for n in range(1, 7)}).work()
    assert {type(event).__name__ for event in job.events} & {"MissedStepNoticed"} == set()


def test_a_string_that_goes_on_falling_is_tuned_again() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.hear(6, OPEN, 0.0)
    job.bracket(6, 8.0, plucks=1)
    assert heard(job, 6, -2.0) == ""
    job.hear(6, job.state.asked_place or OPEN, -2.1)
    assert heard(job, 6, -4.5) in ("", "still_stretching")
    for cents in (-7.0, -9.5):
        if job.state.notice is None:
            heard(job, 6, cents)
    assert job.state.notice is not None
    assert (job.state.notice.what, job.phase()) == ("still_stretching", Phase.RETUNING)
    assert job.string(6).plucks == ()
    job.hear(6)
    assert (job.phase(), job.state.focus) == (Phase.COMPARING, 6)


def test_every_missed_step_has_its_words() -> None:
    assert set(MISSED_TEXTS) == set(MissedStep) == set(ENGLISH.column("notice", "text"))
    assert set(MISTAKE_TEXTS) == set(Mistake)


@pytest.mark.slow
@pytest.mark.parametrize("mistake", [*Mistake, None], ids=lambda one: one or "none")
def test_mistakes_on_a_whole_guitar(mistake: Mistake | None) -> None:
    """A few of those that the benchmark counts by hundreds."""
    instrument = load_instrument(INSTRUMENT)
    for seed in (1, 2):
        outcome = one(instrument, seed, mistake)
        assert outcome.worst_cents <= 2.2
        if mistake is None:
            assert outcome.notices == ()
        elif outcome.made and mistake is not Mistake.FINE_TUNERS:  # these still have room: it costs nothing
            assert outcome.in_time
