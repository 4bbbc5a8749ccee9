"""What each wildcard of an address pattern matched, so that one binding serves every string. Pure.

Wildcards are numbered from 1, left to right: ``?``, ``*``, ``[…]`` and ``{…}``; ``//`` has no number. Where a part can
be read in several ways, wildcards on the left take as little as they can.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from oscservice.osc.pattern import Pattern

MOST_WILDCARDS = 9
_WILDCARD = re.compile(r"\?|\*|\[[^\]]*\]|\{[^}]*\}")
NUMBER = re.compile(r"\{([1-9])\}")
"""Where a template takes what a wildcard matched."""

# What an address part may hold (OSC 1.0): printable ASCII, none of the characters that patterns are made of.
_PLAIN = re.compile(r"[!-~]*")
_NEVER_PLAIN = frozenset("#*,/?[]{}")


def is_plain(part: str) -> bool:
    """Whether a text can stand in an address as it is."""
    return _PLAIN.fullmatch(part) is not None and _NEVER_PLAIN.isdisjoint(part)


def numbers_in(template: str) -> set[int]:
    """Numbers of the wildcards that a template such as ``/bench/string/{1}/focus`` names."""
    return {int(found) for found in NUMBER.findall(template)}


def fill(template: str, captured: tuple[str, ...]) -> str:
    """The template with what its wildcards matched; IndexError for a number that none has."""
    return NUMBER.sub(lambda found: captured[int(found[1]) - 1], template)


@dataclass(frozen=True)
class _Token:
    """A literal, or a wildcard with the lengths it may match; None for any."""

    text: str
    pattern: Pattern | None = None
    lengths: frozenset[int] | None = None

    def end(self, part: str, at: int, after: set[int]) -> int | None:
        """The nearest place in ``after`` where it may end if it begins at ``at``."""
        if self.pattern is None:
            ends = [at + len(self.text)] if part.startswith(self.text, at) else []
        elif self.lengths is None:
            ends = [place for place in after if place >= at]
        else:
            ends = [at + n for n in self.lengths if at + n <= len(part) and self.pattern.matches(part[at : at + n])]
        return min((place for place in ends if place in after), default=None)

    def begins(self, part: str, after: set[int]) -> set[int]:
        """Where it may begin so that it can end in ``after``."""
        if self.pattern is not None and self.lengths is None:
            return set(range(max(after) + 1))
        return {at for at in range(len(part) + 1) if self.end(part, at, after) is not None}


class Capturing:
    """An address pattern that tells what its wildcards matched.

    Raises:
        ValueError: the pattern is malformed, has more than 9 wildcards, or ``//`` more than once.
    """

    def __init__(self, pattern: str) -> None:
        Pattern(pattern)
        first, *last = pattern.split("//")
        if len(last) > 1:
            raise ValueError("// more than once")
        self._deep = bool(last)
        self._first = [_tokens(part) for part in first.split("/")]
        self._last = [_tokens(part) for part in last[0].split("/")] if last and last[0] else []
        self.wildcards = sum(token.pattern is not None for part in (*self._first, *self._last) for token in part)
        if self.wildcards > MOST_WILDCARDS:
            raise ValueError(f"more than {MOST_WILDCARDS} wildcards")

    def match(self, address: str) -> tuple[str, ...] | None:
        """What each wildcard matched, or None if the pattern does not match the whole of ``address``."""
        parts = address.split("/")
        least = len(self._first) + (max(1, len(self._last)) if self._deep else 0)
        if len(parts) < least or (len(parts) > least and not self._deep):
            return None
        ends = parts[len(parts) - len(self._last) :] if self._last else []
        found: list[str] = []
        for tokens, part in zip([*self._first, *self._last], [*parts[: len(self._first)], *ends], strict=True):
            captured = _of_part(tokens, part)
            if captured is None:
                return None
            found += captured
        return tuple(found)


def _tokens(part: str) -> list[_Token]:
    tokens: list[_Token] = []
    at = 0
    for found in _WILDCARD.finditer(part):
        if found.start() > at:
            tokens.append(_Token(part[at : found.start()]))
        word = found.group()
        lengths = frozenset(map(len, word[1:-1].split(","))) if word[0] == "{" else frozenset({1})
        tokens.append(_Token(word, Pattern(word), None if word == "*" else lengths))
        at = found.end()
    return [*tokens, _Token(part[at:])] if at < len(part) else tokens


def _of_part(tokens: list[_Token], part: str) -> list[str] | None:
    """What the wildcards of one part matched; None if it does not match."""
    ways: list[set[int]] = [{len(part)}]  # from the right: where each token may begin so that the rest matches
    for token in reversed(tokens):
        if not ways[-1]:
            return None
        ways.append(token.begins(part, ways[-1]))
    if 0 not in ways[-1]:
        return None
    ways.reverse()
    found: list[str] = []
    at = 0
    for token, after in zip(tokens, ways[1:], strict=True):
        end = token.end(part, at, after)
        assert end is not None  # there is a way
        if token.pattern is not None:
            found.append(part[at:end])
        at = end
    return found
