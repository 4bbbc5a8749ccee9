"""Prompts, topics and lines with lengths in inches: the same numbers, no mm in a text."""

from __future__ import annotations

import re
from dataclasses import replace

from made_up_session import FIXED, SCREWS, MadeUpSession

from oscservice.api.event_text import sentence
from oscservice.api.topics import Topic, topics
from oscservice.sentences.length_text import LengthUnit
from oscservice.sentences.sentence_table import ENGLISH
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.prompts import prompt

IN_INCHES = replace(ENGLISH, lengths=LengthUnit.INCH)


def texts(values: dict[str, Topic]) -> str:
    """All texts that are sent, one a line."""
    return "\n".join(value for topic in values.values() for value in topic if isinstance(value, str))


def numbers(values: dict[str, Topic]) -> dict[str, Topic]:
    """All numbers that are sent, by address."""
    return {address: tuple(v for v in topic if not isinstance(v, str)) for address, topic in values.items()}


def test_a_move_is_asked_for_in_inches() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.bracket(6, -8.0)
    advice = job.string(6).advice
    assert advice is not None
    assert f"{abs(advice.mm):.1f} mm toward" in prompt(job.state).text
    assert f"{abs(advice.mm) / 25.4:.3f} in toward" in prompt(job.state, IN_INCHES).text


def test_a_measured_value_is_told_in_inches() -> None:
    job = MadeUpSession(SCREWS)
    job.do(cm.Inspect("strings", "passed"))
    job.do(cm.Inspect("frets", "passed"))
    job.do(cm.Measured("relief", 0.6))
    in_mm, in_inches = topics(job.state), topics(job.state, IN_INCHES)
    assert re.match(r"Relief: 0\.60 mm, 0\.\d\d mm above the target \(0\.\d\d to 0\.\d\d\)", prompt(job.state).text)
    told = r"Relief: 0\.024 in, 0\.\d{3} in above the target \(0\.\d{3} to 0\.\d{3}\)"
    assert re.match(told, str(in_inches["/prompt/text"][0]))
    assert re.fullmatch(told, str(in_inches["/inspect/relief/off"][0]))
    assert in_inches["/inspect/relief/value"] == in_mm["/inspect/relief/value"] == (0.6,)
    assert numbers(in_mm) == numbers(in_inches)


def test_what_is_left_when_travel_is_missing_is_told_in_inches() -> None:
    job = MadeUpSession(FIXED).tuned()
    job.bracket(6, 12.0)
    in_mm, in_inches = topics(job.state), topics(job.state, IN_INCHES)
    assert " mm " in texts(in_mm)
    assert not re.search(r"\d mm\b", texts(in_inches))
    assert re.search(r"Lower the string by 0\.\d{3} in at fret 12", texts(in_inches))
    assert numbers(in_mm) == numbers(in_inches)


def test_lines_are_told_in_inches_but_nobodys_own_words() -> None:
    job = MadeUpSession(SCREWS)
    job.do(cm.Measured("relief", 0.2))
    job.inspected()
    for number in reversed(job.state.numbers):
        job.hear(number)
    job.bracket(6, 8.0)
    job.do(cm.Moved(6, 1.2))
    lines = [sentence(event, IN_INCHES) or "" for event in job.events if not isinstance(event, ev.SessionBegun)]
    assert not any(re.search(r"\bmm\b", line) for line in lines)
    assert "string 6: saddle moved +0.047 in" in lines
    assert any(line.startswith("measured: Relief: 0.008 in, within the target (0.") for line in lines)
    noted = ev.ItemInspected("relief", "waived", "0.6 mm suits the player")
    assert sentence(noted, IN_INCHES) == "inspection: relief waived (0.6 mm suits the player)"
