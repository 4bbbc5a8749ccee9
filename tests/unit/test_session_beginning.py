"""The beginning of a session: inspection and tuning."""

from __future__ import annotations

import pytest
from made_up_session import FLOATING, FRET, SCREWS, MadeUpSession, reading, refused

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN
from oscservice.session import commands as cm
from oscservice.session.commands import Ignored, Refused
from oscservice.session.decide import decide
from oscservice.session.state import State
from oscservice.session.vocabulary import INSPECTION_ITEMS, InspectionVerdict, Phase


@pytest.mark.parametrize("tolerance", [0.1, 21.0, float("nan"), float("inf"), -1.0])
def test_a_session_begins_with_a_tolerance_that_can_be(tolerance: float) -> None:
    with pytest.raises(Refused) as refusal:
        decide(State(), cm.Begin(load_instrument(FLOATING), "x", tolerance))
    assert refusal.value.code == "range"


@pytest.mark.parametrize(
    "frets", ["0", "25", "-1", "12 12", "12x0", "12x99", "twelve", "1 2 3 4 5 6 7 8 9 10 11 12 13"]
)
def test_a_session_compares_at_frets_the_instrument_has(frets: str) -> None:
    with pytest.raises(Refused) as refusal:
        decide(State(), cm.Begin(load_instrument(FLOATING), "x", 2.0, frets))
    assert refusal.value.code == "range"


def test_one_session_at_a_time() -> None:
    job = MadeUpSession()
    refused(job, cm.Begin(job.instrument, "another"), "phase")


def test_before_a_session_nothing_but_beginning_is_possible() -> None:
    commands: list[cm.Command] = [
        *(cm.Inspect("all", "passed"), cm.Next(), cm.Undo(), cm.Finish(), cm.Abandon(), cm.Focus(1), cm.Slackened(1)),
        *(cm.Moved(1, 0.1), cm.Turned(1, 1.0), cm.SetAside(1, "x"), cm.Discard(), cm.Listen(False), cm.Listen(True)),
    ]
    for command in commands:
        with pytest.raises(Refused) as refusal:
            decide(State(), command)
        assert refusal.value.code == "phase", command


def test_every_item_is_inspected_before_tuning_begins() -> None:
    job = MadeUpSession()
    assert job.phase() is Phase.INSPECTING
    *most, last = INSPECTION_ITEMS
    for item in most:
        assert job.prompt == "inspect"
        job.do(cm.Inspect(item, "passed"))
        assert job.phase() is Phase.INSPECTING
    text = refused(job, cm.Next(), "phase")
    assert last in text
    job.do(cm.Inspect(last, "waived", "as the owner wants it"))
    assert job.phase() is Phase.TUNING
    assert job.state.focus == 6, "the thickest string is tuned first"
    assert dict(job.state.items)[last].note == "as the owner wants it"


def test_waiving_needs_a_reason() -> None:
    job = MadeUpSession()
    refused(job, cm.Inspect("nut", "waived"), "refused")
    refused(job, cm.Inspect("all", "waived", "  "), "refused")


def test_a_failed_item_holds_the_phase_until_it_is_put_right() -> None:
    job = MadeUpSession()
    job.do(cm.Inspect("frets", "failed", "the 14th is loose"))
    job.do(cm.Inspect("all", "passed"))
    assert job.phase() is Phase.INSPECTING, "passing all that wait doesn't pass what failed"
    assert dict(job.state.items)["frets"].verdict is InspectionVerdict.FAILED
    assert job.prompt == "put_right"
    refused(job, cm.Next(), "phase")
    assert "frets" in refused(job, cm.Inspect("all", "passed"), "refused")
    job.do(cm.Inspect("frets", "passed"))
    assert job.phase() is Phase.TUNING


def test_unknown_items_and_verdicts_are_refused() -> None:
    job = MadeUpSession()
    assert "frets" in refused(job, cm.Inspect("varnish", "passed"), "missing")
    refused(job, cm.Inspect("frets", "waiting"), "range")
    refused(job, cm.Inspect("frets", "splendid"), "range")


# Tuning


def test_strings_are_tuned_from_the_thickest_each_until_it_is_within_the_window() -> None:
    job = MadeUpSession(SCREWS).inspected()
    job.hear(6, OPEN, -20.0)
    assert (job.state.focus, job.prompt) == (6, "tune_up")
    job.hear(6, OPEN, 9.0)
    assert (job.state.focus, job.prompt) == (6, "tune_down")
    job.hear(6, OPEN, 2.9)
    assert (job.state.focus, job.prompt) == (5, "pluck_open")
    for string in (5, 4, 3, 2, 1):
        assert (job.state.phase, job.state.focus) == (Phase.TUNING, string)
        job.hear(string)
    assert (job.state.phase, job.state.focus) == (Phase.COMPARING, 6)


def test_attention_follows_the_string_that_is_plucked() -> None:
    job = MadeUpSession(SCREWS).inspected()
    job.hear(3, OPEN, 30.0)
    assert (job.state.focus, job.prompt) == (3, "tune_down")
    job.hear(3)
    assert job.state.focus == 2, "on from where the hand is"
    job.hear(2)
    job.hear(1)
    assert job.state.focus == 6, "then round again"


def test_on_a_floating_bridge_tuning_one_string_makes_the_others_unsure() -> None:
    job = MadeUpSession(FLOATING).inspected()
    for string in (6, 5, 4, 3, 2):
        job.hear(string)
    job.hear(1, OPEN, -40.0)
    assert (job.state.focus, job.prompt) == (6, "tune_up"), "string 1 will pull it down"
    for string in (6, 5, 4, 3, 2):
        assert job.string(string).target_cents > 1.0
    job.hear(1)  # out of turn: forty cents of one string move the bridge under the others
    assert job.phase() is Phase.TUNING
    for string in (6, 5, 4, 3, 2):
        assert (job.string(string).open_cents or 0.0) < -1.0
        assert job.string(string).unsure_cents > 0.5
    assert job.string(1).unsure_cents < 0.3


def test_on_a_fixed_bridge_the_others_stay_as_they_were() -> None:
    job = MadeUpSession(SCREWS).inspected()
    for string in (6, 5, 4, 3, 2):
        job.hear(string)
    job.hear(1, OPEN, -40.0)
    job.hear(1)
    assert job.phase() is Phase.COMPARING


def test_tuning_only_by_commands() -> None:
    job = MadeUpSession().inspected()
    for _ in range(6):
        job.do(cm.Next())
    assert job.phase() is Phase.COMPARING


def test_a_string_in_tune_is_heard_again_when_it_is_asked_for() -> None:
    job = MadeUpSession().inspected()
    job.hear(6)
    job.do(cm.Focus(6))
    assert (job.state.focus, job.prompt) == (6, "pluck_open")
    job.hear(6)
    assert job.state.focus == 5


def test_only_open_strings_are_tuned() -> None:
    job = MadeUpSession().inspected()
    refused(job, cm.Focus(6, FRET), "phase")
    with pytest.raises(Ignored):
        job.hear(1, FRET)
    job.do(cm.Focus(6, HARMONIC))
    job.hear(6, HARMONIC, 0.4)
    assert job.state.focus == 6, "a harmonic is no open string"
    job.hear(6)
    assert job.state.focus == 5


def test_an_unsure_note_does_not_tune_a_string() -> None:
    job = MadeUpSession().inspected()
    with pytest.raises(Ignored, match="ring longer"):
        job.hear(6, OPEN, 0.0, se_cents=9.0)


@pytest.mark.parametrize(("hz", "se"), [(float("nan"), 0.1), (0.0, 0.1), (-82.0, 0.1), (82.4, float("inf"))])
def test_a_frequency_that_is_not_a_number_is_no_note(hz: float, se: float) -> None:
    job = MadeUpSession().inspected()
    with pytest.raises(Ignored):
        job.do(cm.Hear(reading(hz, se)))


def test_a_new_string_is_followed_from_far_below_its_pitch() -> None:
    job = MadeUpSession().inspected()
    job.hear(6, OPEN, -700.0)
    assert job.state.string(6).open_cents == pytest.approx(-700.0)
    assert job.prompt == "tune_up"
