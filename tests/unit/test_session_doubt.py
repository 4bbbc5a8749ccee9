"""Notes of an uncertain string: if two strings are likely, the session asks, and waits without counting the note."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from made_up_session import FRET, SCREWS, MadeUpSession, MadeUpTechnician, reading, refused, two_equal_strings

from oscservice.api.event_text import sentence
from oscservice.api.topics import topics
from oscservice.hearing.inharmonicity import expected_stiffness, stiffness_at_place
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Ignored
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.vocabulary import Phase

FRET_5 = Place("fret", 5)
NONE = (0, "open", 0, 0.0)


def in_doubt() -> MadeUpSession:
    """Two strings of one pitch and build: the second is in tune, the first is asked for, and sounds just like it."""
    job = MadeUpSession(two_equal_strings()).inspected()
    job.hear(2)
    job.hear(1, OPEN, 2.0)
    assert job.state.doubt is not None
    return job


def played(
    job: MadeUpSession, string: int, place: Place, *, of: tuple[int, Place] | None = None, share: float = 1.0
) -> None:
    """A note as stiff as this string is at this place; or so far from there on the way from another (``of``)."""

    def log_b(number: int, where: Place) -> float:
        return stiffness_at_place(expected_stiffness(job.instrument, number), where, 0.0).log_b

    at = log_b(string, place)
    start = at if of is None else log_b(*of)
    b = math.exp(start + share * (at - start))
    hz = job.instrument.place_hz(string, place)
    job.do(cm.Hear(reading(hz, inharmonicity=b, inharmonicity_se=0.1 * b)))


def at_fret_5() -> MadeUpSession:
    """A job compared at fret 5, where each string sounds the next one's open note; the tuning has taught each its B."""
    job = MadeUpSession(frets="5").inspected()
    for number in (6, 5, 4, 3, 2, 1):
        played(job, number, OPEN)
    assert (job.state.phase, job.state.focus) == (Phase.COMPARING, 6)
    played(job, 6, OPEN)
    assert asked(job.state) == (6, FRET_5)
    return job


def taken(job: MadeUpSession) -> list[tuple[int, str]]:
    return [(e.string, e.place) for e in job.events if isinstance(e, ev.ReadingTaken)]


# The question


def test_a_note_that_two_strings_could_have_made_is_asked_about_and_counts_for_neither() -> None:
    job = in_doubt()
    assert job.prompt == "say_which"
    assert "string 1 open or string 2 open" in prompt(job.state).text
    assert prompt(job.state).text.endswith("or pluck string 1 open again.")
    assert job.string(1).open_cents is None
    assert job.string(2).open_cents == pytest.approx(0.0)
    assert job.state.focus == 1
    doubt = job.state.doubt
    assert doubt is not None
    assert doubt.second_probability < doubt.probability < 4.0 * doubt.second_probability
    asked_about = job.events[-1]
    assert isinstance(asked_about, ev.ReadingDoubted)
    assert (sentence(asked_about) or "").startswith("unclear: string 1 open (")


def test_both_answers_are_sent_and_taken_back_when_there_is_no_question() -> None:
    job = in_doubt()
    sent = topics(job.state)
    assert sent["/doubt/first"][:3] == (1, "open", 0)
    assert sent["/doubt/second"][:3] == (2, "open", 0)
    assert job.state.doubt is not None
    assert sent["/doubt/first"][3] == job.state.doubt.probability
    assert sent["/doubt/second"][3] == job.state.doubt.second_probability
    job.do(cm.Plucked(1))
    assert (topics(job.state)["/doubt/first"], topics(job.state)["/doubt/second"]) == (NONE, NONE)


# Answers


@pytest.mark.parametrize("number", [1, 2])
def test_the_technician_says_which_it_was(number: int) -> None:
    job = in_doubt()
    job.do(cm.Plucked(number))
    assert taken(job)[1:] == [(number, "open")]
    assert job.state.doubt is None
    assert job.string(number).open_cents == pytest.approx(2.0)
    # String 2 was plucked instead: string 1 is still to be tuned.
    assert job.state.phase is (Phase.COMPARING if number == 1 else Phase.TUNING)


def test_the_string_asked_for_plucked_again_answers() -> None:
    job = in_doubt()
    job.hear(1, OPEN, 1.5)
    assert taken(job)[1:] == [(1, "open")]
    assert job.string(1).open_cents == pytest.approx(1.5)
    assert job.state.phase is Phase.COMPARING


def test_no_question_is_asked_twice() -> None:
    """However close the answers are: the second pluck is taken for the likelier."""
    asked_about = 0
    for share in (0.2, 0.25, 0.3, 0.35):
        job = at_fret_5()
        played(job, 6, FRET_5, of=(5, OPEN), share=share)
        if job.state.doubt is not None:
            asked_about += 1
            played(job, 6, FRET_5, of=(5, OPEN), share=share)
            assert job.state.doubt is None
            assert taken(job)[-1] == (6, "fret 5")
    assert asked_about >= 2


def test_neither() -> None:
    job = in_doubt()
    before = job.state
    job.do(cm.Discard())
    assert job.state.doubt is None
    assert job.state.strings == before.strings
    assert job.prompt == "pluck_open"
    job = in_doubt()
    job.do(cm.Plucked(1, Place("fret", 3)))  # nothing that is waited for
    assert job.state.doubt is None
    assert job.state.strings == before.strings


def test_answers_that_cannot_be() -> None:
    refused(MadeUpSession(two_equal_strings()).inspected(), cm.Plucked(1), "phase")
    job = in_doubt()
    refused(job, cm.Plucked(3), "missing")
    refused(job, cm.Plucked(1, Place("fret", 40)), "missing")
    assert "cents off" in refused(job, cm.Plucked(1, HARMONIC), "range")
    job.do(cm.Plucked(1))
    refused(job, cm.Plucked(1), "phase")


# Whoever does not answer


def test_the_question_is_dropped_when_the_work_continues() -> None:
    job = in_doubt()
    job.do(cm.Next())
    assert (job.state.doubt, job.state.phase) == (None, Phase.COMPARING)
    job = in_doubt()
    job.do(cm.Focus(2))
    assert (job.state.doubt, job.prompt) == (None, "pluck_open")
    job = in_doubt()
    job.hear(1, OPEN, -40.0)  # another note, and clearly the string that is asked for
    assert job.state.doubt is None
    assert taken(job)[1:] == [(1, "open")]
    assert job.prompt == "tune_up"


def test_a_note_that_is_no_evidence_leaves_the_question() -> None:
    job = in_doubt()
    before = job.state
    with pytest.raises(Ignored):
        job.do(cm.Hear(reading(1000.0)))
    assert job.state is before


def test_the_question_and_its_answer_can_be_taken_back() -> None:
    job = in_doubt()
    question = job.state
    job.do(cm.Plucked(2))
    job.do(cm.Undo())
    assert replace(job.state, revision=0) == replace(question, revision=0)
    job.do(cm.Undo())
    assert (job.state.doubt, job.prompt) == (None, "pluck_open")


def test_the_events_tell_all_of_it() -> None:
    job = in_doubt()
    job.do(cm.Plucked(1))
    job.do(cm.Undo())
    texts = [json.dumps(ev.to_body(event), allow_nan=False) for event in job.events]
    again = fold(ev.from_body(*json.loads(text)) for text in texts)
    assert again == job.state
    assert again.doubt is not None


@pytest.mark.parametrize("commands", [False, True])
def test_a_whole_job_with_two_strings_of_one_pitch(commands: bool) -> None:
    job = MadeUpSession(two_equal_strings()).inspected()
    MadeUpTechnician(job, {1: 6.0, 2: -5.0}, commands=commands).work()
    assert job.state.outcome == "proved"
    assert job.string(1).moves >= 1
    assert job.string(2).moves >= 1


# By stiffness


def test_the_same_pitch_on_another_string_is_not_taken_for_the_requested_one() -> None:
    job = at_fret_5()
    played(job, 5, OPEN)
    assert taken(job)[-1] == (5, "open")
    assert len(job.string(6).plucks) == 1
    played(job, 6, FRET_5)
    assert taken(job)[-1] == (6, "fret 5")
    assert len(job.string(6).plucks) == 2
    assert "say_which" not in job.prompts


def test_a_stiffness_between_the_two_raises_the_question_and_the_answer_counts() -> None:
    job = at_fret_5()
    played(job, 6, FRET_5, of=(5, OPEN), share=0.3)
    assert job.prompt == "say_which"
    assert "string 6 at fret 5" in prompt(job.state).text
    assert "string 5 open" in prompt(job.state).text
    assert len(job.string(6).plucks) == 1
    learnt = job.string(5).learnt_stiffness
    job.do(cm.Plucked(6))  # the place in question on that string
    assert taken(job)[-1] == (6, "fret 5")
    assert len(job.string(6).plucks) == 2
    assert job.string(5).learnt_stiffness == learnt


def test_without_a_stiffness_the_requested_place_is_taken() -> None:
    job = at_fret_5()
    job.hear(6, FRET_5, 4.0)
    assert taken(job)[-1] == (6, "fret 5")
    assert "say_which" not in job.prompts


def test_open_readings_teach_a_string_its_stiffness_and_taking_back_unlearns_it() -> None:
    job = MadeUpSession().inspected()
    assert job.string(6).learnt_stiffness is None
    played(job, 6, OPEN)
    first = job.string(6).learnt_stiffness
    assert first is not None
    assert first.sd < expected_stiffness(job.instrument, 6).sd
    job.do(cm.Undo())
    assert job.string(6).learnt_stiffness is None
    job.hear(6)
    assert job.string(6).learnt_stiffness is None


# Known values of the strings


def test_a_string_far_off_is_not_taken_for_one_that_is_in_tune() -> None:
    """String 5 still 360 cents flat lies nearer to string 6, which was tuned a moment ago."""
    job = MadeUpSession().inspected()
    job.hear(6)
    job.hear(5, OPEN, -360.0)
    assert taken(job)[-1] == (5, "open")
    assert job.prompt == "tune_up"


def test_a_fretted_note_before_its_open_string_is_no_evidence() -> None:
    job = MadeUpSession().tuned()
    with pytest.raises(Ignored, match="string 6 at fret 12: pluck it open first"):
        job.hear(6, FRET)


def test_an_unsure_reading_is_not_asked_about() -> None:
    job = at_fret_5()
    b = math.exp(0.3 * 0.9) * 9.0e-5
    with pytest.raises(Ignored, match="let the note ring longer"):
        job.do(cm.Hear(reading(job.instrument.open_hz(5), 3.0, inharmonicity=b, inharmonicity_se=0.1 * b)))
    job.do(cm.Hear(reading(job.instrument.open_hz(5), 0.3, inharmonicity=b, inharmonicity_se=0.1 * b)))
    assert job.prompt == "say_which"


def test_a_note_taken_for_another_string_twice_is_asked_about_and_then_believed() -> None:
    # A worn string's B may be just the next string's: hands that pluck what was asked for must get on all the same.
    job = at_fret_5()
    for _ in range(2):
        assert job.prompt == "pluck_fretted"
        played(job, 6, FRET_5, of=(5, OPEN), share=0.0)
    assert taken(job)[-1] == (5, "open")
    assert job.prompt == "say_which"
    played(job, 6, FRET_5, of=(5, OPEN), share=0.0)
    assert taken(job)[-1] == (6, "fret 5")
    assert (job.prompt, len(job.string(6).plucks)) == ("pluck_fretted", 2), "it is one of the comparison's"


def harmonic_asked() -> MadeUpSession:
    """String 6 in the last pass, its harmonic asked for."""
    job = MadeUpSession(SCREWS).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 0.2)
    job.hear(6)
    assert asked(job.state) == (6, HARMONIC)
    return job


def test_a_harmonic_far_from_the_octave_may_have_been_fretted_and_is_asked_about() -> None:
    job = harmonic_asked()
    job.hear(6, HARMONIC, 8.0)
    assert (job.prompt, job.string(6).harmonic_cents) == ("say_which", None)
    assert "the harmonic of string 6 or string 6 at fret 12" in prompt(job.state).text
    job.do(cm.Plucked(6, FRET))
    assert [pluck.place for pluck in job.string(6).plucks] == [OPEN, FRET]
    assert asked(job.state) == (6, HARMONIC)


def test_a_harmonic_far_from_the_octave_is_believed_when_it_is_plucked_again() -> None:
    job = harmonic_asked()
    for _ in range(2):
        job.hear(6, HARMONIC, 8.0)
    assert job.string(6).harmonic_cents == pytest.approx(7.7, abs=0.3)
    assert asked(job.state) == (6, FRET)


def test_a_harmonic_near_the_octave_is_not_asked_about() -> None:
    job = harmonic_asked()
    job.hear(6, HARMONIC, 2.5)
    assert job.prompt == "pluck_fretted"
