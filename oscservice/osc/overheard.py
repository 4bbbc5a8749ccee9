"""What a surface sends, gathered by address: how often, from where, and which values. Pure, and bounded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from oscservice.osc.conditions import number_of
from oscservice.osc.wire import Decoded, Message

MOST_ADDRESSES = 256
MOST_VALUES = 8
MOST_SENDERS = 4
MOST_TAGS = 4
_SHOWN_CHARACTERS = 80
_KEPT_CHARACTERS = 200
_NUMBERS = str.maketrans("ifhdTFS", "nnnnnns")  # clients send a whole number now as one type, now as another


def printable(text: str, longest: int = _SHOWN_CHARACTERS) -> str:
    """A text as it can be shown: what a terminal would take for an order is written out."""
    shown = "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in text)
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


def value_text(value: Decoded) -> str:
    """An argument as it is shown."""
    if isinstance(value, str):
        return f'"{printable(value, 40)}"'
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    if isinstance(value, tuple):
        return printable("[" + " ".join(map(value_text, value)) + "]", 40)
    return "nil" if value is None else f"{value:g}" if isinstance(value, float) else str(value).lower()


@dataclass
class Seen:
    """What was seen of one argument: the values, while they are few, and the range of its numbers."""

    values: list[Decoded] = field(default_factory=list)
    many: bool = False
    low: float | None = None
    high: float | None = None
    texts: bool = False

    def take(self, value: Decoded) -> None:
        """Take note of one value."""
        number = number_of(value)
        self.texts = self.texts or isinstance(value, str)
        if number is not None:
            self.low = number if self.low is None else min(self.low, number)
            self.high = number if self.high is None else max(self.high, number)
        kept = value[:_KEPT_CHARACTERS] if isinstance(value, str | bytes | tuple) else value
        if kept not in self.values:
            if len(self.values) < MOST_VALUES:
                self.values.append(kept)
            else:
                self.many = True

    @property
    def button(self) -> bool:
        """Whether it was only 0 and one other number, or one of these."""
        numbers = [number_of(value) for value in self.values]
        if self.many or self.texts or None in numbers:
            return False
        return len({number for number in numbers if number}) <= 1

    @property
    def pressed(self) -> bool:
        """Whether it was a button, both up and down."""
        return self.button and self.low == 0.0 and bool(self.high)

    def __str__(self) -> str:
        if self.texts or self.low is None or len(self.values) < 3:
            shown = ", ".join(value_text(value) for value in self.values)
            return shown + (", ..." if self.many else "")
        return f"{self.low:g} to {self.high:g}"


@dataclass
class Heard:
    """All messages of one address with as many arguments, numbers in the same places whatever their type."""

    address: str
    tags: list[str] = field(default_factory=list)
    count: int = 0
    fresh: int = 0
    arguments: list[Seen] = field(default_factory=list)
    senders: list[str] = field(default_factory=list)

    def take(self, message: Message, sender: str) -> None:
        """Take note of one message."""
        if message.tags not in self.tags and len(self.tags) < MOST_TAGS:
            self.tags.append(message.tags)
        self.count += 1
        self.fresh += 1
        if not self.arguments:
            self.arguments = [Seen() for _ in message.args]
        for seen, value in zip(self.arguments, message.args, strict=False):
            seen.take(value)
        if sender not in self.senders and len(self.senders) < MOST_SENDERS:
            self.senders.append(sender)

    def __str__(self) -> str:
        """One line for a person."""
        values = "  ".join(str(seen) for seen in self.arguments)
        times = f"  ({self.count} times)" if self.count > 1 else ""
        shown = printable(f"{values or 'no arguments'}{times}", 200)
        tags = printable(" ".join(self.tags), 20)
        return f"{printable(self.address):<32} {tags:<6} {shown}  from {', '.join(self.senders)}"


class Overheard:
    """Everything that was heard, the first 256 addresses of it."""

    def __init__(self) -> None:
        self.beyond = 0
        self.bad = 0
        self._heard: dict[tuple[str, str], Heard] = {}

    def take(self, message: Message, sender: str) -> Heard | None:
        """Take note of a message; gives what was heard at a new address, else None."""
        key = message.address, message.tags.translate(_NUMBERS)
        known = self._heard.get(key)
        if known is None and len(self._heard) >= MOST_ADDRESSES:
            self.beyond += 1
            return None
        heard = known or self._heard.setdefault(key, Heard(message.address))
        heard.take(message, sender)
        return heard if known is None else None

    def news(self) -> list[Heard]:
        """What more was heard since the last asking, at addresses known before."""
        fresh = [one for one in self._heard.values() if one.fresh and one.count > 1]
        for one in self._heard.values():
            one.fresh = 0
        return fresh

    def __iter__(self) -> Iterator[Heard]:
        return iter(self._heard.values())
