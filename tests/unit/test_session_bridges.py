"""Whole instruments from idle to closed, on every kind of bridge, hands-free and by commands."""

from __future__ import annotations

from dataclasses import replace

import pytest
from made_up_session import BAR, FIXED, FLOATING, FRET, PAIRED, SCREWS, MadeUpSession, MadeUpTechnician

from oscservice.advice.comparison import Comparison
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.judgement import judge_string
from oscservice.session.prompts import prompt
from oscservice.session.vocabulary import Phase, Status

ERRORS = {1: 5.0, 2: -4.0, 3: 0.4, 4: -9.0, 5: 3.0, 6: 10.0}


def worked(instrument: str, errors: dict[int, float], *, commands: bool, seed: int = 1) -> MadeUpTechnician:
    hands = MadeUpTechnician(MadeUpSession(instrument).inspected(), errors, commands=commands, seed=seed)
    hands.work()
    left_out = any(hands.job.string(n).left_out for n in hands.job.state.numbers)
    assert hands.job.state.outcome == ("partly proved" if left_out else "proved")
    return hands


@pytest.mark.slow
@pytest.mark.parametrize("commands", [False, True], ids=["hands-free", "by commands"])
@pytest.mark.parametrize("instrument", [FLOATING, SCREWS])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_string_on_its_own_saddle_ends_in_tune(instrument: str, commands: bool, seed: int) -> None:
    hands = worked(instrument, ERRORS, commands=commands, seed=seed)
    for number in hands.job.state.numbers:
        string = hands.job.string(number)
        assert (string.status, string.proved) == (Status.SETTLED, True)
        assert abs(hands.error(number)) <= 2.0
        assert string.moves <= 3
    assert hands.job.string(3).moves == 0


def test_with_commands_every_move_is_reported_and_none_taken_as_advised() -> None:
    hands = worked(FLOATING, ERRORS, commands=True)
    moves = [e for e in hands.job.events if isinstance(e, ev.SaddleMoved)]
    assert moves
    assert all(m.told for m in moves)
    assert not any(e.heard for e in hands.job.events if isinstance(e, ev.StringSlackened))


def test_hands_free_only_the_inspection_needs_commands() -> None:
    hands = worked(FLOATING, ERRORS, commands=False)
    steps = {e.what for e in hands.job.events if isinstance(e, ev.StepBegun)}
    assert steps == {"Begin", "Inspect", "Hear"}
    assert not any(e.told for e in hands.job.events if isinstance(e, ev.SaddleMoved))


# Saddles that strings share


@pytest.mark.slow
@pytest.mark.parametrize("commands", [False, True], ids=["hands-free", "by commands"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_paired_saddles_come_to_the_best_of_both(commands: bool, seed: int) -> None:
    errors = {1: 6.0, 2: 2.0, 3: -1.0, 4: 1.0, 5: -7.0, 6: 3.0}
    hands = worked(PAIRED, errors, commands=commands, seed=seed)
    for thin, thick in ((1, 2), (3, 4), (5, 6)):
        # A saddle shared by two can only halve what they differ by; one of them sharp, one flat.
        apart = abs(errors[thin] - errors[thick])
        worst = max(abs(hands.error(thin)), abs(hands.error(thick)))
        assert worst <= apart / 2.0 + 1.2
        assert hands.job.string(thin).moved_mm == hands.job.string(thick).moved_mm
    assert hands.job.string(3).moves == 0, "within tolerance as they are"


@pytest.mark.slow
@pytest.mark.parametrize("commands", [False, True], ids=["hands-free", "by commands"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_bar_comes_to_the_best_line(commands: bool, seed: int) -> None:
    errors = {1: 8.0, 2: 6.5, 3: 6.0, 4: 4.0, 5: 3.0, 6: 1.0}  # nearly on a line: a bar can cure it
    hands = worked(BAR, errors, commands=commands, seed=seed)
    for number in hands.job.state.numbers:
        assert abs(hands.error(number)) <= 2.0, number
    treble, bass = hands.job.instrument.bridge.adjusters
    # The two screws determine the place of every saddle.
    moved = [hands.job.string(n).moved_mm for n in hands.job.state.numbers]
    t = (moved[0] * bass.influence[6] - moved[5] * bass.influence[1]) / (
        treble.influence[1] * bass.influence[6] - treble.influence[6] * bass.influence[1]
    )
    b = (moved[0] - t * treble.influence[1]) / bass.influence[1]
    for n in hands.job.state.numbers:
        assert moved[n - 1] == pytest.approx(t * treble.influence[n] + b * bass.influence[n], abs=1e-5)


def test_both_screws_of_a_bar_are_planned_together_and_moved_one_after_the_other() -> None:
    job = MadeUpSession(BAR).tuned()
    for string, error in zip((6, 5, 4, 3, 2, 1), (9.0, 8.0, 6.0, 4.0, 2.0, 1.0), strict=True):
        job.bracket(string, error)
    assert (job.state.phase, job.state.focus) == (Phase.MOVING, 6)
    assert "6, 5, 4, 3, 2, 1" in job.prompts["slacken"].text, "all strings lie on the bar"
    job.do(cm.Slackened(6))
    bass = job.string(6).advice
    treble = job.string(1).advice
    assert bass is not None
    assert treble is not None
    assert bass.mm > 2.0
    job.do(cm.Moved(6, bass.mm))
    assert job.string(1).moved_mm == pytest.approx(bass.mm * 0.182927 / 0.817073, rel=1e-4)
    if job.string(1).advice is not None:
        assert (job.state.phase, job.state.focus) == (Phase.MOVING, 1)
        job.do(cm.Slackened(1))
        job.do(cm.Moved(1, treble.mm))
    assert job.phase() is Phase.RETUNING
    for _ in range(6):
        assert job.prompt == "bring_up"
        job.do(cm.Next())
    assert job.phase() is Phase.COMPARING


@pytest.mark.parametrize("how", ["pluck", "next", "moved"])
def test_the_strings_stay_slack_between_the_two_screws_of_a_bar(how: str) -> None:
    job = MadeUpSession(BAR).tuned()
    for string, error in zip((6, 5, 4, 3, 2, 1), (-8.0, -6.0, -3.0, 3.0, 6.0, 8.0), strict=True):
        job.bracket(string, error)
    assert job.prompt == "slacken"
    assert "where the bar at string 6 is" in job.prompts["slacken"].text
    job.hear(6, OPEN, -700.0)
    text = prompt(job.state).text
    assert text.startswith("Turn the bass screw by ")
    assert " at string 6. Leave the strings slack" in text
    advice = job.string(6).advice
    assert advice is not None
    match how:
        case "pluck":
            job.hear(6, OPEN, -650.0)
        case "next":
            job.do(cm.Next())
        case "moved":
            job.do(cm.Moved(6, advice.mm))
    assert job.string(6).moved_mm == pytest.approx(advice.mm)
    assert (job.phase(), job.state.focus, job.string(1).status) == (Phase.MOVING, 1, Status.SLACK)
    text = prompt(job.state).text
    assert text.startswith("Turn the treble screw by ")
    assert " at string 1. Tune string 1 to E4" in text
    with pytest.raises(cm.Ignored):
        job.hear(1, OPEN, -650.0)
    job.hear(1)
    assert job.phase() is Phase.RETUNING


def test_a_string_left_halfway_does_not_decide_for_its_pair() -> None:
    job = MadeUpSession(PAIRED).tuned()
    job.hear(6)
    job.hear(6, FRET, 8.0)
    job.hear(6)
    job.do(cm.Focus(5))
    job.bracket(5, 8.0)
    assert (job.state.phase, job.state.focus) == (Phase.COMPARING, 6), "one pluck is not enough to move on"
    job.bracket(6, 8.0)
    assert job.phase() is Phase.MOVING
    advice = job.string(6).advice
    assert advice is not None
    assert advice.mm == pytest.approx(8.0 / 2.67, rel=0.06)


def test_a_word_does_not_settle_one_string_of_a_pair_on_two_plucks() -> None:
    job = MadeUpSession(PAIRED).tuned()
    job.hear(6)
    for _ in range(2):
        job.hear(6, FRET, 0.3)
        job.hear(6)
    with pytest.raises(cm.Refused):
        job.do(cm.Next())


def test_a_resumed_settled_string_of_a_pair_settles_again() -> None:
    job = MadeUpSession(PAIRED).tuned()
    for string in (6, 5):
        job.bracket(string, 0.3)
    assert {job.string(n).status for n in (5, 6)} == {Status.SETTLED}
    job.do(cm.Focus(6))
    assert (job.string(6).status, job.string(5).status) == (Status.COMPARING, Status.SETTLED)
    job.bracket(6, 0.2)
    assert {job.string(n).status for n in (5, 6)} == {Status.SETTLED}
    job.do(cm.Focus(6))
    job.bracket(6, 9.0)
    assert job.phase() is Phase.MOVING, "5 counts by what it was settled on"


def test_a_proved_string_of_a_pair_still_counts_for_the_other() -> None:
    job = MadeUpSession(PAIRED).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.3)
    job.bracket(6, 0.2)
    assert job.string(6).proved
    job.bracket(5, 9.0)
    assert (job.state.phase, job.state.focus) == (Phase.COMPARING, 5)
    job.bracket(5, 9.0)
    assert job.phase() is Phase.MOVING
    assert (job.string(6).status, job.string(6).proved) == (Status.TO_MOVE, False), "what is to move is proved no more"


def test_the_partner_of_a_string_set_aside_is_judged_by_itself() -> None:
    job = MadeUpSession(PAIRED).tuned()
    job.do(cm.SetAside(5, "frayed"))
    job.bracket(6, 8.0)
    assert job.phase() is Phase.MOVING
    job.hear(6)
    assert (job.string(6).moved_mm, job.string(5).moved_mm) == (job.string(6).moved_mm,) * 2
    assert job.string(5).status is Status.SET_ASIDE


@pytest.mark.parametrize("left", [(1, 2, 3), (4, 5, 6), (3,), (6,)])
def test_a_bar_with_strings_set_aside_comes_to_its_end(left: tuple[int, ...]) -> None:
    job = MadeUpSession(BAR).inspected()
    for number in set(job.state.numbers) - set(left):
        job.do(cm.SetAside(number, "not strung"))
    hands = MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 6.0))
    hands.work()
    assert all(abs(hands.error(n)) <= 2.6 for n in left)


def test_a_pair_out_of_travel_is_reported() -> None:
    hands = worked(PAIRED, {1: 30.0, 2: 28.0, 3: 0.2, 4: 0.1, 5: -0.1, 6: 0.2}, commands=False)
    assert {hands.job.string(n).status for n in (1, 2)} == {Status.OUT_OF_TRAVEL}
    assert hands.job.string(1).moved_mm == pytest.approx(6.0)
    assert {hands.job.string(n).status for n in (3, 4, 5, 6)} == {Status.SETTLED}


# Out of travel, and no travel at all


def test_screws_out_of_travel_are_turned_as_far_as_they_go() -> None:
    hands = worked(SCREWS, {**ERRORS, 6: 25.0}, commands=True)
    string = hands.job.string(6)
    assert string.status is Status.OUT_OF_TRAVEL
    assert string.moved_mm == pytest.approx(5.0)
    assert string.advice is not None
    assert (string.advice.direction, string.advice.mm) == ("away from the nut", 0.0)
    assert string.advice.missing_mm > 3.0
    assert not string.proved


def test_out_of_travel_toward_the_nut() -> None:
    hands = worked(SCREWS, {**ERRORS, 6: -25.0}, commands=True)
    string = hands.job.string(6)
    assert string.status is Status.OUT_OF_TRAVEL
    assert string.moved_mm == pytest.approx(-5.0)
    assert string.advice is not None
    assert string.advice.direction == "toward the nut"


def test_a_fixed_saddle_is_named_out_of_travel_and_the_session_closes() -> None:
    hands = worked(FIXED, {**ERRORS, 3: 0.1, 5: -0.3}, commands=False)
    ended = {n: hands.job.string(n).status for n in hands.job.state.numbers}
    assert ended == {n: Status.SETTLED if n in (3, 5) else Status.OUT_OF_TRAVEL for n in ended}
    assert all(hands.job.string(n).moves == 0 for n in ended)
    assert Phase.MOVING not in [e.phase for e in hands.job.events if isinstance(e, ev.PhaseEntered)]


@pytest.mark.parametrize(("instrument", "fret"), [(SCREWS, 12), (SCREWS, 1), (PAIRED, 12), (FIXED, 12)])
@pytest.mark.parametrize("error", [-90.0, 90.0, 400.0])
def test_an_error_no_saddle_can_cause_sets_the_string_aside(instrument: str, fret: int, error: float) -> None:
    state = replace(MadeUpSession(instrument).tuned().state, fret=fret)
    (aside,) = judge_string(state, Comparison(error, 0.5, 5, 0.6), settled=False)
    assert isinstance(aside, ev.StringSetAside)
    assert "no saddle" in aside.reason


# Other builds


def rebuilt(instrument: str, **bridge: object) -> Instrument:
    given = load_instrument(instrument)
    return given.model_copy(update={"bridge": given.bridge.model_copy(update=bridge)})


@pytest.mark.slow
@pytest.mark.parametrize("instrument", ["bass-4-864", "bass-5-864", "seven-string-648", "eight-string-multi-scale"])
def test_more_and_fewer_strings(instrument: str) -> None:
    job = MadeUpSession(instrument).inspected()
    hands = MadeUpTechnician(job, {n: (-1) ** n * (n + 2.0) for n in job.state.numbers})
    hands.work()
    assert all(job.string(n).proved and abs(hands.error(n)) <= 2.0 for n in job.state.numbers)


@pytest.mark.parametrize("preset", [SCREWS, PAIRED])
def test_screws_under_clamps_are_slackened_first(preset: str) -> None:
    job = MadeUpSession(preset)
    job.instrument = rebuilt(preset, slacken=True)
    job.do(cm.Abandon())
    job.do(cm.Begin(job.instrument, "clamped"))
    job.tuned()
    for string in (6, 5) if preset == PAIRED else (6,):
        job.bracket(string, 8.0)
    assert job.prompt == "slacken"
    assert ("strings 6, 5" if preset == PAIRED else "string 6,") in job.prompts["slacken"].text
    with pytest.raises(cm.Refused, match="first"):
        job.do(cm.Turned(job.state.focus, 2.0))
