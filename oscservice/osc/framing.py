"""OSC packets on a byte stream: SLIP (RFC 1055; the framing of the OSC 1.1 paper, NIME 2009) and size-count (OSC 1.0).

The first byte a peer sends says which one it speaks: ``c0`` begins a SLIP packet, ``00`` is the high byte of a size
below 16 MiB. A peer is answered in its own framing. Memory is bounded: a size is checked before its packet is waited
for, and a SLIP packet that grows beyond the limit is thrown away while it comes. Pure: no socket here.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from oscservice.osc.packet import MAX_STREAM_BYTES

Framing: TypeAlias = Literal["", "slip", "count"]

SLIP_FIRST_BYTE = 0xC0
COUNT_FIRST_BYTE = 0x00

_END, _ESC = b"\xc0", b"\xdb"
_ESCAPED_END, _ESCAPED_ESC = b"\xdc", b"\xdd"
_PLAIN = {_ESCAPED_END: _END, _ESCAPED_ESC: _ESC}


class FramingError(ValueError):
    """A stream that can't be followed any further: the connection has to be closed. ``str()`` is a fixed reason.

    ``before`` are the whole packets of the same read that came ahead of the fault.
    """

    def __init__(self, reason: str, before: tuple[bytes, ...] = ()) -> None:
        super().__init__(reason)
        self.before = before


def slip(packet: bytes) -> bytes:
    """A packet between two END bytes, with END and ESC inside it escaped (RFC 1055)."""
    inner = packet.replace(_ESC, _ESC + _ESCAPED_ESC).replace(_END, _ESC + _ESCAPED_END)
    return _END + inner + _END


def counted(packet: bytes) -> bytes:
    """A packet behind its size in bytes, as a big-endian int32 (OSC 1.0)."""
    return len(packet).to_bytes(4, "big", signed=True) + packet


class Framer:
    """Cuts the bytes of one connection into packets, however the reads are cut.

    Args:
        largest: bytes a packet may have.

    Attributes:
        framing: what the peer speaks; empty until its first byte has come.
        refused: SLIP packets thrown away so far, for a bad escape or for their size. The stream goes on behind them.
    """

    def __init__(self, largest: int = MAX_STREAM_BYTES) -> None:
        self.framing: Framing = ""
        self.refused = 0
        self._largest = largest
        self._held = bytearray()
        self._skipping = False
        self._fault = ""

    @property
    def held_bytes(self) -> int:
        """Bytes kept of a packet whose end has not come: never more than twice the largest packet."""
        return len(self._held)

    def feed(self, data: bytes) -> list[bytes]:
        """The packets that are whole once ``data`` has come. Empty ones, between two END bytes, are left out.

        Raises:
            FramingError: neither framing, or a size that is not positive, not a multiple of 4 or beyond the limit.
                Every later call raises it again.
        """
        if self._fault:
            raise FramingError(self._fault)
        if not data:
            return []
        if not self.framing:
            if data[0] == SLIP_FIRST_BYTE:
                self.framing = "slip"
            elif data[0] == COUNT_FIRST_BYTE:
                self.framing = "count"
            else:
                raise self._lost("the first byte is neither of SLIP nor of a size", [])
        return self._slip(data) if self.framing == "slip" else self._counted(data)

    def frame(self, packet: bytes) -> bytes:
        """A packet in the peer's framing; behind its size as long as the peer has sent nothing."""
        return slip(packet) if self.framing == "slip" else counted(packet)

    def _lost(self, reason: str, before: list[bytes]) -> FramingError:
        self._fault = reason
        self._held.clear()
        return FramingError(reason, tuple(before))

    def _slip(self, data: bytes) -> list[bytes]:
        whole: list[bytes] = []
        *ended, rest = data.split(_END)
        for piece in ended:
            self._hold(piece)
            packet = b"" if self._skipping else _plain(self._held)
            if packet is None or len(packet) > self._largest:
                self.refused += 1
            elif packet:
                whole.append(packet)
            self._held.clear()
            self._skipping = False
        self._hold(rest)
        return whole

    def _hold(self, piece: bytes) -> None:
        if self._skipping:
            return
        if len(self._held) + len(piece) > 2 * self._largest:  # too large even if every byte is escaped
            self._skipping = True
            self._held.clear()
            self.refused += 1
        else:
            self._held += piece

    def _counted(self, data: bytes) -> list[bytes]:
        self._held += data
        whole: list[bytes] = []
        at = 0
        while len(self._held) - at >= 4:
            size = int.from_bytes(self._held[at : at + 4], "big", signed=True)
            if size <= 0 or size % 4:
                raise self._lost("a packet's size is not a positive multiple of 4", whole)
            if size > self._largest:
                raise self._lost(f"a packet larger than {self._largest} bytes", whole)
            if len(self._held) - at - 4 < size:
                break
            whole.append(bytes(self._held[at + 4 : at + 4 + size]))
            at += 4 + size
        del self._held[:at]
        return whole


def _plain(held: bytearray) -> bytes | None:
    """Return the byte that SLIP has escaped; None for an escape that is none."""
    first, *escaped = bytes(held).split(_ESC)
    if any(piece[:1] not in _PLAIN for piece in escaped):
        return None
    return first + b"".join(_PLAIN[piece[:1]] + piece[1:] for piece in escaped)
