"""Prompts, cautions and the lines a person reads."""

from __future__ import annotations

import re
import string as text_of
from functools import cache

import pytest
from made_up_session import (
    BAR,
    FIXED,
    FLOATING,
    FRET,
    LOCKING,
    PAIRED,
    SCREWS,
    MadeUpSession,
    MadeUpTechnician,
    reading,
    two_equal_strings,
)

from oscservice.api.event_text import sentence
from oscservice.instrument.modified_instrument import NewGauge, with_gauges
from oscservice.instrument.pitch import HARMONIC, OPEN
from oscservice.sentences.sentence_table import ENGLISH
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.prompts import prompt
from oscservice.session.session_results import summary_of
from oscservice.session.state import State
from oscservice.session.vocabulary import INSPECTION_ITEMS, Phase, Status

SENTENCES = ENGLISH.column("prompt", "text")
CAUTIONS = ENGLISH.column("prompt", "caution")

LONGEST = 330
"""Characters of a prompt: one step of the work by hand, with what it does to the other strings."""

LONGEST_OF_AN_ITEM = 480
"""Characters of the prompt for an inspection item, which says how it is measured."""

UNDER_TENSION = {
    *(
        "put_right",
        "measured_off",
        "strings_old",
        "strings_not_stretched",
        "look_into",
        "tune_up",
        "tune_down",
        "bring_up",
        "slacken",
        "shift_saddle",
        "place_saddle",
    ),
    *(
        "let_down",
        "open_nut",
        "close_nut",
        "check_action",
        "turn_screw",
        "shape_crown",
        "hand_over",
        "hand_over_partly",
        "check_drifted",
    ),
}
"""Prompts at which a hand is on a string under tension, lets one go, or on a cut end: each has the usual caution
(common practice, no source)."""


@cache
def jobs() -> tuple[MadeUpSession, ...]:
    """Jobs that between them come by every prompt."""
    done = []
    for instrument in (LOCKING, FLOATING, SCREWS, PAIRED, BAR, FIXED, "acoustic-645"):
        for commands in (False, True):
            job = MadeUpSession(instrument).inspected()
            MadeUpTechnician(job, {1: 6.0, 2: -5.0, 3: 0.3, 4: 9.0, 5: 0.0, 6: 30.0}, commands=commands).work()
            done.append(job)
    job = MadeUpSession()
    job.do(cm.Inspect("nut", "failed"))
    for item in INSPECTION_ITEMS:
        job.do(cm.Inspect(item, "passed"))
    for number in reversed(job.state.numbers):
        job.hear(number)
    job.do(cm.Focus(6, HARMONIC))
    job.do(cm.Focus(6))
    job.bracket(6, 0.0, scatter=[9.0, -9.0, 8.0, -9.0])
    job.do(cm.Slackened(6))
    job.do(cm.SetAside(2, "rusty"))
    job.do(cm.Abandon())
    doubtful = MadeUpSession(two_equal_strings()).inspected()
    for number in (2, 1):
        doubtful.hear(number)
    worn = MadeUpSession(SCREWS, frets="thorough").inspected()
    MadeUpTechnician(
        worn, {1: 6.0, 2: -5.0, 3: 0.3, 4: 9.0, 5: 0.0, 6: 2.0}, harmonics_cents={4: 6.0}, response=1.5
    ).work()
    taken_up = MadeUpSession(SCREWS, frets="thorough").inspected()
    hands = MadeUpTechnician(taken_up, dict.fromkeys(range(1, 7), 8.0), harmonics_cents={4: 6.0})
    while taken_up.prompt != "look_into":
        hands.step()
    taken_up.do(cm.Overrule(4))
    unlike = MadeUpSession().tuned()
    unlike.hear(6)
    for strength_db in (-20.0, -10.0, -30.0):
        unlike.do(cm.Hear(reading(unlike.instrument.place_hz(6, FRET), 0.1, strength_db)))
    slow = MadeUpSession()
    slow.do(cm.ByHand(True))
    slow.inspected().hear(6)
    off = MadeUpSession()
    off.do(cm.Abandon())
    lighter = with_gauges(off.instrument, {1: NewGauge(0.23)})
    last_time = cm.LastTime(lighter, lighter)
    off.do(cm.Begin(off.instrument, "off", day="2026-11-25", last_time=last_time))
    off.do(cm.Stretched(False))
    off.do(cm.Fitted("2026-01-01"))
    off.do(cm.Inspect("strings", "waived", "none in the house"))
    off.do(cm.Inspect("frets", "passed"))
    off.do(cm.Measured("relief", 0.6))
    quick = [checked(done[0], cents) for cents in (0.0, 2.4, 9.0)]
    return (*done, job, doubtful, worn, taken_up, unlike, slow, off, *quick)


def checked(before: MadeUpSession, error_cents: float) -> MadeUpSession:
    """A quick check of what a job left, every string but the first so much sharper at fret 12, plucked in a hurry."""
    job, left = MadeUpSession(before.instrument), summary_of(before.state, "2026-11-25-1")
    job.do(cm.Abandon())
    job.do(cm.Quick(before.instrument, left.to_json()))
    while job.state.phase is Phase.CHECKING:
        number = job.state.focus
        one = left.strings[number - 1]
        error = one.at(12)
        assert error is not None
        assert one.open_cents is not None
        job.hear(number, OPEN, one.open_cents)
        job.hear(number, FRET, one.open_cents + error.error_cents + (error_cents if number > 1 else 0.0))
        job.hear(number, OPEN, one.open_cents)
        if job.string(number).check is None:
            job.do(cm.Next())
    return job


@pytest.mark.slow
def test_every_prompt_comes_up_and_none_other() -> None:
    seen = {code for job in jobs() for code in job.prompts} | {prompt(State()).code}
    assert seen == set(SENTENCES)


def test_every_prompt_is_a_sentence_with_all_filled_in() -> None:
    for job in jobs():
        for code, now in job.prompts.items():
            assert now.text[0].isupper(), code
            assert now.text[-1] == ".", code
            assert not set("{}\n") & set(now.text), code
            fixed = [part for part, *_ in text_of.Formatter().parse(SENTENCES[code]) if part]
            assert all(part in now.text for part in fixed)
            assert len(now.text) < (LONGEST_OF_AN_ITEM if code == "inspect" else LONGEST)


@pytest.mark.parametrize("code", sorted(UNDER_TENSION))
def test_cautions_where_a_string_under_tension_is_touched(code: str) -> None:
    seen = [job.prompts[code] for job in jobs() if code in job.prompts]
    assert seen
    if code in ("put_right", "measured_off"):
        assert all(now.caution.startswith(f"{CAUTIONS[code]} ") for now in seen), "and that of the item"
    else:
        assert all(now.caution == CAUTIONS[code] for now in seen)
    if code.startswith("hand_over"):
        assert "wear eye protection" in CAUTIONS[code], "cut ends are sharp"
    else:
        assert re.search(r"face away( from (it|them|the string))?[.;]", CAUTIONS[code]), "away from the string"


def test_cautions_belong_to_prompts_that_touch_a_string_under_tension() -> None:
    assert set(CAUTIONS) == UNDER_TENSION
    assert set(SENTENCES) > UNDER_TENSION


@pytest.mark.parametrize("code", sorted(SENTENCES))
def test_a_caution_is_shown_once(code: str) -> None:
    """The sentence doesn't repeat the caution."""
    dangers = (
        "face",
        "protection",
        "sharp",
        "cut ",
        "snug",
        "break",
        "slowly",
        "a little at a time",
        "never",
        "force a",
    )
    assert not [word for word in dangers if word in SENTENCES[code].lower()]
    assert CAUTIONS.get(code, "x.").count(".") <= 3


def test_numbers_in_prompts_are_no_finer_than_a_tenth() -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, -8.0)
    assert "3.0 mm toward the nut" in prompt(job.state).text
    job = MadeUpSession(SCREWS).tuned()
    job.bracket(6, 8.0)
    assert "turned by 6 turns clockwise" in prompt(job.state).text
    job.hear(6, OPEN, -200.0)
    assert "by 6 turns clockwise (screwdriver): 3." in prompt(job.state).text
    assert "mm away from the nut" in prompt(job.state).text


def test_an_open_string_in_tune_and_asked_for_is_only_to_be_plucked() -> None:
    job = MadeUpSession().inspected()
    job.hear(6, OPEN, 1.0)
    job.do(cm.Focus(6))
    assert job.prompt == "pluck_open"


def test_every_event_has_one_line_or_none() -> None:
    silent = {"StepBegun", "Focused", "ReadingTaken", "StringSurveyed", "CausesTested", "CausesSeen"}
    told: set[str] = set()
    for job in jobs():
        job_events = [
            *job.events,
            ev.TakenBack(),
            ev.ReadingDiscarded(6),
            ev.ReadingDiscarded(0),
            ev.HarmonicPassedOver(6),
            ev.SurveyExtended(3, "nut slot high, string 3: 40% likely; more plucks will show"),
            ev.SaddleMeasured(3, 12.5),
            ev.MissedStepNoticed("wrong_peg", 3, 20.0, 0.1),
            ev.ListeningSet(True),
            ev.ListeningSet(False),
        ]
        for event in job_events:
            line = sentence(event)
            name = type(event).__name__
            as_expected = name == "ResponseLearnt" and not event.oddity
            as_expected = as_expected or (name == "PlucksForeseen" and (event.left < 2 or not event.why))
            assert (line is None) == (name in silent or as_expected), name
            if line is not None:
                told.add(name)
                assert line
                assert "\n" not in line
    assert told | silent == {kind.__name__ for kind in ev.Event.__args__}


def test_the_line_of_a_move() -> None:
    assert sentence(ev.SaddleMoved(3, -1.25, told=True)) == "string 3: saddle moved -1.2 mm"
    assert sentence(ev.SaddleMoved(3, 1.26, told=False)) == "string 3: saddle moved +1.3 mm, as advised"
    assert sentence(ev.SaddleMoved(3, 0.0, told=False)) == "string 3: saddle left where it was"
    judged = ev.StringJudged(2, Status.TO_MOVE, -8.0, 0.4, 5, 0.6, move_mm=-3.0, direction="toward the nut")
    assert sentence(judged) == "string 2: -8.0 ± 0.4 cents, to move 3.0 mm toward the nut"
    short = ev.StringJudged(2, Status.OUT_OF_TRAVEL, 20.0, 0.4, 5, 0.6, direction="away from the nut", missing_mm=2.5)
    assert sentence(short) == "string 2: +20.0 ± 0.4 cents, out of travel (2.5 mm of travel missing)"


def test_the_lines_of_a_quick_check() -> None:
    sizes = (6.14, 0.75, -0.31, 0.9, 1.0, 0.8, 1, 0.6)
    drifted = ev.StringChecked(5, "drifted", "tuning", *sizes)
    assert sentence(drifted) == "string 5: drifted in tuning: tuning +6.1 ± 0.8, intonation -0.3 ± 0.9 cents"
    holds = ev.StringChecked(5, "holds", "none", 0.1, 0.75, -0.31, 0.9, 1.0, 0.8, 1, 0.6)
    assert sentence(holds) == "string 5: holds: tuning +0.1 ± 0.8, intonation -0.3 ± 0.9 cents"


def test_fretted_prompts_name_the_fret() -> None:
    job = MadeUpSession().tuned()
    job.hear(6)
    assert "fret 12" in prompt(job.state).text
    job.hear(6, FRET, 0.1)
    assert prompt(job.state).code == "pluck_fretted"
    job.hear(6, FRET, 0.1)
    assert prompt(job.state).code == "pluck_open"
