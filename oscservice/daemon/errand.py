"""A program run beside the daemon: in a process of its own, niced, for so long and with so much to say at most."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Sequence
from dataclasses import dataclass

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
