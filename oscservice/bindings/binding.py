"""Bindings: foreign messages that are bound to own commands, when they apply, and how arguments are made. Pure, but for
the memory of what was pressed before.

A binding matches foreign addresses by a pattern. What the pattern's wildcards matched can be used as ``{1}``, ``{2}``
and so on, so that one binding serves every string.
"""

from __future__ import annotations

import math
import re
from collections import OrderedDict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal, TypeAlias

from oscservice.osc.packet import MAX_ADDRESS_BYTES, Colour, Decoded, Message, Value
from oscservice.osc.pattern import CapturingPattern, Pattern, is_pattern

NUMBER = re.compile(r"\{([1-9])\}")
"""The place in a template for the text that a wildcard matched."""

# What an address part may hold (OSC 1.0): printable ASCII, none of the characters that patterns are made of.
_PLAIN = re.compile(r"[!-~]*")
_NEVER_PLAIN = frozenset("#*,/?[]{}")


def is_plain(part: str) -> bool:
    """Return True when a text can stand in an address as it is."""
    return _PLAIN.fullmatch(part) is not None and _NEVER_PLAIN.isdisjoint(part)


def numbers_in(template: str) -> set[int]:
    """Return the numbers of the wildcards that a template such as ``/bench/string/{1}/focus`` names."""
    return {int(found) for found in NUMBER.findall(template)}


def fill(template: str, captured: tuple[str, ...]) -> str:
    """Return the template with what the wildcards matched. Raises IndexError for a number that no wildcard has."""
    return NUMBER.sub(lambda found: captured[int(found[1]) - 1], template)


MOST_REMEMBERED = 1024


class When(StrEnum):
    """A condition's kind: what has to be true of an argument."""

    ANY = "any"
    RISING = "rising"
    FALLING = "falling"
    EQUALS = "equals"
    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True)
class Condition:
    """A condition on one argument (from 1).

    ``rising``: it has become other than 0; a first message counts. ``falling``: it has become 0; a first message does
    not count. ``equals``, ``above`` and ``below`` compare it with ``value``; with ``once`` they are true only when they
    have just become so.
    """

    argument: int = 1
    when: When = When.ANY
    value: float | str = 0.0
    once: bool = False


class Edges:
    """The memory of conditions: whether each was true the last time, by any key. The oldest go first."""

    def __init__(self, most: int = MOST_REMEMBERED) -> None:
        self._most = most
        self._before: OrderedDict[Hashable, bool] = OrderedDict()

    def __len__(self) -> int:
        return len(self._before)

    def became(self, key: Hashable, now: bool, *, at_first: bool) -> bool:
        """Return True when ``now`` is true and was not before; the very first time, ``at_first`` says if it counts."""
        before = self._before.pop(key, not at_first)
        self._before[key] = now
        if len(self._before) > self._most:
            self._before.popitem(last=False)
        return now and not before


def number_of(value: Decoded) -> float | None:
    """Return a finite number as a float, a truth value as 1 or 0; None for anything else."""
    if isinstance(value, int | float) and math.isfinite(value):
        return float(value)
    return None


def holds(conditions: Sequence[Condition], args: Sequence[Decoded], edges: Edges, key: Hashable) -> bool:
    """Return True when all conditions are true of the arguments. Each is tested, so that edges stay up to date."""
    found = [_true(one, args, edges, (key, index)) for index, one in enumerate(conditions)]
    return all(found)


def _true(condition: Condition, args: Sequence[Decoded], edges: Edges, key: Hashable) -> bool:
    if condition.when is When.ANY:
        return True
    if len(args) < condition.argument:
        return False
    value = args[condition.argument - 1]
    number = number_of(value)
    match condition.when:
        case When.RISING:
            return number is not None and edges.became(key, number != 0.0, at_first=True)
        case When.FALLING:
            return number is not None and edges.became(key, number == 0.0, at_first=False)
        case When.EQUALS:
            now = _equal(value, number, condition.value)
        case When.ABOVE:
            now = number is not None and number > float(condition.value)
        case _:
            now = number is not None and number < float(condition.value)
    return edges.became(key, now, at_first=True) if condition.once else now


def _equal(value: Decoded, number: float | None, wanted: float | str) -> bool:
    if isinstance(wanted, str):
        return value == wanted
    # A float32 is off a decimal fraction by up to 6e-8 of it.
    return number is not None and math.isclose(number, wanted, rel_tol=1e-6, abs_tol=1e-12)


MOST_CHARACTERS = 200
_COLOUR = re.compile("#(?:[0-9A-Fa-f]{6}|[0-9A-Fa-f]{8})")


@dataclass(frozen=True)
class Taken:
    """An argument taken from a message.

    Attributes:
        argument, wildcard: which argument of the message, or what which wildcard of its pattern matched, from 1; the
            other is 0.
        scale, offset: a number is multiplied by one, then the other is added.
        low, high: then it is kept between these.
        step: then it is rounded to a multiple of this; 0 for none.
        map: looked up in this instead, as a text; ``otherwise``: the value of what is not in it; None: it has none.
        type: what it is sent as; ``""`` leaves a number as it came, if it is not changed. ``rgba``: a colour,
            from a text such as ``#FF8000`` or ``#FF8000FF``.
        decimals: a number is written as a text with so many; None: it stays a number. ``sign``: with + or -.
        before, after: texts around it. longest: characters that a text is cut to.
    """

    argument: int = 0
    wildcard: int = 0
    scale: float = 1.0
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    step: float = 0.0
    map: Mapping[str, Value] = field(default_factory=dict)
    otherwise: Value | None = None
    type: Literal["", "int", "float", "text", "rgba"] = ""
    decimals: int | None = None
    sign: bool = False
    before: str = ""
    after: str = ""
    longest: int = MOST_CHARACTERS

    @property
    def computes(self) -> bool:
        """True if a number is changed on its way."""
        plain = self.scale == 1.0 and self.offset == 0.0 and self.step == 0.0
        return not plain or math.isfinite(self.low) or math.isfinite(self.high)

    @property
    def writes(self) -> bool:
        """True if any value becomes a text."""
        return bool(self.type == "text" or self.decimals is not None or self.sign or self.before or self.after)


Piece: TypeAlias = int | float | str | Taken
"""An argument: a fixed number, a fixed text that may hold ``{1}`` for what wildcard 1 matched, or one that is taken."""


def made(
    pieces: Sequence[Piece], args: Sequence[Decoded], captured: tuple[str, ...]
) -> tuple[Value | Colour, ...] | None:
    """Return the arguments, or None if one of them can't be made from this message: it is missing, or is no number
    where one is wanted, or is in no table."""
    values: list[Value | Colour] = []
    for piece in pieces:
        if isinstance(piece, Taken):
            value = _taken(piece, args, captured)
            if value is None:
                return None
            values.append(value)
        else:
            values.append(fill(piece, captured) if isinstance(piece, str) else piece)
    return tuple(values)


def _taken(piece: Taken, args: Sequence[Decoded], captured: tuple[str, ...]) -> Value | Colour | None:
    given: Decoded
    if piece.wildcard:
        given = captured[piece.wildcard - 1]
        given = int(given) if given.isascii() and given.isdigit() and len(given) < 10 else given
    elif len(args) < piece.argument:
        return None
    else:
        given = args[piece.argument - 1]
    if piece.map:
        given = piece.map.get(_as_key(given), piece.otherwise)
    if piece.type == "rgba":
        return colour_of(given)
    number = number_of(given)
    if number is None:
        if not isinstance(given, str) or piece.computes or piece.decimals is not None or piece.type in ("int", "float"):
            return None
        return _written(piece, given) if piece.writes else given[: piece.longest]
    if isinstance(given, int) and not piece.computes and not piece.writes and piece.type != "float":
        return int(given)
    return _number(piece, number, whole=isinstance(given, int))


def _number(piece: Taken, number: float, *, whole: bool) -> Value | None:
    number = number * piece.scale + piece.offset
    steps = number / piece.step if piece.step else 0.0
    if piece.step and math.isfinite(steps):
        number = round(steps) * piece.step
    if not math.isfinite(number) or not math.isfinite(steps):
        return None
    number = min(max(number, piece.low), piece.high)
    if piece.writes:
        places = piece.decimals if piece.decimals is not None else 0 if whole and number == round(number) else None
        sign = "+" if piece.sign else ""
        return _written(piece, f"{number:{sign}g}" if places is None else _fixed(number, places, sign))
    return round(number) if piece.type == "int" else number


def _fixed(number: float, places: int, sign: str) -> str:
    text = f"{number:{sign}.{places}f}"
    return text if float(text) else f"{0.0:{sign}.{places}f}"  # never -0.0


def _written(piece: Taken, text: str) -> str:
    return f"{piece.before}{text}{piece.after}"[: piece.longest]


def colour_of(given: object) -> Colour | None:
    """Return the colour of a text such as ``#FF8000`` (opaque) or ``#FF800080``; None for anything else."""
    if not isinstance(given, str) or _COLOUR.fullmatch(given) is None:
        return None
    return Colour(int(given[1:].ljust(8, "F"), 16))


def _as_key(value: Decoded) -> str:
    """Return the text that a value is looked up as: ``1`` for 1, 1.0 and true."""
    number = number_of(value)
    return f"{number:.7g}" if number is not None else value if isinstance(value, str) else ""


MOST_KNOWN = 256
_BUTTON_TAGS = frozenset("ifhdTFI")

_Matching: TypeAlias = list[tuple[int, tuple[str, ...]]]


@dataclass(frozen=True)
class Binding:
    """A foreign message that is bound to a command.

    Attributes:
        pattern: of the foreign address; what its wildcards match can be used as ``{1}`` and so on.
        command: whole own address.
        arguments: of the command.
        conditions: all have to be true.
        phases: the session's phases that it is for; empty for all.
    """

    pattern: str
    command: str
    arguments: tuple[Piece, ...] = ()
    conditions: tuple[Condition, ...] = ()
    phases: frozenset[str] = frozenset()

    @property
    def presses(self) -> bool:
        """True if it is for a button: it has no condition and takes no argument of the message, so that a lone 0 is the
        release."""
        taken = any(isinstance(piece, Taken) and piece.argument for piece in self.arguments)
        return not taken and all(one.when is When.ANY for one in self.conditions)


class Bindings:
    """All bindings of a daemon, in the order of the settings file.

    Args:
        bindings: what is bound to commands.
        pass_over: patterns of foreign addresses that are ignored.

    Raises:
        ValueError: a malformed pattern.
    """

    def __init__(self, bindings: Sequence[Binding], pass_over: Sequence[str] = ()) -> None:
        self._bindings = tuple(bindings)
        self._patterns = {one.pattern: CapturingPattern(one.pattern) for one in bindings}
        self._pass_over = [Pattern(one) for one in pass_over]
        self._known: OrderedDict[str, _Matching] = OrderedDict()
        self._edges = Edges()

    def __len__(self) -> int:
        return len(self._bindings)

    def commands(self, message: Message, sender: str, phase: str) -> list[Message] | None:
        """Return the own messages that a foreign one is bound to, in order; None if its address is not known here.

        Args:
            message: whatever came; nothing in it can raise.
            sender: a button that is pressed on one sender is not pressed on another.
            phase: the session's.
        """
        if is_pattern(message.address) or len(message.address) > MAX_ADDRESS_BYTES:
            return None
        matching = self._matching(message.address)
        if not matching:
            return [] if any(one.matches(message.address) for one in self._pass_over) else None
        found: list[Message] = []
        for index, captured in matching:
            binding = self._bindings[index]
            true = holds(binding.conditions, message.args, self._edges, (index, sender, message.address))
            if not true or (binding.phases and phase not in binding.phases) or _released(binding, message):
                continue
            command = fill(binding.command, captured)
            arguments = made(binding.arguments, message.args, captured)
            if arguments is not None and not is_pattern(command):  # an empty part would leave //
                found.append(_message(command, arguments))
        return found

    def _matching(self, address: str) -> _Matching:
        """Return the bindings that match an address, with what their wildcards matched; remembered for the addresses
        heard last. What can't stand in an address is no match: it could turn a command into a pattern."""
        known = self._known.pop(address, None)
        if known is None:
            known = []
            matched = {text: pattern.match(address) for text, pattern in self._patterns.items()}
            for index, binding in enumerate(self._bindings):
                captured = matched[binding.pattern]
                if captured is not None and all(map(is_plain, captured)):
                    known.append((index, captured))
        self._known[address] = known
        if len(self._known) > MOST_KNOWN:
            self._known.popitem(last=False)
        return known


def _released(binding: Binding, message: Message) -> bool:
    return binding.presses and message.tags in _BUTTON_TAGS and not message.args[0]


def _message(address: str, made_up: tuple[Value | Colour, ...]) -> Message:
    arguments = tuple(one for one in made_up if not isinstance(one, Colour))  # no command takes any
    tags = "".join("s" if isinstance(one, str) else "f" if isinstance(one, float) else "i" for one in arguments)
    return Message(address, arguments, tags)
