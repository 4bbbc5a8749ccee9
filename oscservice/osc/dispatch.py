"""From a decoded message to the calls it asks for: patterns, types and ranges. Pure.

Clients differ in the number types they can send, so a number may come as ``i h f d``, a switch also as ``T F``, and a
button without arguments may send its position: a lone 0 is the release and means nothing, anything else the press.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from oscservice.api.address_table import DEFAULT_PREFIX, Address, Argument, Direction, concrete_addresses, lookup
from oscservice.api.argument_values import ErrorCode, OscRefusal
from oscservice.instrument.pitch import Place
from oscservice.osc.packet import Decoded, Message, Value
from oscservice.osc.pattern import Pattern, is_pattern
from oscservice.session.commands import impossible
from oscservice.session.vocabulary import Phase

MAX_TEXT_CHARACTERS = 200
MAX_CALLS = 192
"""What one packet may ask for: it is carried out in one piece, and nothing else happens meanwhile."""
COMMAND_CALLS = 8
"""What a command to the session counts for: what it comes to is written down before it is answered."""
SUBSCRIPTION_CALLS = 16
"""What a subscription counts for: the topics are read, and the whole state follows."""
_INCOMING = tuple(d for d in Direction if d.incoming)
_BUTTON_TAGS = frozenset("ifhdTFI")
_NEVER_ANSWERED = frozenset({"reply", "error", "done", "fail"})


@dataclass(frozen=True)
class Call:
    """One concrete address a message asks for, with its checked arguments: exactly the declared types."""

    concrete: str
    address: Address
    params: dict[str, int]
    args: tuple[Value, ...]


@dataclass(frozen=True)
class RefusedCall:
    """What is wrong with one address of a message."""

    concrete: str
    code: ErrorCode
    text: str


@dataclass(frozen=True)
class Space:
    """The addresses there are now: the root, what is on the bench, whether its guitar is simulated, and the phase
    the session is in, which isn't looked at if empty."""

    prefix: str = DEFAULT_PREFIX
    string_count: int = 0
    simulated: bool = False
    fret_count: int = 0
    items: tuple[str, ...] = ()
    phase: str = ""


def is_answer(message: Message) -> bool:
    """Whether a message is itself an answer, which must never be answered: two daemons would go on for ever."""
    return message.address.rpartition("/")[2] in _NEVER_ANSWERED


def asked_for(message: Message, space: Space) -> int:
    """How many calls a message asks for, at least one; the costly ones count for several."""
    try:
        concretes = _concretes(message.address, space)
    except ValueError:
        return 1
    return max(1, sum(_weight(concrete, space.prefix) for concrete in concretes))


def resolve(message: Message, space: Space) -> list[Call | RefusedCall]:
    """What a message asks for, one item a concrete address. Empty for a button release.

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


def _concretes(address: str, space: Space) -> tuple[str, ...]:
    """The addresses that a message is for. Raises ValueError: a malformed pattern."""
    if not is_pattern(address):
        return (address,)
    return _matching(address, space.prefix, space.string_count, space.simulated)


def _weight(concrete: str, prefix: str) -> int:
    found = lookup(concrete.removeprefix(prefix)) if concrete.startswith(prefix + "/") else None
    if found is None:
        return 1
    if found[0].path == "/subscribe":
        return SUBSCRIPTION_CALLS
    return COMMAND_CALLS if found[0].command is not None else 1


@lru_cache(maxsize=64)
def _matching(pattern: str, prefix: str, string_count: int, simulated: bool) -> tuple[str, ...]:
    return tuple(filter(Pattern(pattern).matches, _incoming(prefix, string_count, simulated)))


@lru_cache(maxsize=16)
def _incoming(prefix: str, string_count: int, simulated: bool) -> tuple[str, ...]:
    relative = concrete_addresses(string_count, directions=_INCOMING, simulated=simulated)
    return tuple(prefix + address for address in relative)


def _call(concrete: str, message: Message, space: Space) -> Call | None:
    """The call of one concrete address, or None for a button release. Raises OscRefusal."""
    found = lookup(concrete.removeprefix(space.prefix)) if concrete.startswith(space.prefix + "/") else None
    if found is None:
        raise OscRefusal(ErrorCode.UNKNOWN_ADDRESS, f"unknown address; see the addresses under {space.prefix}")
    address, params = found
    if not address.direction.incoming:
        raise OscRefusal(ErrorCode.UNKNOWN_ADDRESS, "the daemon sends this address and does not take it")
    if address.simulated and not space.simulated:
        raise OscRefusal(ErrorCode.REFUSED, "only the simulated source takes this command")
    numbers = {name: value for name, value in params.items() if isinstance(value, int)}
    args: tuple[Value, ...] = ()
    if address.trigger and message.tags in _BUTTON_TAGS:
        if not message.args[0]:
            return None
    else:
        args = checked_arguments(address, message)
    _check_phase(address, space.phase)
    return Call(concrete, address, numbers, args)


def _check_phase(address: Address, phase: str) -> None:
    """Raises OscRefusal for a command that isn't possible in a phase."""
    if phase and address.command is not None:
        why_not = impossible(address.command, Phase(phase))
        if why_not is not None:
            raise OscRefusal(ErrorCode.WRONG_PHASE, why_not)


def checked_arguments(address: Address, message: Message) -> tuple[Value, ...]:
    """The arguments of a message as the declared types; optional ones that were left out are missing at the end.

    Raises:
        OscRefusal: wrong number or types (code 2), or out of range, NaN or infinite (code 3).
    """
    declared = address.arguments
    required = sum(not argument.optional for argument in declared)
    if not required <= len(message.args) <= len(declared) or "[" in message.tags:
        raise OscRefusal(ErrorCode.WRONG_TYPES, f"takes {_wanted(address)}; got {message.tags or 'no arguments'}")
    taken: list[Value] = []
    for argument, tag, value in zip(declared, message.tags, message.args, strict=False):
        accepted = "sS" if argument.tag == "s" else "ifhdTF" if argument.switch else "ifhd"
        if tag not in accepted:
            raise OscRefusal(ErrorCode.WRONG_TYPES, f"takes {_wanted(address)}; got {message.tags}")
        taken.append(_text(argument, value) if isinstance(value, str) else _number(argument, value))
    return tuple(taken)


def _wanted(address: Address) -> str:
    if not address.arguments:
        return "no arguments"
    return ", ".join(
        f"{a.tag}{'?' if a.optional else ''} ({a.name}{', ' + a.unit if a.unit else ''})" for a in address.arguments
    )


def _text(argument: Argument, text: str) -> str:
    if len(text) > MAX_TEXT_CHARACTERS or not text.isprintable():
        limit = f"at most {MAX_TEXT_CHARACTERS} printable characters"
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{argument.name} must be {limit}")
    if argument.words and text not in argument.words:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{argument.name} must be one of {argument.range_text}; got {text!r}")
    if argument.place:
        try:
            Place.parse(text)
        except ValueError as error:
            raise OscRefusal(ErrorCode.OUT_OF_RANGE, str(error)) from None
    return text


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
