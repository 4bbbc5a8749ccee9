"""Who is sent the state, and until when. Pure: the time is an argument.

A lease is the only thing that ends a stream to a client that is gone, since UDP never says so. It is long enough for
a surface that can send nothing but a ping once a minute. Values go only to the address that asked: the sender's own
IP, with another port if the client listens on a second socket.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from oscservice.osc.codes import ErrorCode, OscRefusal

Endpoint: TypeAlias = tuple[str, int]
"""IP address and UDP port."""

LEASE_S = 120.0
MAX_SUBSCRIBERS = 32
MAX_PER_HOST = 8
LOWEST_PORT = 1024


@dataclass(frozen=True)
class _Lease:
    sender: Endpoint
    ends: float


class Subscribers:
    """The leases, by the endpoint that values are sent to.

    Args:
        lease_s: seconds a lease lasts from the client's last message.
        limit: leases altogether.
        per_host: leases an IP address may hold.
    """

    def __init__(self, lease_s: float = LEASE_S, limit: int = MAX_SUBSCRIBERS, per_host: int = MAX_PER_HOST) -> None:
        self.lease_s = lease_s
        self._limit = limit
        self._per_host = per_host
        self._leases: dict[Endpoint, _Lease] = {}

    def __len__(self) -> int:
        return len(self._leases)

    def subscribe(self, sender: Endpoint, now: float, reply_port: int | None = None) -> Endpoint:
        """Take or renew a lease; returns the endpoint that values are sent to.

        Raises:
            OscRefusal: the port is below 1024 (code 3), or there are too many subscribers (code 7).
        """
        target = _target(sender, reply_port)
        if not LOWEST_PORT <= target[1] <= 65535:
            raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"port {target[1]} is not from {LOWEST_PORT} to 65535")
        self.expire(now)
        if target not in self._leases:
            if len(self._leases) >= self._limit:
                raise OscRefusal(ErrorCode.TOO_MANY, f"{self._limit} subscribers already; unsubscribe one")
            if sum(host == target[0] for host, _ in self._leases) >= self._per_host:
                text = f"{self._per_host} subscribers at {target[0]} already; unsubscribe one"
                raise OscRefusal(ErrorCode.TOO_MANY, text)
        self._leases[target] = _Lease(sender, now + self.lease_s)
        return target

    def unsubscribe(self, sender: Endpoint, reply_port: int | None = None) -> Endpoint:
        """End a lease; returns the endpoint it was for.

        Without a port, the leases this sender took are looked through if none is for its own port.

        Raises:
            OscRefusal: there is no such lease (code 5).
        """
        target = _target(sender, reply_port)
        if target not in self._leases and reply_port is None:
            target = next((t for t, lease in self._leases.items() if lease.sender == sender), target)
        if self._leases.pop(target, None) is None:
            raise OscRefusal(ErrorCode.NOT_FOUND, f"no subscription for port {target[1]}")
        return target

    def renew(self, sender: Endpoint, now: float) -> None:
        """Renew the leases of a client that has just sent anything, from the port it listens on or subscribed from."""
        for target, lease in self._leases.items():
            if sender in (target, lease.sender) and lease.ends > now:
                self._leases[target] = _Lease(lease.sender, now + self.lease_s)

    def expire(self, now: float) -> list[Endpoint]:
        """Forget the leases that have ended; returns the endpoints they were for."""
        ended = [target for target, lease in self._leases.items() if lease.ends <= now]
        for target in ended:
            del self._leases[target]
        return ended

    def targets(self) -> list[Endpoint]:
        """Where values are sent, oldest lease first."""
        return list(self._leases)

    def next_end(self) -> float | None:
        """When the next lease ends if nobody renews it; None without leases."""
        return min((lease.ends for lease in self._leases.values()), default=None)


def _target(sender: Endpoint, reply_port: int | None) -> Endpoint:
    return sender[0], sender[1] if reply_port is None else reply_port
