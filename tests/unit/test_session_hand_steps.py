"""Steps by hand that can't be heard: fine tuners, nut clamps, the action after long moves, strings let down."""

from __future__ import annotations

import pytest
from made_up_session import FLOATING, LOCKING, PAIRED, SCREWS, MadeUpSession, MadeUpTechnician, refused

from oscservice.api.topics import topics
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Ignored
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.vocabulary import Ending, Phase, Status

SMALL = {1: 4.0, 2: -3.0, 3: 0.3, 4: 4.5, 5: 0.0, 6: -4.0}


def opened() -> MadeUpSession:
    """Inspected, fine tuners in the middle, the nut open, nothing heard of any string yet."""
    job = MadeUpSession(LOCKING).inspected()
    job.do(cm.Next())
    job.do(cm.Next())
    assert job.phase() is Phase.TUNING
    return job


def codes(job: MadeUpSession, hands: MadeUpTechnician) -> list[str]:
    """The prompts of the rest of a session, without repetition."""
    found: list[str] = []
    while job.phase() is not Phase.CLOSED:
        if not found or found[-1] != job.prompt:
            found.append(job.prompt)
        hands.step()
    return found


@pytest.mark.parametrize("commands", [False, True], ids=["hands free", "by commands"])
def test_a_locked_set_up_goes_through_every_step_in_order(commands: bool) -> None:
    job = MadeUpSession(LOCKING).inspected()
    seen = codes(job, MadeUpTechnician(job, SMALL, commands=commands))
    assert seen[:2] == ["centre_fine_tuners", "open_nut"]
    assert seen.count("close_nut") == 1
    closed = seen.index("close_nut")
    assert "shift_saddle" in seen[:closed]
    assert "shift_saddle" not in seen[closed:]
    assert "pluck_harmonic" in seen[closed:], "the last pass comes after"
    assert job.state.nut_closed
    assert job.state.outcome == Ending.PROVED
    assert fold(job.events) == job.state
    proved = [k for k, e in enumerate(job.events) if isinstance(e, ev.StringProved)]
    clamped = [k for k, e in enumerate(job.events) if isinstance(e, ev.NutClamped) and e.closed]
    assert clamped[-1] < proved[0]


def test_a_pluck_says_that_a_step_is_done_and_counts_once_the_strings_are_tuned() -> None:
    job = MadeUpSession(LOCKING).inspected()
    assert (job.phase(), job.state.focus, job.prompt) == (Phase.PREPARING, 6, "centre_fine_tuners")
    job.hear(6, OPEN, 8.0)
    assert job.state.tuners_centred
    assert job.string(6).open_cents is None, "the nut may still be closed"
    job.hear(6, OPEN, 8.0)
    assert (job.phase(), job.state.nut_closed) == (Phase.TUNING, False)
    assert job.string(6).open_cents == pytest.approx(8.0)


def test_a_session_by_hand_waits_for_next() -> None:
    job = MadeUpSession(LOCKING)
    job.do(cm.ByHand(True))
    job.inspected()
    assert job.prompt == "centre_fine_tuners"
    with pytest.raises(Ignored, match="next"):
        job.hear(6)
    job.do(cm.Next())
    assert job.prompt == "open_nut"


def test_an_uncertain_note_says_nothing() -> None:
    job = MadeUpSession(LOCKING).inspected()
    with pytest.raises(Ignored, match="ring longer"):
        job.hear(6, OPEN, 0.0, se_cents=9.0)
    assert job.prompt == "centre_fine_tuners"


def test_steps_are_undone_one_by_one() -> None:
    job = opened()
    job.do(cm.Undo())
    assert job.prompt == "open_nut"
    job.do(cm.Undo())
    assert job.prompt == "centre_fine_tuners"


def test_closing_the_nut_makes_every_pitch_unknown_and_tells_each_shift() -> None:
    job = opened()
    for number in reversed(job.state.numbers):
        job.hear(number)
    assert job.phase() is Phase.COMPARING
    job.do(cm.NutClamps(True))
    assert job.phase() is Phase.RETUNING
    assert all(string.open_cents is None for string in job.state.strings)
    assert topics(job.state)["/nut"] == ("closed",)
    job.hear(6, OPEN, 4.5)
    assert topics(job.state)["/string/6/nut/shift"] == (pytest.approx(4.5, abs=0.3),)
    job.hear(5, OPEN, -3.0)
    for number in (4, 3, 2, 1):
        job.hear(number, OPEN, 5.0)
    tuned = prompt(job.state)
    assert tuned.code in ("tune_up", "tune_down")
    sense = "clockwise" if tuned.code == "tune_up" else "counterclockwise"
    assert f"with its fine tuner, {sense}, then" in tuned.text


def test_a_string_that_is_moved_later_opens_the_nut_again() -> None:
    job = opened()
    for number in reversed(job.state.numbers):
        job.hear(number)
    job.do(cm.NutClamps(True))
    hands = MadeUpTechnician(job, {6: 6.0, 1: 0.0, 2: 0.0, 3: 0.0, 4: 0.0, 5: 0.0})
    while job.prompt != "slacken":
        hands.step()
    assert prompt(job.state).text.startswith("Open the nut clamps first (hex key)")
    job.hear(job.state.focus, OPEN, -700.0)
    assert job.state.nut_closed is False
    assert job.string(job.state.focus).status is Status.SLACK
    seen = codes(job, hands)
    assert "close_nut" in seen
    assert job.state.nut_closed


def test_clamps_that_are_not_there_are_refused() -> None:
    job = MadeUpSession(FLOATING).tuned()
    assert "no locking nut" in refused(job, cm.NutClamps(True), "refused")
    assert topics(job.state)["/nut"] == ("none",)


def test_clamps_that_are_closed_already_change_nothing() -> None:
    job = opened()
    assert job.do(cm.NutClamps(False)) == []


def screws(**bridge: object) -> Instrument:
    """An instrument with screws, its bridge changed."""
    given = load_instrument(SCREWS)
    return given.model_copy(update={"bridge": given.bridge.model_copy(update=bridge)})


def test_a_screw_that_tightens_waits_for_the_string_to_be_let_down() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.bracket(6, 8.0)
    now = prompt(job.state)
    assert now.code == "let_down"
    assert "to D2" in now.text
    with_turn = job.state
    events = job.hear(6)  # still at pitch
    assert isinstance(events[-1], ev.MissedStepNoticed)
    assert events[-1].what == "not_slack"
    assert job.prompt == "let_down"
    job.state = with_turn
    job.do(cm.Next())
    assert job.prompt == "turn_screw"


def test_a_screw_that_loosens_is_turned_at_once() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.bracket(6, -8.0)
    assert job.prompt == "turn_screw"
    assert "counterclockwise" in prompt(job.state).text


def test_a_record_without_the_rule_goes_on_as_before() -> None:
    job = MadeUpSession(screws(let_down=False)).tuned()
    job.bracket(6, 8.0)
    assert job.prompt == "turn_screw"


@pytest.mark.parametrize(("way", "sense"), [("toward the nut", "counterclockwise"), ("away from the nut", "clockwise")])
def test_the_sense_of_a_turn_follows_from_the_file(way: str, sense: str) -> None:
    given = load_instrument(SCREWS).bridge
    turned = tuple(adjuster.model_copy(update={"clockwise": way}) for adjuster in given.adjusters)
    job = MadeUpSession(screws(adjusters=turned)).tuned()
    job.bracket(6, 8.0)
    assert f" {sense}, which tightens string 6" in prompt(job.state).text
    assert topics(job.state)["/string/6/saddle/sense"] == (sense,)


def test_long_moves_ask_for_the_action_again() -> None:
    job = MadeUpSession(SCREWS).inspected()
    seen = codes(job, MadeUpTechnician(job, {**SMALL, 6: 9.0}))
    assert seen.count("check_action") == 1
    assert seen.index("check_action") > seen.index("turn_screw")
    short = MadeUpSession(SCREWS).inspected()
    assert "check_action" not in codes(short, MadeUpTechnician(short, SMALL))


def test_the_prompt_names_tools_and_the_owner_may_name_his_own() -> None:
    own = load_instrument(LOCKING).model_copy(update={"tools": {"nut clamp": "3 mm hex key"}})
    job = MadeUpSession(own).inspected()
    job.do(cm.Next())
    now = prompt(job.state)
    assert now.tool == "3 mm hex key"
    assert "(3 mm hex key)" in now.text
    assert now.reason
    assert topics(job.state)["/prompt/tool"] == ("3 mm hex key",)


def test_the_other_strings_rise_is_told_before_it_happens() -> None:
    job = MadeUpSession(FLOATING).tuned()
    job.bracket(6, -8.0)
    assert job.prompt == "slacken"
    assert "the other strings rise by up to" in prompt(job.state).text
    fixed = MadeUpSession(SCREWS).tuned()
    fixed.bracket(6, 8.0)
    assert "other strings rise" not in prompt(fixed.state).text


def test_an_old_bend_in_the_sounding_length_is_pressed_down() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.bracket(6, 8.0)
    job.do(cm.Next())
    assert "press it down just in front of the saddle" in prompt(job.state).text
    other = MadeUpSession(SCREWS).tuned()
    other.bracket(6, -8.0)
    assert "its old bend" not in prompt(other.state).text


def test_a_string_clamped_in_its_saddle_takes_its_bend_along() -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, 8.0)
    job.do(cm.Slackened(6))
    assert "its old bend" in prompt(job.state).text
    bridge = job.instrument.bridge.model_copy(update={"anchor": "string lock"})
    locked = MadeUpSession(job.instrument.model_copy(update={"bridge": bridge})).tuned()
    locked.bracket(6, 8.0)
    locked.do(cm.Slackened(6))
    assert prompt(locked.state).code == "shift_saddle"
    assert "its old bend" not in prompt(locked.state).text


def test_strings_are_heard_before_they_are_tuned_once_the_nut_is_closed() -> None:
    job = MadeUpSession(LOCKING).inspected()
    job.do(cm.NutClamps(False))
    for number in reversed(job.state.numbers):
        job.hear(number)
    assert job.state.phase is Phase.COMPARING
    job.do(cm.NutClamps(True))
    assert job.state.phase is Phase.RETUNING
    assert prompt(job.state).text == "Pluck string 6 open."


def test_strings_of_a_shared_saddle_are_told_as_a_compromise() -> None:
    job = MadeUpSession(PAIRED).inspected()
    MadeUpTechnician(job, {1: 5.0, 2: -5.0, 3: 0.3, 4: 0.0, 5: 0.2, 6: 0.0}).work()
    assert prompt(job.state).text.startswith("As near as a shared saddle allows: strings 2, 1. Done: every string")


# Readings of a saddle's place


def slack(error_cents: float = -8.0) -> MadeUpSession:
    """String 6 slack, its saddle to be moved (by about 3 mm toward the nut)."""
    job = MadeUpSession(FLOATING).tuned()
    job.bracket(6, error_cents)
    job.do(cm.SaddleAt(6, 20.0))
    job.hear(6, OPEN, -700.0)
    return job


def test_two_readings_are_a_move() -> None:
    job = slack()
    advice = job.string(6).advice
    assert advice is not None
    events = job.do(cm.SaddleAt(6, 20.0 + round(advice.mm, 1)))
    assert [e.mm for e in events if isinstance(e, ev.SaddleMoved)] == [pytest.approx(advice.mm, abs=0.06)]
    assert job.phase() is Phase.RETUNING
    assert job.state.notice is None
    assert job.string(6).saddle_at_mm == (20.0, 20.0 + round(advice.mm, 1))


def test_a_move_by_another_distance_is_told_at_once() -> None:
    job = slack()
    advice = job.string(6).advice
    assert advice is not None
    job.do(cm.SaddleAt(6, 20.0 + advice.mm - 1.0))
    notice = job.state.notice
    assert notice is not None
    assert notice.what == "saddle_moved_otherwise"
    assert (notice.wanted, notice.found) == (
        pytest.approx(advice.mm, abs=1e-3),
        pytest.approx(advice.mm - 1.0, abs=1e-3),
    )
    assert f"moved {advice.mm - 1.0:+.1f} mm instead of {advice.mm:+.1f} mm" in prompt(job.state).text
    assert job.string(6).moved_mm == pytest.approx(advice.mm - 1.0, abs=1e-3)


def test_a_reading_after_the_move_corrects_it() -> None:
    job = slack()
    advice = job.string(6).advice
    assert advice is not None
    job.hear(6)  # back at pitch: moved as advised, as far as anybody knows
    assert job.string(6).moved_mm == pytest.approx(advice.mm)
    job.do(cm.SaddleAt(6, 21.5))
    assert job.state.notice is not None
    assert job.state.notice.what == "saddle_moved_wrong_way"
    assert job.string(6).moved_mm == pytest.approx(1.5)
    assert job.string(6).expected is None


def test_a_reading_that_agrees_says_nothing_more() -> None:
    job = slack()
    advice = job.string(6).advice
    assert advice is not None
    job.hear(6)
    job.do(cm.SaddleAt(6, 20.0 + advice.mm + 0.05))
    assert job.state.notice is None
    assert job.string(6).moved_mm == pytest.approx(advice.mm)


def test_a_reading_before_the_move_is_only_kept() -> None:
    job = slack()
    job.do(cm.SaddleAt(6, 20.04))
    assert job.string(6).status is Status.SLACK
    assert job.string(6).saddle_at_mm == (20.0, 20.04)
    assert topics(job.state)["/string/6/saddle/place"] == (20.04,)


@pytest.mark.parametrize("at_mm", [float("nan"), float("inf"), 1000.5, -501.0])
def test_readings_that_cannot_be_are_refused(at_mm: float) -> None:
    job = MadeUpSession(FLOATING).tuned()
    assert "expected -500 to 1000" in refused(job, cm.SaddleAt(6, at_mm), "range")
