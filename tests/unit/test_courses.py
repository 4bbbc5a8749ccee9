"""Courses, and strings of one pitch that only the string asked for tells apart."""

from __future__ import annotations

import pytest
from made_up_session import SCREWS, MadeUpSession, MadeUpTechnician, two_equal_strings

from oscservice.instrument.courses import alike, course_of
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import with_notes
from oscservice.instrument.pitch import OPEN
from oscservice.session import events as ev
from oscservice.session.next_pluck import asked
from oscservice.session.vocabulary import Ending

TWELVE = load_instrument("twelve-string-648")


def test_a_twelve_string_has_six_courses() -> None:
    courses = [course_of(TWELVE, number) for number in range(1, 13)]
    assert courses == [pair for first in (1, 3, 5, 7, 9, 11) for pair in [(first, first + 1)] * 2]
    assert [alike(TWELVE, first, first + 1) for first in (1, 3, 5, 7, 9, 11)] == [
        True,
        True,
        False,
        False,
        False,
        False,
    ]


def test_a_six_string_has_none() -> None:
    six = load_instrument(SCREWS)
    assert [course_of(six, number) for number in range(1, 7)] == [()] * 6
    assert not alike(six, 1, 6)
    # Octaves that are no neighbours are no course.
    assert course_of(with_notes(six, ["D4", "A3", "G3", "D3", "A2", "D2"]), 1) == ()


def test_neighbours_of_one_note_are_a_course_however_many() -> None:
    unison = load_instrument("six-string-648-unison")
    assert course_of(unison, 2) == (1, 2)
    assert alike(unison, 1, 2)  # 3 cents apart
    assert course_of(with_notes(load_instrument(SCREWS), ["D4", "D4", "D3", "D3", "D2", "D2"]), 4) == (1, 2, 3, 4, 5, 6)
    with pytest.raises(ValueError, match="string 7 isn't there"):
        course_of(unison, 7)


def doubts(job: MadeUpSession) -> int:
    return sum(isinstance(event, ev.ReadingDoubted) for event in job.events)


def test_a_double_that_was_heard_elsewhere_is_no_question() -> None:
    job = MadeUpSession(two_equal_strings()).inspected()
    job.hear(2, OPEN, -2.0)
    job.hear(1, OPEN, 7.0)
    assert doubts(job) == 0
    assert job.string(1).open_cents == pytest.approx(7.0)
    assert job.string(2).open_cents == pytest.approx(-2.0)
    job.hear(1, OPEN, -2.0)  # brought to where its double sounds: it was heard before, so it is that string
    assert doubts(job) == 0
    assert job.string(1).open_cents == pytest.approx(-2.0)


def test_it_may_really_be_the_double_that_sounded_just_so() -> None:
    job = MadeUpSession(two_equal_strings()).inspected()
    job.hear(2, OPEN, -2.0)
    job.hear(1, OPEN, 0.5)
    assert doubts(job) == 1
    assert job.prompt == "say_which"


def test_a_whole_set_up_of_two_doubles_asks_once_at_most() -> None:
    job = MadeUpSession(two_equal_strings()).inspected()
    MadeUpTechnician(job, {1: 4.0, 2: -6.0}).work()
    assert job.state.outcome == Ending.PROVED
    assert doubts(job) <= 1
    assert all(job.string(number).moves for number in (1, 2))  # and none after a saddle was moved


def test_another_string_is_still_recognised() -> None:
    job = MadeUpSession(load_instrument("twelve-string-648")).inspected()
    job.hear(12)
    assert asked(job.state) == (11, OPEN)
    job.hear(9)
    assert job.string(9).open_cents == pytest.approx(0.0)
    assert job.string(11).open_cents is None
