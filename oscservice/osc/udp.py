"""OSC over UDP. The socket is read in small batches, so that a flood leaves the loop free."""

from __future__ import annotations

import asyncio
import logging
import os
import socket
from pathlib import Path

from oscservice.osc.link import PacketReceiver
from oscservice.osc.packet import MAX_DATAGRAM_BYTES
from oscservice.osc.peer import Peer
from oscservice.osc.rate_limits import TURN_S, FairQueue

LARGEST_READ = MAX_DATAGRAM_BYTES + 4
"""A longer datagram is cut, and refused. So datagrams that wait take bounded memory."""
BATCH_READ = 256
"""Datagrams read in one turn of the loop: reading one a turn costs most of a processor under a flood."""

LOST_EVERY_S = 0.1

_TABLES = (Path("/proc/net/udp"), Path("/proc/net/udp6"))

log = logging.getLogger(__name__)


class UdpLink:
    """A bound UDP socket on the running loop.

    Args:
        bound: the socket, non-blocking.
        receiver: takes the packets.
    """

    def __init__(self, bound: socket.socket, receiver: PacketReceiver) -> None:
        self._lost = (float("-inf"), 0)
        self._waiting: FairQueue[tuple[bytes, Peer]] = FairQueue()
        self._working: asyncio.Handle | None = None
        self._socket = bound
        self._receiver = receiver
        self._loop = asyncio.get_running_loop()
        self._inode = os.fstat(bound.fileno()).st_ino
        self._loop.add_reader(bound.fileno(), self._readable)

    def __len__(self) -> int:
        return 0

    @property
    def lost(self) -> int:
        """Datagrams that the system threw away because they came faster than they were read; 0 where it doesn't say.

        Looked up at most ten times a second, however often clients ask for the status.
        """
        now = self._loop.time()
        if now - self._lost[0] >= LOST_EVERY_S:
            self._lost = now, self._looked_up()
        return self._lost[1]

    def _looked_up(self) -> int:
        for table in _TABLES:
            try:
                found = lost_packets(table.read_text(encoding="ascii"), self._inode)
            except (OSError, ValueError):
                continue
            if found is not None:
                return found
        return 0

    def send(self, packet: bytes, peer: Peer) -> bool:
        try:
            self._socket.sendto(packet, (peer.host, peer.port))
        except OSError as error:  # the buffer is full, or there is no way there
            log.debug("sending to %s failed: %s", peer, error)
            return False
        return True

    def close(self) -> None:
        if self._working is not None:
            self._working.cancel()
        self._loop.remove_reader(self._socket.fileno())
        self._socket.close()

    def _readable(self) -> None:
        """Read the packets that have come, and let those that are admitted wait: the system's own buffer would fill,
        and lose packets at random."""
        end = self._loop.time() + TURN_S
        for _ in range(BATCH_READ):
            try:
                packet, address = self._socket.recvfrom(LARGEST_READ)
            except BlockingIOError:
                break
            except OSError as error:  # the system reports that an earlier packet did not arrive
                log.debug("receiving failed: %s", error)
                continue
            sender = Peer(address[0], address[1])
            if self._receiver.admit(sender):
                gone = self._waiting.put(sender.source, (packet, sender))
                if gone is not None:
                    self._receiver.drop(gone[1])
            if self._loop.time() >= end:
                break
        if self._waiting and self._working is None:
            self._work()

    def _work(self) -> None:
        """Carry out the packets that wait, for as long as a turn of the loop may last."""
        self._working = None
        end = self._loop.time() + TURN_S
        while self._waiting and self._socket.fileno() >= 0:
            self._receiver.carry_out(*self._waiting.take())
            if self._loop.time() >= end:
                break
        if self._waiting and self._socket.fileno() >= 0:
            self._working = self._loop.call_soon(self._work)


def lost_packets(table: str, inode: int) -> int | None:
    """Return a socket's dropped datagrams in the kernel's table of UDP sockets (proc(5)); None if it isn't there.

    The inode is tenth in a line, the drops are last.
    """
    for line in table.splitlines()[1:]:
        fields = line.split()
        if len(fields) > 12 and fields[9] == str(inode):
            return int(fields[-1])
    return None
