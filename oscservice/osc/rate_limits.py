"""Limits: packets a second of one sender, whose turn it is, and how often one complaint is logged. Pure: the time is an
argument.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable
from typing import Generic, TypeVar

T = TypeVar("T")

TURN_S = 0.002
"""Seconds that packets of one socket are taken in one turn of the loop. Then everything else has its turn."""

MAX_WAITING = 1024


class TokenBuckets:
    """A token bucket a source: ``rate`` packets a second on average, ``rate`` at once after a second's rest.

    Args:
        rate: packets a second.
        sources: how many sources are remembered; beyond that, those at rest are forgotten, then the oldest.
    """

    def __init__(self, rate: float, sources: int = 1024) -> None:
        self._rate = rate
        self._sources = sources
        self._buckets: dict[Hashable, tuple[float, float]] = {}

    def __len__(self) -> int:
        return len(self._buckets)

    def allow(self, source: Hashable, now: float) -> bool:
        """Take one token of ``source`` at the time ``now`` in seconds; False if none is left."""
        tokens = self._tokens(source, now)
        allowed = tokens >= 1.0
        if source not in self._buckets and len(self._buckets) >= self._sources:
            self._forget(now)
        self._buckets[source] = (tokens - 1.0 if allowed else tokens, now)
        return allowed

    def wait_s(self, source: Hashable, now: float) -> float:
        """Return the seconds until ``source`` has a token; 0 if it has one."""
        return max(0.0, (1.0 - self._tokens(source, now)) / self._rate)

    def spend(self, source: Hashable, count: int) -> None:
        """Take more tokens of a source that was allowed one, even if it does not have them."""
        if source in self._buckets:
            tokens, since = self._buckets[source]
            self._buckets[source] = (tokens - count, since)

    def _tokens(self, source: Hashable, now: float) -> float:
        tokens, since = self._buckets.get(source, (self._rate, now))
        return min(self._rate, tokens + (now - since) * self._rate)

    def _forget(self, now: float) -> None:
        self._buckets = {s: (tokens, since) for s, (tokens, since) in self._buckets.items() if now - since < 1.0}
        while len(self._buckets) >= self._sources:
            del self._buckets[next(iter(self._buckets))]


class LogThrottle:
    """Lets one line a second through for each cause, and says how many were held back since the last."""

    def __init__(self) -> None:
        self._seen: dict[str, tuple[float, int]] = {}

    def admit(self, cause: str, now: float) -> int | None:
        """Return the number of lines held back since the last one, or None if this one is to be held back too."""
        since, held = self._seen.get(cause, (float("-inf"), 0))
        if now - since < 1.0:
            self._seen[cause] = (since, held + 1)
            return None
        self._seen[cause] = (now, 0)
        return held


class FairQueue(Generic[T]):
    """Items that wait to be carried out: each source has its turn, and the order of one source is kept.

    Args:
        most: items that may wait altogether. Beyond that, the source with the most gives way.
    """

    def __init__(self, most: int = MAX_WAITING) -> None:
        self._most = most
        self._queues: dict[Hashable, deque[T]] = {}
        self._waiting = 0

    def __len__(self) -> int:
        return self._waiting

    def put(self, source: Hashable, item: T) -> T | None:
        """Let an item wait; return the one that has to go for it, if one has."""
        self._queues.setdefault(source, deque()).append(item)
        self._waiting += 1
        if self._waiting <= self._most:
            return None
        longest = max(self._queues, key=lambda one: len(self._queues[one]))
        gone = self._queues[longest].pop()
        self._taken(longest)
        return gone

    def take(self) -> T:
        """Return the next item: the oldest of the source whose turn it is. Raises IndexError: nothing waits."""
        source = next(iter(self._queues), None)
        if source is None:
            raise IndexError("nothing waits")
        queue = self._queues.pop(source)
        self._queues[source] = queue  # last in turn from now on
        item = queue.popleft()
        self._taken(source)
        return item

    def _taken(self, source: Hashable) -> None:
        self._waiting -= 1
        if not self._queues[source]:
            del self._queues[source]
