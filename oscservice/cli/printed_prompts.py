"""The prompts of a session as lines: one after another, each with its caution, tool and reason."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import TYPE_CHECKING

from oscservice.sentences.length_text import LengthUnit, told_in

if TYPE_CHECKING:
    from oscservice.simulate.technician import PromptSeen

_NUMBER_WIDTH = 4


class PromptPrinter:
    """Prints prompts as they come.

    The same prompt several times in a row is printed once, with how often it came. The tool, caution and reason of a
    prompt are printed when they first come up, and when they are others than at the last prompt of its code.

    Args:
        print_line: prints a line.
        width: longest line.
        lengths: unit of lengths.
    """

    def __init__(self, print_line: Callable[[str], None], width: int, lengths: LengthUnit = LengthUnit.MM) -> None:
        self._print_line = print_line
        self._width = width
        self._lengths = lengths
        self._count = 0
        self._waiting: PromptSeen | None = None
        self._times = 0
        self._told: dict[str, tuple[str, ...]] = {}

    def take(self, seen: PromptSeen) -> None:
        """Take the next prompt; the one before it is printed now, if it was another."""
        if seen == self._waiting:
            self._times += 1
            return
        self.end()
        self._waiting, self._times = seen, 1

    def end(self) -> None:
        """Print the last prompt."""
        if self._waiting is None:
            return
        seen, first = self._waiting, self._count + 1
        self._count += self._times
        self._waiting = None
        times = f" ({self._times} times)" if self._times > 1 else ""
        self._print(f"{first:{_NUMBER_WIDTH}}  ", f"{seen.text}{times}")
        more = (seen.tool, seen.caution, seen.reason)
        if self._told.get(seen.code) == more:
            return
        self._told[seen.code] = more
        for what, text in zip(("Tool", "Caution", "Reason"), more, strict=True):
            if text:
                self._print(" " * (_NUMBER_WIDTH + 4), f"{what}: {text}")

    def _print(self, before: str, text: str) -> None:
        told = told_in(text, self._lengths)
        indent = " " * len(before)
        for line in textwrap.wrap(told, self._width, initial_indent=before, subsequent_indent=indent):
            self._print_line(line)
