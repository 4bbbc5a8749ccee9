"""Packets that wait to be carried out: each source has its turn, whatever the others send. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable
from typing import Generic, TypeVar

T = TypeVar("T")

MAX_WAITING = 1024


class FairQueue(Generic[T]):
    """Queues by source, taken from in turn; the order of one source is kept.

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
        """Let an item wait; gives the one that has to go for it, if one has."""
        self._queues.setdefault(source, deque()).append(item)
        self._waiting += 1
        if self._waiting <= self._most:
            return None
        longest = max(self._queues, key=lambda one: len(self._queues[one]))
        gone = self._queues[longest].pop()
        self._taken(longest)
        return gone

    def take(self) -> T:
        """The next item: the oldest of the source whose turn it is. Raises IndexError: nothing waits."""
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
