"""Answers: what they look like, how long they may be, and the request id that comes back with them.

A sender's address on a network can be forged. So an answer to a peer whose address is not proved may not be much
longer than the packet it answers: else the daemon would multiply what a forger sends, at somebody else.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oscservice.api.argument_values import ErrorCode
from oscservice.osc.packet import Message, Value, encode

ANSWER_GROWTH = 3
"""All answers to a packet together stay shorter than this many times the packet, where that is limited."""

HEADER_BYTES = 48
"""Of a datagram: 40 of IPv6 (RFC 8200), 8 of UDP (RFC 768). IPv4 needs less."""

_ID = re.compile(r"id=[A-Za-z0-9._-]{1,32}")
_LONGEST_TEXT = 500
_TOO_LONG = "the answer is too long for an address that is not proved: subscribe, confirm; or use TCP"


def take_id(message: Message) -> tuple[Message, str]:
    """A message without its request id, and the id: a last string argument ``id=…``; empty for none."""
    last = message.args[-1] if message.args and message.tags[-1] in "sS" else None
    if isinstance(last, str) and _ID.fullmatch(last):
        return replace(message, args=message.args[:-1], tags=message.tags[:-1]), last
    return message, ""


def _padded(text: str) -> int:
    """Bytes of an OSC string."""
    return len(text.encode()) // 4 * 4 + 4


class ReplyBudget:
    """How many bytes may yet be sent in answer to one packet; ``limited`` or not.

    The limit holds twice: for what the packets carry, and for the packets as they travel, each with its headers.
    """

    def __init__(self, packet_bytes: int, *, limited: bool) -> None:
        self._limited = limited
        self._carried = ANSWER_GROWTH * packet_bytes - 1
        self._travelling = ANSWER_GROWTH * (packet_bytes + HEADER_BYTES) - 1

    @property
    def left(self) -> int | None:
        """Bytes the next answer may have; None for any number."""
        return min(self._carried, self._travelling - HEADER_BYTES) if self._limited else None

    def take(self, size: int) -> bool:
        """Spend so many bytes, if they are there."""
        if self.left is not None and size > self.left:
            return False
        self._carried -= size
        self._travelling -= size + HEADER_BYTES
        return True


class ReplyEncoder:
    """Makes ``/reply`` and ``/error`` messages under a root."""

    def __init__(self, prefix: str) -> None:
        self._reply = prefix + "/reply"
        self._error = prefix + "/error"

    def reply(self, about: str, values: Sequence[Value | np.generic], request_id: str = "") -> bytes:
        """The answer to what was carried out. Raises ValueError: the values can't be sent."""
        return encode(self._reply, about, *values, *([request_id] if request_id else []))

    def error(self, about: str, code: ErrorCode, text: str, request_id: str = "") -> bytes:
        """The answer to what was not carried out."""
        one_line = " ".join(text.replace("\0", " ").encode("utf-8", "replace").decode("utf-8").split())
        ids = [request_id] if request_id else []
        return encode(self._error, about, int(code), one_line[:_LONGEST_TEXT], *ids)

    def fitting(self, packet: bytes, about: str, request_id: str, purse: ReplyBudget) -> bytes | None:
        """A reply that the purse allows, or an error that says it is too long, or None where not even that fits."""
        if purse.take(len(packet)):
            return packet
        return self.fitting_error(about, ErrorCode.REFUSED, _TOO_LONG, request_id, purse)

    def fitting_error(
        self, about: str, code: ErrorCode, text: str, request_id: str, purse: ReplyBudget
    ) -> bytes | None:
        """An error whose text is cut to what the purse allows, or None where not even its code fits."""
        ids = [request_id] if request_id else []
        shortest = 4 + sum(map(_padded, (self._error, ",sis" + "s" * len(ids), about, "", *ids)))
        if purse.left is not None and purse.left < shortest:
            return None
        whole = self.error(about, code, text, request_id)
        if purse.take(len(whole)):
            return whole
        assert purse.left is not None  # or it would have been taken
        room = purse.left - shortest
        # An empty text takes four bytes already: its NUL and the padding. It is cut as bytes, at a character's end.
        cut = text.encode("utf-8", "replace")[: max(0, room - room % 4 + 3)].decode("utf-8", "ignore")
        packet = self.error(about, code, cut, request_id)
        return packet if purse.take(len(packet)) else None
