"""OSC address patterns, matched in time linear in pattern times address.

OSC 1.0: ``?`` one character; ``*`` zero or more; ``[abc]``, ``[a-c]``, ``[!abc]`` one character; ``{foo,bar}`` one of
the strings; all else itself. None of these crosses a ``/``.

``//`` stands for any number of levels, none included (the OSC 1.1 paper, NIME 2009): ``//cents`` matches
``/string/1/cents``, and ``/string//cents`` does too. The paper does not say what ``//`` at the end means. Here it is
whatever lies below: ``/string//`` matches ``/string/1`` and ``/string/1/cents``, not ``/string``, and ``//`` alone
matches every address.

A malformed pattern (an unclosed bracket or brace, an empty or backward class, three slashes in a row) matches nothing,
and so does one with more than 32 pattern characters.

The matcher follows the set of places that each pattern element can reach, as the bits of a number. Patterns turned into
regular expressions, or matched by recursion, take seconds on a run of twenty stars.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple, TypeAlias

MAX_PATTERN_CHARACTERS = 32
_SPECIAL = frozenset("?*[]{}")
_LEVELS = "//"
_MAX_KNOWN = 1024


class _Part(NamedTuple):
    """One part of an address: at which places each character stands, and all places (one more than characters)."""

    places: dict[str, int]
    everywhere: int


_Step: TypeAlias = Callable[[_Part, int], int]
"""From the places in one part of an address reached so far (bits) to those reached after one more pattern element."""


def is_pattern(address: str) -> bool:
    """Whether an incoming address holds a pattern character, or ``//``."""
    return not _SPECIAL.isdisjoint(address) or _LEVELS in address


def matches(pattern: str, address: str) -> bool:
    """Whether ``pattern`` matches the whole of ``address``; False for a malformed pattern."""
    try:
        return Pattern(pattern).matches(address)
    except ValueError:
        return False


class Pattern:
    """A pattern read once, to be matched against many addresses.

    Raises:
        ValueError: the pattern is malformed or has more than 32 pattern characters (``//`` counts as one).
    """

    def __init__(self, pattern: str) -> None:
        if sum(map(pattern.count, _SPECIAL)) + pattern.count(_LEVELS) > MAX_PATTERN_CHARACTERS:
            raise ValueError(f"more than {MAX_PATTERN_CHARACTERS} pattern characters")
        if "///" in pattern:
            raise ValueError("three slashes in a row")
        first, *deeper = pattern.split(_LEVELS)
        self._begin = _parts(first)
        self._deeper = [_parts(stretch or "*") for stretch in deeper]

    def matches(self, address: str) -> bool:
        """Whether the pattern matches the whole of ``address``."""
        parts = address.split("/")
        size = len(self._begin)
        fits = len(parts) >= size if self._deeper else len(parts) == size
        if not fits or not all(map(_PartPattern.matches, self._begin, parts)):
            return False
        reached = {size}
        for stretch in self._deeper:
            reached = set(range(min(reached), len(parts)))
            for wanted in stretch:
                reached = {at + 1 for at in reached if at < len(parts) and wanted.matches(parts[at])}
            if not reached:
                return False
        return len(parts) in reached


def _parts(stretch: str) -> list[_PartPattern]:
    return [_PartPattern(part) for part in stretch.split("/")]


class _PartPattern:
    """The pattern of one part. What it said of a part is remembered: addresses of one tree share most of theirs."""

    def __init__(self, pattern: str) -> None:
        self._steps = _steps(pattern)
        self._literal = not is_pattern(pattern)
        self._known = {pattern: True} if self._literal else {}

    def matches(self, part: str) -> bool:
        known = self._known.get(part)
        if known is not None or self._literal:
            return bool(known)
        if len(self._known) >= _MAX_KNOWN:
            self._known.clear()
        return self._known.setdefault(part, _part_matches(self._steps, part))


def _part_matches(steps: list[_Step], text: str) -> bool:
    part = _read(text)
    reached = 1
    for step in steps:
        reached = step(part, reached)
        if not reached:
            return False
    return bool(reached >> len(text) & 1)


@lru_cache(maxsize=512)
def _read(text: str) -> _Part:
    places: dict[str, int] = {}
    for at, character in enumerate(text):
        places[character] = places.get(character, 0) | 1 << at
    return _Part(places, (2 << len(text)) - 1)


def _steps(part: str) -> list[_Step]:
    steps: list[_Step] = []
    at = 0
    while at < len(part):
        character = part[at]
        at += 1
        if character == "?":
            steps.append(_one)
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


def _from_lowest(reached: int, everywhere: int) -> int:
    """Every place from the lowest one reached on."""
    return everywhere & -(reached & -reached)


def _any_number(part: _Part, reached: int) -> int:
    return _from_lowest(reached, part.everywhere)


def _one(part: _Part, reached: int) -> int:
    return reached << 1 & part.everywhere


def _one_of(characters: frozenset[str], *, inverted: bool = False) -> _Step:
    def step(part: _Part, reached: int) -> int:
        found = sum(places for character, places in part.places.items() if (character in characters) != inverted)
        return (reached & found) << 1

    return step


def _alternatives(words: list[str]) -> _Step:
    def after(word: str, part: _Part, reached: int) -> int:
        for character in word:
            reached = (reached & part.places.get(character, 0)) << 1
        return reached

    def step(part: _Part, reached: int) -> int:
        found = 0
        for word in words:
            found |= after(word, part, reached)
        return found

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
