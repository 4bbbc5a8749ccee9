"""The worked examples in docs/procedure.md have the prompts of now, in an order that a technician can follow."""

from __future__ import annotations

import re
import string as text_of

import pytest
from procedure_examples import PAGE, example_of, examples, prompts_of, steps_of

from oscservice.sentences.sentence_table import ENGLISH

LOCKING, SPRING, BAR = (command for command in examples())


def pattern_of(text: str) -> re.Pattern[str]:
    """Return a regular expression for a text of the table, with anything in its fields."""
    parts = [
        re.escape(part) + (".*" if field is not None else "") for part, field, *_ in text_of.Formatter().parse(text)
    ]
    return re.compile("".join(parts))


PROMPTS = [pattern_of(text) for text in ENGLISH.column("prompt", "text").values()]
REMARKS = [
    pattern_of(ENGLISH.text("prompt", code, field))
    for code in ("open_nut", "slacken")
    for field in ("caution", "reason")
]


def test_three_rehearsals_are_printed() -> None:
    assert len(examples()) == 3
    for command in examples():
        assert command.startswith("rehearse ")
        assert "--prompts" in command
        printed = example_of(command)
        assert prompts_of(printed)[-1] == ENGLISH.text("prompt", "hand_over", "text")
        assert "Error at fret 12, in cents" in printed


@pytest.mark.parametrize("command", [LOCKING, SPRING, BAR])
def test_every_printed_prompt_has_present_words(command: str) -> None:
    for prompt in prompts_of(example_of(command)):
        told = re.sub(r" \(\d+ times\)$", "", prompt)
        assert any(pattern.search(told) for pattern in PROMPTS), f"{told}\nMake the examples again: see {__name__}"


def test_the_steps_of_a_locking_nut_come_in_the_order_of_the_page() -> None:
    steps = steps_of(example_of(LOCKING))
    places = [
        next(place for place, step in enumerate(steps) if step.startswith(begins))
        for begins in (
            *("Inspect the strings", "Inspect the tuning", "Set every fine tuner", "Open the nut clamps"),
            *("Note where", "Hold the saddle", "Saddles moved far", "Close the nut clamps", "Done"),
        )
    ]
    assert places == sorted(places)
    for place, step in enumerate(steps):
        if step.startswith("Note where"):
            assert steps[place + 1].startswith("Hold the saddle"), "a slack string is moved next"


def test_a_screw_that_tightens_is_turned_after_its_string_is_let_down() -> None:
    steps = steps_of(example_of(SPRING))
    turns = [place for place, step in enumerate(steps) if step.startswith("Turn the screw")]
    assert {" away from the nut" in steps[place] for place in turns} == {True, False}
    for place in turns:
        assert steps[place - 1].startswith("Let string") == (" away from the nut" in steps[place])


def test_a_bar_is_turned_at_both_ends_before_anything_is_tuned() -> None:
    prompts = prompts_of(example_of(BAR))
    first = next(place for place, prompt in enumerate(prompts) if prompt.startswith("Turn the bass screw"))
    assert prompts[first - 1].startswith("Note where the bar at string 6")
    assert prompts[first + 1].startswith("Turn the treble screw")


def test_cautions_stand_with_their_steps() -> None:
    printed = " ".join(example_of(LOCKING).split())
    assert all(pattern.search(printed) for pattern in REMARKS)
    page = " ".join(PAGE.read_text(encoding="utf-8").split())
    for word in ("eye protection", "Never turn a peg against a closed clamp", "all at once", "snug", "solvents"):
        assert word in page
    for word in ("qualified repairer", "licensed", "Loud sound", "dust", "face away"):
        assert word in page
