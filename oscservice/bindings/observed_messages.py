"""Messages that a surface was heard to send, and a binding to offer for each.

The messages of a surface are gathered by address, with their number, senders and values. Each address gets a
``[[binding]]`` to copy into the settings file and to edit. Pure, and bounded.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from oscservice.bindings.binding import number_of
from oscservice.osc.packet import Decoded, Message
from oscservice.osc.pattern import is_pattern

MOST_ADDRESSES = 256
MOST_VALUES = 8
MOST_SENDERS = 4
MOST_TAGS = 4
_SHOWN_CHARACTERS = 80
_KEPT_CHARACTERS = 200
_NUMBERS = str.maketrans("ifhdTFS", "nnnnnns")  # clients send a whole number now as one type, now as another


def printable(text: str, longest: int = _SHOWN_CHARACTERS) -> str:
    """Return a text as it can be shown: what a terminal would take for an order is written out."""
    shown = "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in text)
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


def value_text(value: Decoded) -> str:
    """Return an argument as it is shown."""
    if isinstance(value, str):
        return f'"{printable(value, 40)}"'
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    if isinstance(value, tuple):
        return printable("[" + " ".join(map(value_text, value)) + "]", 40)
    return "nil" if value is None else f"{value:g}" if isinstance(value, float) else str(value).lower()


@dataclass
class Seen:
    """Observed values of one argument: the values, while they are few, and the range of its numbers."""

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
        """True if it was only 0 and one other number, or one of these."""
        numbers = [number_of(value) for value in self.values]
        if self.many or self.texts or None in numbers:
            return False
        return len({number for number in numbers if number}) <= 1

    @property
    def pressed(self) -> bool:
        """True if it was a button, both up and down."""
        return self.button and self.low == 0.0 and bool(self.high)

    def __str__(self) -> str:
        if self.texts or self.low is None or len(self.values) < 3:
            shown = ", ".join(value_text(value) for value in self.values)
            return shown + (", ..." if self.many else "")
        return f"{self.low:g} to {self.high:g}"


@dataclass
class ObservedAddress:
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
        """Return one line for a person."""
        values = "  ".join(str(seen) for seen in self.arguments)
        times = f"  ({self.count} times)" if self.count > 1 else ""
        shown = printable(f"{values or 'no arguments'}{times}", 200)
        tags = printable(" ".join(self.tags), 20)
        return f"{printable(self.address):<32} {tags:<6} {shown}  from {', '.join(self.senders)}"


class ObservedMessages:
    """Everything that was heard, the first 256 addresses of it."""

    def __init__(self) -> None:
        self.beyond = 0
        self.bad = 0
        self._heard: dict[tuple[str, str], ObservedAddress] = {}

    def take(self, message: Message, sender: str) -> ObservedAddress | None:
        """Take note of a message. Return what was heard at a new address, else None."""
        key = message.address, message.tags.translate(_NUMBERS)
        known = self._heard.get(key)
        if known is None and len(self._heard) >= MOST_ADDRESSES:
            self.beyond += 1
            return None
        heard = known or self._heard.setdefault(key, ObservedAddress(message.address))
        heard.take(message, sender)
        return heard if known is None else None

    def news(self) -> list[ObservedAddress]:
        """Return the messages heard since the last call, at addresses known before."""
        fresh = [one for one in self._heard.values() if one.fresh and one.count > 1]
        for one in self._heard.values():
            one.fresh = 0
        return fresh

    def __iter__(self) -> Iterator[ObservedAddress]:
        return iter(self._heard.values())


_NUMBER = re.compile(r"[0-9]+")
_LONGEST_TEXT = 100


def offers(heard: Iterable[ObservedAddress], root: str) -> list[str]:
    """Return the bindings, as TOML with a comment over each. Buttons whose addresses differ in one number share one.

    An address that can't be bound gives a comment with the reason.
    """
    groups: dict[tuple[str, int], list[ObservedAddress]] = {}
    for one in heard:
        separate = _why_not(one.address, root) or _kind(one) != "button"
        groups.setdefault((one.address if separate else _starred(one.address), len(one.arguments)), []).append(one)
    return [_of_group(pattern, group, root) for (pattern, _), group in groups.items()]


def _of_group(pattern: str, group: Sequence[ObservedAddress], root: str) -> str:
    one = group[0]
    why_not = _why_not(one.address, root)
    if why_not:
        return f"# {printable(one.address)}: {why_not}"
    row = len({each.address for each in group}) > 1
    return _row(pattern, group, root) if row else _offer(one, root)


def _why_not(address: str, root: str) -> str:
    if address == root or address.startswith(root + "/"):
        return "an address of the daemon's own, which needs no binding"
    return "a pattern, which can't be bound" if is_pattern(address) else ""


def _starred(address: str) -> str:
    """Return the address with its last number made a wildcard."""
    numbers = list(_NUMBER.finditer(address))
    return address[: numbers[-1].start()] + "*" + address[numbers[-1].end() :] if numbers else address


def _deciding_argument(one: ObservedAddress) -> int:
    """Return the index of the argument that a binding depends on: one that goes up and down as a button does, or else
    the first."""
    return next((index for index, seen in enumerate(one.arguments) if seen.pressed), 0)


def _kind(one: ObservedAddress) -> str:
    if not one.arguments:
        return "press"
    seen = one.arguments[_deciding_argument(one)]
    if seen.button:
        return "button"
    if seen.low is not None and seen.high is not None and not seen.texts:
        return "fader" if max(-seen.low, seen.high) < 2**31 else "message"
    return "text" if seen.texts else "message"


def _row(pattern: str, row: Sequence[ObservedAddress], root: str) -> str:
    names = ", ".join(printable(one.address, 40) for one in row[:4]) + (", ..." if len(row) > 4 else "")
    lines = [f"# {len(row)} buttons: {names}", *_opened(pattern), *_pressed(row[0])]
    return "\n".join([*lines, f'command = "{root}/string/{{1}}/focus"'])


def _offer(one: ObservedAddress, root: str) -> str:
    kind = _kind(one)
    deciding = _deciding_argument(one)
    seen = one.arguments[deciding] if one.arguments else Seen()
    what = {
        "press": "a message without arguments",
        "button": f"a button ({seen} seen)",
        "fader": f"a fader ({seen} seen); to pass its value on: arguments = [{{ argument = {deciding + 1} }}]",
        "text": f"a text ({seen} seen)",
        "message": f"a message ({seen} seen)",
    }[kind]
    lines = [f"# {printable(what, 200)}", *_opened(one.address)]
    if kind == "button":
        lines += _pressed(one)
    elif kind == "fader":
        middle = round(((seen.low or 0.0) + (seen.high or 0.0)) / 2.0, 3)
        lines += [*_which(one), 'when = "above"', f"value = {middle!r}", "once = true"]
    elif kind == "text":
        text = _written(next(value for value in seen.values if isinstance(value, str)))
        if text:
            lines += [*_which(one), 'when = "equals"', f"value = {text}"]
    return "\n".join([*lines, f'command = "{root}/session/next"'])


def _opened(pattern: str) -> list[str]:
    return ["[[binding]]", f"from = {quoted(pattern)}"]


def _which(one: ObservedAddress) -> list[str]:
    deciding = _deciding_argument(one)
    return [f"argument = {deciding + 1}"] if deciding else []


def _pressed(one: ObservedAddress) -> list[str]:
    """Return the conditions of a button; arguments beside it that never changed say which one it was."""
    deciding = _deciding_argument(one)
    also = []
    for index, seen in enumerate(one.arguments):
        (value, *more) = seen.values
        wanted = "" if more or seen.many or index == deciding else _written(value)
        if wanted:
            also.append(f'{{ argument = {index + 1}, when = "equals", value = {wanted} }}')
    return [*_which(one), 'when = "rising"', *([f"also = [{', '.join(also)}]"] if also else [])]


def _written(value: Decoded) -> str:
    """Return a value as a settings file has it; empty for one that can't be written there."""
    if isinstance(value, str):
        return quoted(value) if len(value) <= _LONGEST_TEXT and "\0" not in value else ""
    number = number_of(value)
    return "" if number is None or abs(number) >= 2**31 else repr(int(number) if number.is_integer() else number)


def quoted(text: str) -> str:
    """Return a text as a TOML basic string (TOML 1.0): quotes, backslashes and what can't be printed are escaped."""
    found = []
    for one in text:
        if one in '"\\':
            found.append("\\" + one)
        elif one.isprintable():
            found.append(one)
        else:
            found.append(f"\\u{ord(one):04x}" if ord(one) < 0x10000 else f"\\U{ord(one):08x}")
    return '"' + "".join(found) + '"'
