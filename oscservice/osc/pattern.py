"""OSC 1.0 address patterns, matched in time linear in pattern times address.

``?`` one character; ``*`` zero or more; ``[abc]``, ``[a-c]``, ``[!abc]`` one character; ``{foo,bar}`` one of the
strings; all else itself. Nothing crosses a ``/``. A malformed pattern (an unclosed bracket or brace, an empty or
backward class) matches nothing, and so does one with more than 32 pattern characters.

The matcher follows the set of places in the address that each pattern element can reach. Patterns turned into regular
expressions, or matched by recursion, take seconds on a run of twenty stars.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

MAX_PATTERN_CHARACTERS = 32
_SPECIAL = frozenset("?*[]{}")

_Step: TypeAlias = Callable[[str, set[int]], set[int]]
"""From the places in one part of an address reached so far to those reached after one more pattern element."""


def is_pattern(address: str) -> bool:
    """Whether an incoming address holds a pattern character."""
    return not _SPECIAL.isdisjoint(address)


def matches(pattern: str, address: str) -> bool:
    """Whether ``pattern`` matches the whole of ``address``; False for a malformed pattern."""
    try:
        return Pattern(pattern).matches(address)
    except ValueError:
        return False


class Pattern:
    """A pattern read once, to be matched against many addresses.

    Raises:
        ValueError: the pattern is malformed or has more than 32 pattern characters.
    """

    def __init__(self, pattern: str) -> None:
        if sum(character in _SPECIAL for character in pattern) > MAX_PATTERN_CHARACTERS:
            raise ValueError(f"more than {MAX_PATTERN_CHARACTERS} pattern characters")
        self._parts = [_steps(part) for part in pattern.split("/")]

    def matches(self, address: str) -> bool:
        """Whether the pattern matches the whole of ``address``."""
        parts = address.split("/")
        return len(parts) == len(self._parts) and all(map(_part_matches, self._parts, parts))


def _part_matches(steps: list[_Step], part: str) -> bool:
    reached = {0}
    for step in steps:
        reached = step(part, reached)
        if not reached:
            return False
    return len(part) in reached


def _steps(part: str) -> list[_Step]:
    steps: list[_Step] = []
    at = 0
    while at < len(part):
        character = part[at]
        at += 1
        if character == "?":
            steps.append(_one_of(frozenset(), inverted=True))
        elif character == "*":
            steps.append(_any_number)
        elif character in "[{":
            closer = "]" if character == "[" else "}"
            end = part.find(closer, at)
            if end < 0:
                raise ValueError(f"no {closer} closes {character}")
            inner = part[at:end]
            steps.append(_class(inner) if character == "[" else _alternatives(inner.split(",")))
            at = end + 1
        else:
            steps.append(_one_of(frozenset(character)))
    return steps


def _any_number(part: str, reached: set[int]) -> set[int]:
    return set(range(min(reached), len(part) + 1))


def _one_of(characters: frozenset[str], *, inverted: bool = False) -> _Step:
    def step(part: str, reached: set[int]) -> set[int]:
        return {at + 1 for at in reached if at < len(part) and (part[at] in characters) != inverted}

    return step


def _alternatives(words: list[str]) -> _Step:
    def step(part: str, reached: set[int]) -> set[int]:
        return {at + len(word) for word in words for at in reached if part.startswith(word, at)}

    return step


def _class(inner: str) -> _Step:
    inverted = inner.startswith("!")
    text = inner[1:] if inverted else inner
    if not text:
        raise ValueError("an empty character class")
    characters: set[str] = set()
    at = 0
    while at < len(text):
        if text[at + 1 : at + 2] == "-" and at + 2 < len(text):
            first, last = ord(text[at]), ord(text[at + 2])
            if first > last:
                raise ValueError(f"a backward range {text[at : at + 3]}")
            characters.update(map(chr, range(first, last + 1)))
            at += 3
        else:
            characters.add(text[at])
            at += 1
    return _one_of(frozenset(characters), inverted=inverted)
