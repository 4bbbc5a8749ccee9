"""Prompts as lines for a person."""

from __future__ import annotations

from oscservice.cli.printed_prompts import PromptPrinter
from oscservice.sentences.length_text import LengthUnit
from oscservice.simulate.technician import PromptSeen

OPEN = PromptSeen("pluck_open", "Pluck string 6 open.", "", "", "", 6)
FRETTED = PromptSeen("pluck_fretted", "Pluck string 6 at fret 12. Fret it again for each pluck.", "", "", "", 6)
SHIFT = PromptSeen("shift_saddle", "Move it 0.5 mm, and tune.", "Snug, no further.", "hex key", "It is flat.", 6)


def printed(*prompts: PromptSeen, width: int = 60, lengths: LengthUnit = LengthUnit.MM) -> list[str]:
    lines: list[str] = []
    printer = PromptPrinter(lines.append, width, lengths)
    for seen in prompts:
        printer.take(seen)
    printer.end()
    return lines


def test_nothing_is_printed_without_prompts() -> None:
    assert printed() == []


def test_a_prompt_that_comes_again_is_printed_once_and_counted() -> None:
    assert printed(OPEN, FRETTED, FRETTED, FRETTED, OPEN) == [
        "   1  Pluck string 6 open.",
        "   2  Pluck string 6 at fret 12. Fret it again for each",
        "      pluck. (3 times)",
        "   5  Pluck string 6 open.",
    ]


def test_tool_caution_and_reason_are_printed_when_they_change() -> None:
    other = PromptSeen("shift_saddle", "Move it 0.2 mm, and tune.", SHIFT.caution, "screwdriver", SHIFT.reason, 5)
    more = ["        Caution: Snug, no further.", "        Reason: It is flat."]
    assert printed(SHIFT, OPEN, SHIFT, other) == [
        "   1  Move it 0.5 mm, and tune.",
        "        Tool: hex key",
        *more,
        "   2  Pluck string 6 open.",
        "   3  Move it 0.5 mm, and tune.",
        "   4  Move it 0.2 mm, and tune.",
        "        Tool: screwdriver",
        *more,
    ]


def test_lengths_are_told_in_inches() -> None:
    assert printed(SHIFT, lengths=LengthUnit.INCH)[0] == "   1  Move it 0.020 in, and tune."


def test_no_line_is_longer_than_the_width() -> None:
    lines = printed(FRETTED, SHIFT, width=30)
    assert max(map(len, lines)) <= 30
    assert len(lines) > 4
