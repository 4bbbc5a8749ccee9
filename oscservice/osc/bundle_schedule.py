"""Bundles that wait for their time. Bounded, and nothing else is held up meanwhile."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from itertools import count

MAX_SCHEDULED = 256
MAX_AHEAD_S = 10.0


class BundleSchedule:
    """Calls things at their time, each in one piece: what belongs together in a bundle runs together (OSC 1.0)."""

    def __init__(self) -> None:
        self._waiting: dict[int, asyncio.TimerHandle] = {}
        self._numbers = count()

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def full(self) -> bool:
        """Whether nothing more can wait."""
        return len(self._waiting) >= MAX_SCHEDULED

    def add(self, ahead_s: float, call: Callable[[], None]) -> None:
        """Call something so many seconds from now. Needs a running loop."""
        number = next(self._numbers)

        def due() -> None:
            del self._waiting[number]
            call()

        self._waiting[number] = asyncio.get_running_loop().call_later(ahead_s, due)

    def close(self) -> None:
        """Call nothing more."""
        for timer in self._waiting.values():
            timer.cancel()
        self._waiting.clear()
