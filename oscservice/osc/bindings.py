"""Bindings: foreign messages that stand for own commands. Pure, but for the memory of what was pressed before."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from oscservice.osc.captured import Capturing, fill, is_plain
from oscservice.osc.conditions import Condition, Edges, When, holds
from oscservice.osc.pattern import Pattern, is_pattern
from oscservice.osc.taken import Piece, Taken, made
from oscservice.osc.wire import MAX_ADDRESS_BYTES, Colour, Message, Value

MOST_KNOWN = 256
_BUTTON_TAGS = frozenset("ifhdTFI")

_Matching: TypeAlias = list[tuple[int, tuple[str, ...]]]


@dataclass(frozen=True)
class Binding:
    """A foreign message that stands for a command.

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
        """Whether it is for a button: nothing is asked of the message and nothing taken from it, so that a lone 0 is
        the release."""
        taken = any(isinstance(piece, Taken) and piece.argument for piece in self.arguments)
        return not taken and all(one.when is When.ANY for one in self.conditions)


class Bindings:
    """All bindings of a daemon, in the order of the settings file.

    Args:
        bindings: what stands for commands.
        pass_over: patterns of foreign addresses that stand for nothing, and are known to.

    Raises:
        ValueError: a malformed pattern.
    """

    def __init__(self, bindings: Sequence[Binding], pass_over: Sequence[str] = ()) -> None:
        self._bindings = tuple(bindings)
        self._patterns = {one.pattern: Capturing(one.pattern) for one in bindings}
        self._pass_over = [Pattern(one) for one in pass_over]
        self._known: OrderedDict[str, _Matching] = OrderedDict()
        self._edges = Edges()

    def __len__(self) -> int:
        return len(self._bindings)

    def commands(self, message: Message, sender: str, phase: str) -> list[Message] | None:
        """The own messages that a foreign one stands for, in order; None if its address is not known here.

        Args:
            message: whatever came; nothing in it can raise.
            sender: tells senders apart: a button that is held on one is not held on another.
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
        """Which bindings match an address, with what their wildcards matched; remembered for the addresses heard
        last. What can't stand in an address is no match: it could turn a command into a pattern."""
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
