"""The whole server without a socket, for storms: what it sends on a packet is kept, and every command is answered."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from one_handler import handled_by

from oscservice.api.argument_values import SIMULATOR
from oscservice.osc.address import Address
from oscservice.osc.packet import Value
from oscservice.osc.peer import Networks, Peer, Transport
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.osc.server import OscServer

NEAR = Peer("127.0.0.1", 5000)
FAR = Peer("192.0.2.7", 5000)  # a documentation address, RFC 5737
STREAM = Peer("127.0.0.1", 5001, Transport.TCP)
PEERS = (NEAR, FAR, STREAM)
NOW_S = 1_800_000_000.0
FILLED: dict[str, Value] = {"i": 1, "f": 0.5, "s": "text"}


class SocketlessServer:
    """A server whose clock goes on by a tenth of a second with every packet, so that no rate is exceeded.

    Args:
        keeps_calls: whether what the handler was asked for is kept, path, parameters and arguments.
    """

    def __init__(self, *, keeps_calls: bool = True) -> None:
        self.now = 0.0
        self.sent: list[tuple[Peer, bytes]] = []
        self.called: list[tuple[str, dict[str, int], tuple[Value, ...]]] = []
        self.on_call: Callable[[], object] = int
        self._keeps_calls = keeps_calls
        self.calls = 0
        space = handled_by(self._handle, 6, fret_count=22, items=("nut",), simulated=True)
        self.server = OscServer(
            lambda: space,
            snapshot=self._state,
            allowed=Networks(["192.0.2.0/24"]),
            clock=lambda: self.now,
            wall=lambda: NOW_S,
        )
        self.server.bound("127.0.0.1", 9000)
        for transport in Transport:
            self.server.attach(transport, self)

    def take(self, packet: bytes, sender: Peer) -> list[tuple[Peer, bytes]]:
        """Return the packets that are sent at once in answer to a packet."""
        self.sent.clear()
        self.now += 0.1
        self.server.receive(packet, sender)
        return list(self.sent)

    def _handle(
        self, address: Address, params: dict[str, int], args: tuple[Value, ...], sender: Peer
    ) -> Sequence[Value | np.generic]:
        self.calls += 1
        if self._keeps_calls:
            self.called.append((address.path, params, args))
        self.on_call()
        if address.group == SIMULATOR:
            raise OscRefusal(ErrorCode.WRONG_PHASE, "not possible now")
        return [FILLED[argument.tag] for argument in address.answer]

    @staticmethod
    def _state() -> dict[str, Sequence[Value]]:
        return {"/phase": ("tuning",), **{f"/string/{n}/saddle/moved": (0.0,) for n in range(1, 7)}}

    # The link

    def send(self, packet: bytes, peer: Peer) -> bool:
        self.sent.append((peer, packet))
        return True

    @property
    def lost(self) -> int:
        return 0

    def __len__(self) -> int:
        return 0

    def close(self) -> None:
        pass
