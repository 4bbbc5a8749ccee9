"""From a decoded message to the calls it asks for: patterns, types and ranges. Pure.

Clients differ in the number types they can send, so a number may come as ``i h f d``, a switch also as ``T F``, and a
button without arguments may send its position: a lone 0 is the release and means nothing, anything else the press.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from oscservice.osc.address import Address, AddressSpace, Argument, Call
from oscservice.osc.packet import Decoded, Message, Value
from oscservice.osc.pattern import is_pattern
from oscservice.osc.refusal import ErrorCode, OscRefusal

MAX_TEXT_CHARACTERS = 200
MAX_CALLS = 192
"""Calls that one packet may ask for: it is carried out in one piece, and nothing else happens meanwhile."""
_BUTTON_TAGS = frozenset("ifhdTFI")
_NEVER_ANSWERED = frozenset({"reply", "error", "done", "fail"})


@dataclass(frozen=True)
class RefusedCall:
    """The reason that one whole address of a message is not carried out."""

    concrete: str
    code: ErrorCode
    text: str


def is_answer(message: Message) -> bool:
    """Return True when a message is itself an answer, which must never be answered: two servers would never stop."""
    return message.address.rpartition("/")[2] in _NEVER_ANSWERED


def asked_for(message: Message, space: AddressSpace) -> int:
    """Return the number of calls that a message asks for, at least one; an address counts as its cost."""
    try:
        concretes = _concretes(message.address, space)
    except ValueError:
        return 1
    found = map(space.lookup, concretes)
    return max(1, sum(1 if one is None else one[0].cost for one in found))


def resolve(message: Message, space: AddressSpace) -> list[Call | RefusedCall]:
    """Return the calls that a message asks for, one item for each concrete address; none for a button release.

    A pattern goes to every address it matches, with the same arguments (OSC 1.0). Addresses in the result are whole,
    root included.
    """
    try:
        concretes = _concretes(message.address, space)
    except ValueError as error:
        return [RefusedCall(message.address, ErrorCode.UNKNOWN_ADDRESS, f"malformed pattern: {error}")]
    if not concretes:
        return [RefusedCall(message.address, ErrorCode.UNKNOWN_ADDRESS, "the pattern matches no command here")]
    outcome: list[Call | RefusedCall] = []
    for concrete in concretes:
        try:
            call = _call(concrete, message, space)
        except OscRefusal as refusal:
            outcome.append(RefusedCall(concrete, refusal.code, refusal.text))
        else:
            outcome += [] if call is None else [call]
    return outcome


def _concretes(address: str, space: AddressSpace) -> Sequence[str]:
    """Return the addresses that a message is for. Raises ValueError: a malformed pattern."""
    return space.matching(address) if is_pattern(address) else (address,)


def _call(concrete: str, message: Message, space: AddressSpace) -> Call | None:
    """Return the call of one concrete address, or None for a button release. Raises OscRefusal."""
    found = space.lookup(concrete)
    if found is None:
        raise OscRefusal(ErrorCode.UNKNOWN_ADDRESS, f"unknown address; see the addresses under {space.prefix}")
    address, params = found
    if not address.direction.incoming:
        raise OscRefusal(ErrorCode.UNKNOWN_ADDRESS, "the daemon sends this address and does not take it")
    if address.path in space.absent:
        raise OscRefusal(ErrorCode.REFUSED, space.absent[address.path])
    numbers = {name: value for name, value in params.items() if isinstance(value, int)}
    args: tuple[Value, ...] = ()
    if address.trigger and message.tags in _BUTTON_TAGS:
        if not message.args[0]:
            return None
    else:
        args = checked_arguments(address, message)
    if address.path in space.closed:
        raise OscRefusal(ErrorCode.WRONG_PHASE, space.closed[address.path])
    return Call(concrete, address, numbers, args)


def checked_arguments(address: Address, message: Message) -> tuple[Value, ...]:
    """Return the arguments of a message as the declared types; optional ones that were left out are missing at the end.

    Raises:
        OscRefusal: wrong number or types, or a text that stands for no number (code 2); or out of range, NaN or
            infinite (code 3).
    """
    declared = address.arguments
    required = sum(not argument.optional for argument in declared)
    if not required <= len(message.args) <= len(declared) or "[" in message.tags:
        raise OscRefusal(ErrorCode.WRONG_TYPES, f"takes {_wanted(address)}; got {message.tags or 'no arguments'}")
    taken: list[Value] = []
    for argument, tag, value in zip(declared, message.tags, message.args, strict=False):
        accepted = "sS" if argument.tag == "s" else "ifhdTF" if argument.switch else "ifhd"
        accepted += "sS" if argument.read is not None else ""
        if tag not in accepted:
            raise OscRefusal(ErrorCode.WRONG_TYPES, f"takes {_wanted(address)}; got {message.tags}")
        if isinstance(value, str) and argument.read is not None:
            value = _read(argument.read, _text(argument, value), address)
        taken.append(_text(argument, value) if isinstance(value, str) else _number(argument, value))
    return tuple(taken)


def _wanted(address: Address) -> str:
    return ", ".join(map(_one_wanted, address.arguments)) or "no arguments"


def _one_wanted(argument: Argument) -> str:
    tags = f"{argument.tag}{' or s' if argument.read is not None else ''}{'?' if argument.optional else ''}"
    return f"{tags} ({argument.name}{', ' + argument.unit if argument.unit else ''})"


def _text(argument: Argument, text: str) -> str:
    if len(text) > MAX_TEXT_CHARACTERS or not text.isprintable():
        limit = f"at most {MAX_TEXT_CHARACTERS} printable characters"
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{argument.name} must be {limit}")
    if argument.words and text not in argument.words:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{argument.name} must be one of {argument.range_text}; got {text!r}")
    if argument.check is not None:
        try:
            argument.check(text)
        except ValueError as error:
            raise OscRefusal(ErrorCode.OUT_OF_RANGE, str(error)) from None
    return text


def _read(read: Callable[[str], float], text: str, address: Address) -> float:
    try:
        return read(text)
    except ValueError as error:
        raise OscRefusal(ErrorCode.WRONG_TYPES, f"takes {_wanted(address)}; {error}") from None


def _number(argument: Argument, value: Decoded) -> int | float:
    assert isinstance(value, int | float)  # the tags i f h d T F decode to nothing else
    low, high = (0, 1) if argument.switch else (argument.low, argument.high)
    name = f"{argument.name} ({argument.unit})" if argument.unit else argument.name
    if not math.isfinite(value):
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{name} must be a finite number")
    if argument.tag == "i" and value != int(value):
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{name} must be a whole number; got {value:g}")
    beyond = (low is not None and value < low) or (high is not None and value > high)
    if beyond and not (argument.or_zero and value == 0):
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{name} must be {argument.range_text}; got {value:g}")
    return int(value) if argument.tag == "i" else float(value)
