"""Checks of recordings while the daemon runs: one at a time, each in a process of its own, so that neither the ears nor
the loop are disturbed. No step of a session, and possible in every phase.
"""

from __future__ import annotations

import asyncio
import logging
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from oscservice.daemon.errand import ErrandFailed, Returned, errand
from oscservice.daemon.recorded import ended, recorded
from oscservice.daemon.sets import Sets
from oscservice.daemon.told import Topic
from oscservice.osc.codes import ErrorCode, OscRefusal

log = logging.getLogger(__name__)

LONGEST_S = 600.0
MOST_BYTES = 1_000_000


def checking(manifest: Path) -> list[str]:
    """The command line that checks a set on one core and prints the result as JSON."""
    here = (sys.executable, "-m", "oscservice")
    return [*here, "check", "--manifest", str(manifest), "--json", "-", "--jobs", "1"]


class Checks:
    """The checks of one daemon.

    Args:
        sets: which sets there are.
        publish: sends values to subscribers.
        say: tells a line to everybody, and lets the topics go out that have changed; after what is being answered.
        words: the command line for a manifest.
        longest_s: how long a check may take.
    """

    def __init__(
        self,
        sets: Sets,
        publish: Callable[[dict[str, Topic]], None],
        say: Callable[[str], None],
        *,
        words: Callable[[Path], Sequence[str]] = checking,
        longest_s: float = LONGEST_S,
    ) -> None:
        self._sets = sets
        self._publish = publish
        self._say = say
        self._words = words
        self._longest_s = longest_s
        self._running = ""
        self._task: asyncio.Task[str] | None = None

    def topics(self) -> dict[str, Topic]:
        """Which set is being checked."""
        return {"/check/running": (self._running,)}

    def names(self) -> list[str]:
        """The sets that can be checked."""
        return self._sets.names()

    def run(self, name: str) -> None:
        """Begin to check a set. Raises OscRefusal: no such set, or another check is under way."""
        if self._task is not None:
            text = f"the set {self._running!r} is being checked; wait for its summary, or send check/stop"
            raise OscRefusal(ErrorCode.TOO_MANY, text)
        manifest = self._sets.manifest(name)
        if manifest is None:
            known = ", ".join(self.names()) or f"none yet: put a manifest into {self._sets.folder}"
            raise OscRefusal(ErrorCode.NOT_FOUND, f"no set of recordings is called {name!r}; there are: {known}")
        self._running = name
        self._task = asyncio.get_running_loop().create_task(self._check(name, manifest))
        self._task.add_done_callback(self._done)
        self._say(f"checking the set {name!r}")

    def stop(self) -> None:
        """End the check that is under way, if one is."""
        if self._task is not None:
            self._task.cancel()

    async def end(self) -> None:
        """End the check that is under way, and wait until its process is gone."""
        task = self._task
        if task is not None:
            task.cancel()
            await asyncio.wait([task])

    async def _check(self, name: str, manifest: Path) -> str:
        """Check a set, and send what it comes to; gives it as a sentence."""
        try:
            returned = await errand(self._words(manifest), longest_s=self._longest_s, most_bytes=MOST_BYTES)
        except ErrandFailed as failure:
            return self._close(ended(name, "failed", str(failure)))
        try:
            found = recorded(name, returned.out)
        except ValueError as error:
            return self._close(ended(name, "failed", _why(returned, str(error))))
        for row in found.rows:
            self._publish({"/check/recorded": row})
        return self._close(found.summary)

    def _done(self, task: asyncio.Task[str]) -> None:
        name, self._running, self._task = self._running, "", None
        if task.cancelled():
            sentence = self._close(ended(name, "stopped", "before it was done"))
        elif task.exception() is not None:
            log.error("a check failed inside", exc_info=task.exception())
            sentence = self._close(ended(name, "failed", "inside; the daemon's log says why"))
        else:
            sentence = task.result()
        self._say(sentence)

    def _close(self, summary: Topic) -> str:
        """Send the summary; gives its sentence."""
        self._publish({"/check/summary": summary})
        return str(summary[-1])


def _why(returned: Returned, otherwise: str) -> str:
    """Why a check that printed no result has none, in one line."""
    if returned.code < 0:
        return f"ended by signal {-returned.code}"
    complaint = returned.complaint.removeprefix("oscservice: ")
    return complaint or (otherwise if returned.out else f"ended with code {returned.code} and no result")
