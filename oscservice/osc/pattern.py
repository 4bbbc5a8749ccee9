"""OSC address patterns, matched in time linear in the length of the address.

OSC 1.0: ``?`` one character; ``*`` zero or more; ``[abc]``, ``[a-c]``, ``[!abc]`` one character; ``{foo,bar}`` one of
the strings; all else itself. None of these crosses a ``/``.

``//`` is any number of levels, none included (the OSC 1.1 paper, NIME 2009): ``//cents`` matches
``/string/1/cents``, and ``/string//cents`` does too. The paper does not say what ``//`` at the end means. Here it is
whatever lies below: ``/string//`` matches ``/string/1`` and ``/string/1/cents``, not ``/string``, and ``//`` alone
matches every address.

A malformed pattern (an unclosed bracket or brace, an empty or backward class, three slashes in a row) matches nothing,
and so does one with more than 32 pattern characters.

RE2 matches them, as regular expressions, because it never backtracks: a run of twenty stars takes no longer than one.
"""

from __future__ import annotations

import re2

MAX_PATTERN_CHARACTERS = 32
MAX_WILDCARDS = 9
_SPECIAL = frozenset("?*[]{}")
_LEVELS = "//"

_OPTIONS = re2.Options()
_OPTIONS.log_errors = False


def is_pattern(address: str) -> bool:
    """Return True when an incoming address holds a pattern character, or ``//``."""
    return not _SPECIAL.isdisjoint(address) or _LEVELS in address


def matches(pattern: str, address: str) -> bool:
    """Return True when ``pattern`` matches the whole of ``address``; False for a malformed pattern."""
    try:
        return Pattern(pattern).matches(address)
    except ValueError:
        return False


class Pattern:
    """A pattern parsed once, to be matched against many addresses.

    Raises:
        ValueError: the pattern is malformed or has more than 32 pattern characters (``//`` counts as one).
    """

    def __init__(self, pattern: str) -> None:
        self._expression = re2.compile(_expression(pattern, "(?:"), _OPTIONS)

    def matches(self, address: str) -> bool:
        """Return True when the pattern matches the whole of ``address``."""
        return self._expression.fullmatch(address) is not None


class CapturingPattern:
    """A pattern that returns the text that each of its wildcards matched.

    Wildcards are numbered from 1, left to right: ``?``, ``*``, ``[…]`` and ``{…}``; ``//`` has no number. Where an
    address can be read in several ways, wildcards on the left take as little as they can.

    Attributes:
        wildcards: how many there are.

    Raises:
        ValueError: the pattern is malformed, has more than 9 wildcards, or ``//`` more than once.
    """

    def __init__(self, pattern: str) -> None:
        self._expression = re2.compile(_expression(pattern, "("), _OPTIONS)
        if pattern.count(_LEVELS) > 1:
            raise ValueError("// more than once")
        self.wildcards: int = self._expression.groups
        if self.wildcards > MAX_WILDCARDS:
            raise ValueError(f"more than {MAX_WILDCARDS} wildcards")

    def match(self, address: str) -> tuple[str, ...] | None:
        """Return the text of each wildcard, or None if the pattern does not match the whole of ``address``."""
        found = self._expression.fullmatch(address)
        return None if found is None else found.groups()


def _expression(pattern: str, group: str) -> str:
    """Return a pattern as a regular expression in which ``group`` opens each wildcard. Raises ValueError."""
    if sum(map(pattern.count, _SPECIAL)) + pattern.count(_LEVELS) > MAX_PATTERN_CHARACTERS:
        raise ValueError(f"more than {MAX_PATTERN_CHARACTERS} pattern characters")
    if "///" in pattern:
        raise ValueError("three slashes in a row")
    first, *deeper = ("/".join(_part(part, group) for part in one.split("/")) for one in pattern.split(_LEVELS))
    return "(?:/[^/]*)*/".join([first, *(stretch or "[^/]*" for stretch in deeper)])


def _part(part: str, group: str) -> str:
    """Return the regular expression of one part between slashes."""
    found = ""
    at = 0
    while at < len(part):
        character = part[at]
        at += 1
        if character in "[{":
            closer = "]" if character == "[" else "}"
            end = part.find(closer, at)
            if end < 0:
                raise ValueError(f"no {closer} closes {character}")
            inner = part[at:end]
            words = sorted(inner.split(","), key=len)  # the first that fits is taken: the shortest
            found += group + (_class(inner) if character == "[" else "|".join(map(re2.escape, words))) + ")"
            at = end + 1
        else:
            wildcard = {"?": "[^/]", "*": "[^/]*?"}.get(character)
            found += re2.escape(character) if wildcard is None else f"{group}{wildcard})"
    return found


def _class(inner: str) -> str:
    inverted = inner.startswith("!")
    text = inner[1:] if inverted else inner
    if not text:
        raise ValueError("an empty character class")
    characters = ""
    at = 0
    while at < len(text):
        if text[at + 1 : at + 2] == "-" and at + 2 < len(text):
            if text[at] > text[at + 2]:
                raise ValueError(f"a backward range {text[at : at + 3]}")
            around_slash = "-.0-" if text[at] < "/" < text[at + 2] else "-"  # "." and "0" are its neighbours in ASCII
            characters += re2.escape(text[at]) + around_slash + re2.escape(text[at + 2])
            at += 3
        else:
            characters += re2.escape(text[at])
            at += 1
    return f"[{'^/' if inverted else ''}{characters}]"
