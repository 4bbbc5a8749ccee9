"""A ``[[binding]]`` for each address that a surface was heard at, to copy into the settings file and to edit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from oscservice.osc.conditions import number_of
from oscservice.osc.overheard import Heard, Seen, printable
from oscservice.osc.pattern import is_pattern
from oscservice.osc.wire import Decoded

_NUMBER = re.compile(r"[0-9]+")
_LONGEST_TEXT = 100


def offers(heard: Iterable[Heard], root: str) -> list[str]:
    """The bindings, as TOML with a comment over each. Buttons whose addresses differ in one number share one.

    What can't be bound is a comment that says why.
    """
    groups: dict[tuple[str, int], list[Heard]] = {}
    for one in heard:
        alone = _why_not(one.address, root) or _kind(one) != "button"
        groups.setdefault((one.address if alone else _starred(one.address), len(one.arguments)), []).append(one)
    return [_of_group(pattern, group, root) for (pattern, _), group in groups.items()]


def _of_group(pattern: str, group: Sequence[Heard], root: str) -> str:
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
    """The address with its last number made a wildcard."""
    numbers = list(_NUMBER.finditer(address))
    return address[: numbers[-1].start()] + "*" + address[numbers[-1].end() :] if numbers else address


def _telling(one: Heard) -> int:
    """Which argument (from 0) tells what happened: one that goes up and down as a button does, or else the first."""
    return next((index for index, seen in enumerate(one.arguments) if seen.pressed), 0)


def _kind(one: Heard) -> str:
    if not one.arguments:
        return "press"
    seen = one.arguments[_telling(one)]
    if seen.button:
        return "button"
    if seen.low is not None and seen.high is not None and not seen.texts:
        return "fader" if max(-seen.low, seen.high) < 2**31 else "message"
    return "text" if seen.texts else "message"


def _row(pattern: str, row: Sequence[Heard], root: str) -> str:
    names = ", ".join(printable(one.address, 40) for one in row[:4]) + (", ..." if len(row) > 4 else "")
    lines = [f"# {len(row)} buttons: {names}", *_opened(pattern), *_pressed(row[0])]
    return "\n".join([*lines, f'command = "{root}/string/{{1}}/focus"'])


def _offer(one: Heard, root: str) -> str:
    kind = _kind(one)
    seen = one.arguments[_telling(one)] if one.arguments else Seen()
    what = {
        "press": "a message without arguments",
        "button": f"a button ({seen} seen)",
        "fader": f"a fader ({seen} seen); to pass its value on: arguments = [{{ argument = {_telling(one) + 1} }}]",
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


def _which(one: Heard) -> list[str]:
    telling = _telling(one)
    return [f"argument = {telling + 1}"] if telling else []


def _pressed(one: Heard) -> list[str]:
    """The conditions of a button; arguments beside it that never changed say which one it was."""
    telling = _telling(one)
    also = []
    for index, seen in enumerate(one.arguments):
        (value, *more) = seen.values
        wanted = "" if more or seen.many or index == telling else _written(value)
        if wanted:
            also.append(f'{{ argument = {index + 1}, when = "equals", value = {wanted} }}')
    return [*_which(one), 'when = "rising"', *([f"also = [{', '.join(also)}]"] if also else [])]


def _written(value: Decoded) -> str:
    """A value as it stands in a settings file; empty for one that can't."""
    if isinstance(value, str):
        return quoted(value) if len(value) <= _LONGEST_TEXT and "\0" not in value else ""
    number = number_of(value)
    return "" if number is None or abs(number) >= 2**31 else repr(int(number) if number.is_integer() else number)


def quoted(text: str) -> str:
    """A TOML basic string (TOML 1.0): quotes, backslashes and what can't be printed are escaped."""
    found = []
    for one in text:
        if one in '"\\':
            found.append("\\" + one)
        elif one.isprintable():
            found.append(one)
        else:
            found.append(f"\\u{ord(one):04x}" if ord(one) < 0x10000 else f"\\U{ord(one):08x}")
    return '"' + "".join(found) + '"'
