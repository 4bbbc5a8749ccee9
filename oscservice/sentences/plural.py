"""Plurals of English nouns."""

from __future__ import annotations


def counted(count: float, noun: str, plural: str = "") -> str:
    """Return a number with its noun: ``1 cent``, ``0.5 cents``. The plural adds an s unless it is given."""
    number = count if isinstance(count, int) else f"{count:g}"
    return f"{number} {noun if count == 1 else plural or noun + 's'}"


def numbered(noun: str, numbers: list[int]) -> str:
    """Return a noun with a list of numbers: ``string 4``, ``strings 4, 2``."""
    return f"{noun}{'' if len(numbers) == 1 else 's'} {', '.join(map(str, numbers))}"
