"""Checks of named sets of recordings while the daemon runs.

A client names a set, never a path. One check runs at a time, in a process of its own with a low priority and with
limits on its time and its output, so that it disturbs neither the audio thread nor the event loop. A check is no step
of a session, and it is possible in every phase.
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

from oscservice.api.check_messages import RecordedCheck, ended, recorded
from oscservice.api.topics import Topic
from oscservice.osc.refusal import ErrorCode, OscRefusal

log = logging.getLogger(__name__)

SET_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,39}")

MOST_LISTED = 60
"""Largest number of names in an answer, which has to fit into one message."""


@dataclass(frozen=True)
class RecordingSets:
    """Manifests by name.

    Attributes:
        folder: each TOML file in it is a set, named like the file; None for no folder.
        named: manifests by the names that the settings give them; they win over files of the same name.
    """

    folder: Path | None = None
    named: Mapping[str, Path] = field(default_factory=dict)

    def names(self) -> list[str]:
        """Return the names of the sets there are now, in order, at most ``MOST_LISTED``."""
        try:
            files = [one.stem for one in self.folder.glob("*.toml") if one.is_file()] if self.folder else []
        except OSError:
            files = []
        there = {name for name in files if SET_NAME.fullmatch(name)} | set(self.named)
        return sorted(there)[:MOST_LISTED]

    def manifest(self, name: str) -> Path | None:
        """Return the manifest of a set; None if there is no such set."""
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
"""Niceness of the process above that of the daemon: audio thread and event loop come first."""

_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
_MOST_ERROR_BYTES = 4096
_KILL_TIMEOUT_S = 5.0


class ProgramFailed(Exception):
    """A program took too long, printed too much, or could not be started; its text is the reason in one line."""


@dataclass(frozen=True)
class ProgramResult:
    """Result of a program.

    Attributes:
        code: its exit code; negative: the signal that ended it.
        out: its standard output.
        error_line: the last line of its standard error.
    """

    code: int
    out: bytes
    error_line: str


async def run_program(command_line: Sequence[str], *, timeout_s: float, most_bytes: int) -> ProgramResult:
    """Run a program to its end and return its result. On cancellation it is killed, with all that it has started.

    Args:
        command_line: the program and its arguments; no shell is involved.
        timeout_s: the longest time it may take.
        most_bytes: the most it may print.

    Raises:
        ProgramFailed: it could not be started, took longer or printed more.
    """
    try:
        process = await asyncio.create_subprocess_exec(
            *command_line,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, **_ONE_THREAD},
            start_new_session=True,
        )
    except OSError as error:
        raise ProgramFailed(f"can't be started: {error}") from None
    assert process.stdout is not None
    assert process.stderr is not None
    try:
        _lower_priority(process)
        async with asyncio.timeout(timeout_s):
            error_line = asyncio.create_task(_last_line(process.stderr))
            try:
                out = await _all(process.stdout, most_bytes)
                return ProgramResult(await process.wait(), out, await error_line)
            finally:
                error_line.cancel()
                await asyncio.wait([error_line])
    except TimeoutError:
        raise ProgramFailed(f"not done after {timeout_s:g} s") from None
    finally:
        await _end(process)


async def _all(stream: asyncio.StreamReader, most_bytes: int) -> bytes:
    data = bytearray()
    while chunk := await stream.read(65536):
        data += chunk
        if len(data) > most_bytes:
            raise ProgramFailed(f"printed more than {most_bytes} bytes")
    return bytes(data)


async def _last_line(stream: asyncio.StreamReader) -> str:
    data = b""
    while chunk := await stream.read(65536):
        data = (data + chunk)[-_MOST_ERROR_BYTES:]
    lines = [line for line in data.decode("utf-8", "replace").splitlines() if line.strip()]
    return lines[-1].strip() if lines else ""


def _lower_priority(process: asyncio.subprocess.Process) -> None:
    """Let audio thread and event loop come first, where a process has a niceness."""
    if sys.platform != "win32":
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.setpriority(os.PRIO_PROCESS, process.pid, min(os.getpriority(os.PRIO_PROCESS, 0) + NICE, 19))


async def _end(process: asyncio.subprocess.Process) -> None:
    """Kill a program and its children if they still run, and wait until they have ended. Without process groups
    (Windows) only the program itself is killed."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            if sys.platform == "win32":
                process.kill()
            else:
                os.killpg(process.pid, signal.SIGKILL)
    with contextlib.suppress(TimeoutError):
        # This reads the pipes to their end, which closes them.
        await asyncio.wait_for(process.communicate(), _KILL_TIMEOUT_S)


CHECK_TIMEOUT_S = 600.0
MOST_BYTES = 1_000_000


def check_command_line(manifest: Path) -> list[str]:
    """Return the command line that checks a set on one core and prints the result as JSON."""
    program = (sys.executable, "-m", "oscservice")
    return [*program, "check", "--manifest", str(manifest), "--json", "-", "--jobs", "1"]


class RecordingChecks:
    """The checks of one daemon.

    Args:
        sets: the sets of recordings.
        on_end: called with the result of each check at its end.
        command_line: returns the command line that checks a manifest.
        timeout_s: the longest time a check may take.
    """

    def __init__(
        self,
        sets: RecordingSets,
        on_end: Callable[[RecordedCheck], None],
        *,
        command_line: Callable[[Path], Sequence[str]] = check_command_line,
        timeout_s: float = CHECK_TIMEOUT_S,
    ) -> None:
        self._sets = sets
        self._on_end = on_end
        self._command_line = command_line
        self._timeout_s = timeout_s
        self._running = ""
        self._task: asyncio.Task[RecordedCheck] | None = None

    def topics(self) -> dict[str, Topic]:
        """Return the name of the set that is being checked."""
        return {"/check/running": (self._running,)}

    def names(self) -> list[str]:
        """Return the names of the sets that can be checked."""
        return self._sets.names()

    def run(self, name: str) -> None:
        """Begin to check a set. Raises OscRefusal: no such set, or another check is running."""
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

    def stop(self) -> None:
        """Stop the check that is running, if there is one."""
        if self._task is not None:
            self._task.cancel()

    async def end(self) -> None:
        """Stop the check that is running, and wait until its process has ended."""
        task = self._task
        if task is not None:
            task.cancel()
            await asyncio.wait([task])

    async def _check(self, name: str, manifest: Path) -> RecordedCheck:
        """Check a set and return the result."""
        try:
            result = await run_program(self._command_line(manifest), timeout_s=self._timeout_s, most_bytes=MOST_BYTES)
        except ProgramFailed as failure:
            return ended(name, "failed", str(failure))
        try:
            return recorded(name, result.out)
        except ValueError as error:
            return ended(name, "failed", _why(result, str(error)))

    def _done(self, task: asyncio.Task[RecordedCheck]) -> None:
        name, self._running, self._task = self._running, "", None
        if task.cancelled():
            found = ended(name, "stopped", "before it was done")
        elif task.exception() is not None:
            log.error("internal failure of a check", exc_info=task.exception())
            found = ended(name, "failed", "internal failure; see the daemon's log")
        else:
            found = task.result()
        self._on_end(found)


def _why(result: ProgramResult, otherwise: str) -> str:
    """Return the reason for a missing result in one line."""
    if result.code < 0:
        return f"ended by signal {-result.code}"
    error_line = result.error_line.removeprefix("oscservice: ")
    return error_line or (otherwise if result.out else f"ended with code {result.code} and no result")
