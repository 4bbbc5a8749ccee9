"""Checks of named sets of recordings while the daemon runs, each in a process of its own.

Named sets of recordings, which may be checked by name: what comes from a network never names a path.

A program run beside the daemon: in a process of its own, niced, for so long and with so much to say at most.

Checks of recordings while the daemon runs: one at a time, each in a process of its own, so that neither the ears nor
the loop are disturbed. No step of a session, and possible in every phase.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import re
import signal
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from oscservice.api.check_messages import ended, recorded
from oscservice.api.topics import Topic
from oscservice.osc.refusal import ErrorCode, OscRefusal

SET_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,39}")

MOST_LISTED = 60
"""So many names are told at most: an answer then fits into one message."""


@dataclass(frozen=True)
class Sets:
    """Manifests by name.

    Attributes:
        folder: its TOML files are sets by their bare names; None for no folder.
        named: manifests by the names that the settings give them; they win over files of the same name.
    """

    folder: Path | None = None
    named: Mapping[str, Path] = field(default_factory=dict)

    def names(self) -> list[str]:
        """Every set there is now, in order, at most ``MOST_LISTED``."""
        try:
            files = [one.stem for one in self.folder.glob("*.toml") if one.is_file()] if self.folder else []
        except OSError:
            files = []
        there = {name for name in files if SET_NAME.fullmatch(name)} | set(self.named)
        return sorted(there)[:MOST_LISTED]

    def manifest(self, name: str) -> Path | None:
        """The manifest of a set; None if there is none of that name."""
        if name in self.named:
            return self.named[name]
        if self.folder is None or SET_NAME.fullmatch(name) is None:
            return None
        file = self.folder / f"{name}.toml"
        try:
            return file if file.is_file() else None
        except OSError:
            return None


NICE = 10
"""How far it is niced below the daemon: what the ears and the loop need comes first."""

_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
_MOST_COMPLAINT_BYTES = 4096
_GONE_S = 5.0


class ErrandFailed(Exception):
    """It took too long, said too much, or could not be started; one line why."""


@dataclass(frozen=True)
class Returned:
    """What a program came to: its exit code (negative: the signal that ended it), what it printed, and the last line of
    its standard error."""

    code: int
    out: bytes
    complaint: str


async def errand(words: Sequence[str], *, longest_s: float, most_bytes: int) -> Returned:
    """Run a program to its end. When this is cancelled, it is killed, with all that it has started.

    Args:
        words: the program and its arguments; no shell is asked.
        longest_s: how long it may take.
        most_bytes: how much it may print.

    Raises:
        ErrandFailed: it could not be started, took longer or printed more.
    """
    try:
        process = await asyncio.create_subprocess_exec(
            *words,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, **_ONE_THREAD},
            start_new_session=True,
        )
    except OSError as error:
        raise ErrandFailed(f"can't be started: {error}") from None
    assert process.stdout is not None
    assert process.stderr is not None
    try:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.setpriority(os.PRIO_PROCESS, process.pid, min(os.getpriority(os.PRIO_PROCESS, 0) + NICE, 19))
        async with asyncio.timeout(longest_s):
            complaint = asyncio.create_task(_last_line(process.stderr))
            try:
                out = await _all(process.stdout, most_bytes)
                return Returned(await process.wait(), out, await complaint)
            finally:
                complaint.cancel()
                await asyncio.wait([complaint])
    except TimeoutError:
        raise ErrandFailed(f"not done after {longest_s:g} s") from None
    finally:
        await _ended(process)


async def _all(stream: asyncio.StreamReader, most_bytes: int) -> bytes:
    data = bytearray()
    while chunk := await stream.read(65536):
        data += chunk
        if len(data) > most_bytes:
            raise ErrandFailed(f"printed more than {most_bytes} bytes")
    return bytes(data)


async def _last_line(stream: asyncio.StreamReader) -> str:
    data = b""
    while chunk := await stream.read(65536):
        data = (data + chunk)[-_MOST_COMPLAINT_BYTES:]
    lines = [line for line in data.decode("utf-8", "replace").splitlines() if line.strip()]
    return lines[-1].strip() if lines else ""


async def _ended(process: asyncio.subprocess.Process) -> None:
    """Kill what still runs of a program, and wait until it is gone."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(process.communicate(), _GONE_S)  # to the end of its pipes, which closes them


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
