"""OSC 1.0 packets: a strict decoder for what comes from the network, and an encoder for what is sent.

Every size is checked before it is trusted, so that no packet can hang the daemon or make it read beyond the packet: a
bundle element size of -4 makes lenient parsers loop for ever, and a few hundred nested bundles exhaust their stack.
A packet is good or bad as a whole: a bundle is atomic (OSC 1.0), so one bad message refuses all of it.

Sending is limited to ``i``, ``f`` and ``s``, the only types every client understands; and ``r`` for a surface that is
configured to be sent colours.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from pythonosc.osc_message_builder import OscMessageBuilder

from oscservice.osc.pattern import is_pattern
from oscservice.osc.peer import Transport

Value: TypeAlias = int | float | str
Decoded: TypeAlias = "int | float | str | bytes | bool | tuple[Decoded, ...] | None"

MAX_DATAGRAM_BYTES = 8192
MAX_STREAM_BYTES = 64 * 1024
"""The largest packet taken over TCP and WebSocket."""
MAX_ADDRESS_BYTES = 255
MAX_TAGS = 64
MAX_DEPTH = 8
MAX_ELEMENTS = 128
MAX_PATTERNS = 16
"""Address patterns in one packet. Each is compared with every command, and so costs more than any other message."""

NTP_UNIX_S = 2_208_988_800
"""NTP seconds of Unix time 0 (RFC 868, RFC 5905)."""
_NTP_ERA_S = 2**32
_INT32 = range(-(2**31), 2**31)
_BUNDLE = b"#bundle\0"


@dataclass(frozen=True)
class Colour:
    """A colour as OSC 1.0 has it (tag ``r``): red, green, blue and alpha, a byte each, red the highest."""

    rgba: int


class PacketError(ValueError):
    """A packet that is not OSC 1.0 or beyond the limits. ``str()`` is a fixed reason, so that it can be counted."""


@dataclass(frozen=True)
class Message:
    """One OSC message: address pattern, arguments, and type tags without the comma.

    Arguments by tag: ``i h t`` int (``t`` the raw 64-bit time tag), ``f d`` float, ``s S c`` str, ``b`` bytes, ``r``
    int, ``m`` 4 bytes, ``T`` and ``I`` True, ``F`` False, ``N`` None, ``[ ]`` a tuple. Floats may be NaN or infinite.
    """

    address: str
    args: tuple[Decoded, ...]
    tags: str


@dataclass(frozen=True)
class Timed:
    """A message and when it is due: Unix time in seconds, or None for at once."""

    due: float | None
    message: Message


class _Reader:
    """Reads aligned OSC fields off a message, and never beyond its end."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def take(self, size: int) -> bytes:
        if size > len(self.data) - self.at:
            raise PacketError("an argument ends beyond the packet")
        field = self.data[self.at : self.at + size]
        self.at += size
        return field

    def string(self) -> bytes:
        end = self.data.find(b"\0", self.at)
        if end < 0:
            raise PacketError("a string has no end")
        text = self.data[self.at : end]
        self.at += len(text)
        if any(self.take(4 - len(text) % 4)):
            raise PacketError("padding is not zero")
        return text

    def blob(self) -> bytes:
        size = int.from_bytes(self.take(4), "big", signed=True)
        if size < 0:
            raise PacketError("a blob has a negative size")
        content = self.take(size)
        if any(self.take(-size % 4)):
            raise PacketError("padding is not zero")
        return content


def decode_from(packet: bytes, transport: Transport) -> list[Timed]:
    """The same as :func:`decode`, of a packet of at most the size that its transport may bring."""
    return decode(packet, MAX_DATAGRAM_BYTES if transport is Transport.UDP else MAX_STREAM_BYTES)


def decode(packet: bytes, largest: int = MAX_DATAGRAM_BYTES) -> list[Timed]:
    """The messages of a packet of at most ``largest`` bytes, in the order they stand in.

    A nested bundle is due no earlier than the bundle around it.

    Raises:
        PacketError: the packet is malformed, has an unknown type tag, or is beyond the limits of this module.
    """
    if not packet or len(packet) % 4:
        raise PacketError("the size is not a multiple of 4")
    if len(packet) > largest:
        raise PacketError(f"larger than {largest} bytes")
    found: list[Timed] = []
    _element(packet, None, 0, found, [MAX_ELEMENTS])
    if sum(is_pattern(one.message.address) for one in found) > MAX_PATTERNS:
        raise PacketError(f"more than {MAX_PATTERNS} address patterns")
    return found


def _element(packet: bytes, due: float | None, depth: int, found: list[Timed], left: list[int]) -> None:
    """Append the messages of one message or bundle. ``left`` counts down the elements the whole packet may have."""
    if packet[:1] == b"/":
        found.append(Timed(due, _message(packet)))
        return
    if not packet.startswith(_BUNDLE) or len(packet) < 16:
        raise PacketError("neither a message nor a bundle")
    if depth == MAX_DEPTH:
        raise PacketError(f"bundles nested deeper than {MAX_DEPTH}")
    own = unix_time(int.from_bytes(packet[8:16], "big"))
    due = max((t for t in (due, own) if t is not None), default=None)
    at = 16
    while at < len(packet):
        size = int.from_bytes(packet[at : at + 4], "big", signed=True)
        at += 4
        if size <= 0 or size % 4 or size > len(packet) - at:
            raise PacketError("a bundle element has a wrong size")
        left[0] -= 1
        if left[0] < 0:
            raise PacketError(f"more than {MAX_ELEMENTS} bundle elements")
        _element(packet[at : at + size], due, depth + 1, found, left)
        at += size


def _message(packet: bytes) -> Message:
    reader = _Reader(packet)
    address = reader.string()
    if len(address) > MAX_ADDRESS_BYTES:
        raise PacketError(f"an address longer than {MAX_ADDRESS_BYTES} bytes")
    if any(not 0x20 <= byte <= 0x7E for byte in address):
        raise PacketError("an address is not printable ASCII")
    if reader.at == len(packet):  # old senders leave the type tag string out
        return Message(address.decode("ascii"), (), "")
    tags = reader.string()
    if not tags.startswith(b","):
        raise PacketError("no type tags")
    if len(tags) - 1 > MAX_TAGS:
        raise PacketError(f"more than {MAX_TAGS} type tags")
    arguments = _arguments(tags[1:], reader)
    if reader.at != len(packet):
        raise PacketError("bytes after the last argument")
    return Message(address.decode("ascii"), arguments, tags[1:].decode("ascii"))


def _arguments(tags: bytes, reader: _Reader) -> tuple[Decoded, ...]:
    open_arrays: list[list[Decoded]] = [[]]
    for tag in map(chr, tags):
        if tag == "[":
            open_arrays.append([])
        elif tag == "]":
            if len(open_arrays) == 1:
                raise PacketError("an array bracket has no partner")
            array = open_arrays.pop()
            open_arrays[-1].append(tuple(array))
        else:
            open_arrays[-1].append(_argument(tag, reader))
    if len(open_arrays) > 1:
        raise PacketError("an array bracket has no partner")
    return tuple(open_arrays[0])


_NUMBERS = {"i": ">i", "f": ">f", "h": ">q", "d": ">d", "t": ">Q", "r": ">I", "c": ">I"}
_CONSTANTS = {"T": True, "F": False, "I": True, "N": None}


def _argument(tag: str, reader: _Reader) -> Decoded:
    if tag in _CONSTANTS:
        return _CONSTANTS[tag]
    if tag in _NUMBERS:
        form = _NUMBERS[tag]
        (number,) = struct.unpack(form, reader.take(struct.calcsize(form)))
        if tag != "c":
            return number  # type: ignore[no-any-return]
        if number > 0x7F:
            raise PacketError("a character is not ASCII")
        return chr(number)
    if tag in "sS":
        try:
            return reader.string().decode("utf-8")
        except UnicodeDecodeError:
            raise PacketError("a string is not UTF-8") from None
    if tag == "b":
        return reader.blob()
    if tag == "m":
        return reader.take(4)
    raise PacketError("an unknown type tag")


def unix_time(time_tag: int) -> float | None:
    """Unix time in seconds of a 64-bit NTP time tag; None for "immediately" (tag 1) and for an unset tag (seconds 0).

    NTP seconds wrap in February 2036. As RFC 4330 section 3 says, seconds with a clear top bit count from there.
    """
    seconds, fraction = time_tag >> 32, time_tag & 0xFFFF_FFFF
    if seconds == 0:
        return None
    era_s = 0 if seconds & 0x8000_0000 else _NTP_ERA_S
    return era_s + seconds - NTP_UNIX_S + fraction / 2**32


def encode(address: str, *args: Value | Colour | np.generic) -> bytes:
    """One OSC message: ints and booleans as ``i``, floats as ``f``, strings as ``s``; numpy scalars likewise.

    Raises:
        ValueError: an int beyond 32 bits, a float that is not finite or beyond float32, a string with a NUL, an
            address that is not plain printable ASCII, a packet over 8192 bytes, or any other type.
    """
    if (
        not address.startswith("/")
        or not address.isascii()
        or not address.isprintable()
        or set(address) & set(" #*,?[]{}")
    ):
        raise ValueError(f"{address!r} is not an OSC address")
    builder = OscMessageBuilder(address)
    for arg in args:
        builder.add_arg(*_sendable(address, arg))
    packet: bytes = builder.build().dgram
    if len(packet) > MAX_DATAGRAM_BYTES:
        raise ValueError(f"{address}: {len(packet)} bytes do not fit a datagram of {MAX_DATAGRAM_BYTES}")
    return packet


def _sendable(address: str, arg: object) -> tuple[Value, str]:
    if isinstance(arg, np.generic):
        arg = arg.item()
    if isinstance(arg, int):
        if arg not in _INT32:
            raise ValueError(f"{address}: {arg} does not fit 32 bits")
        return int(arg), "i"
    if isinstance(arg, float | np.floating):
        number = float(arg)
        try:
            struct.pack(">f", number)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise ValueError(f"{address}: {arg!r} is not a finite 32-bit float")
        return number, "f"
    if isinstance(arg, Colour):
        return arg.rgba, "r"
    if isinstance(arg, str):
        if "\0" in arg:
            raise ValueError(f"{address}: a string holds a NUL character")
        arg.encode("utf-8")  # a lone surrogate raises UnicodeEncodeError, which is a ValueError
        return str(arg), "s"
    raise ValueError(f"{address}: {type(arg).__name__} has no OSC type here")
