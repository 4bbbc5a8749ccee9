"""One recording measured: its notes as the daemon's own listener hears them, and what the result depends on.

``to_text`` and ``from_text`` carry a measured file to the cache and between processes, bit for bit. The text is JSON as
Python writes it: the shortest digits that give the same number back, and ``Infinity`` for an unknown number.

``measure`` runs in whichever process does the work, here or on another machine.
"""

from __future__ import annotations

import hashlib
import json
import platform
import sys
import tempfile
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from threadpoolctl import ThreadpoolController

from oscservice.archive.result_cache import sha256_of
from oscservice.audio.block import NOT_FINITE, TRUNCATED
from oscservice.audio.file_source import FileSource
from oscservice.errors import InputError
from oscservice.hearing import ESTIMATOR
from oscservice.hearing.level import power_dbfs
from oscservice.hearing.listener import Listener, ListenerEvent, NoteDismissed, NoteHeard
from oscservice.hearing.reading import Reading


@dataclass(frozen=True)
class NoteFound:
    """One note of a file: ``channel`` from 1, ``onset_s`` its pluck in seconds from the file's first sample."""

    channel: int
    onset_s: float
    reading: Reading


@dataclass(frozen=True)
class IgnoredSound:
    """A sound that is not a note, and the reason."""

    channel: int
    onset_s: float
    reason: str


@dataclass(frozen=True)
class MeasuredFile:
    """The notes and sounds in one file.

    Attributes:
        sample_rate_hz, channels: of the file.
        found: notes and sounds, channel by channel in the order they were heard.
        levels_dbfs: mean level of each channel; a channel of zeros has the lowest level there is.
        flags: of the whole file.
    """

    sample_rate_hz: int
    channels: int
    found: tuple[NoteFound | IgnoredSound, ...]
    levels_dbfs: tuple[float, ...]
    flags: tuple[str, ...]

    @property
    def notes(self) -> tuple[NoteFound, ...]:
        """The notes, without ignored sounds."""
        return tuple(one for one in self.found if isinstance(one, NoteFound))


def measure_file(path: Path, expected_hz: Sequence[float] = ()) -> MeasuredFile:
    """Measure a recording of any kind libsndfile reads, at any sample rate from 8 to 192 kHz.

    Args:
        path: the file.
        expected_hz: pitches that are likely; they only decide near ties between octaves.

    Raises:
        InputError: the file can't be read.
    """
    with FileSource(path, fast=True) as source:
        listeners = [Listener(source.sample_rate_hz, live=False) for _ in range(source.channels)]
        for listener in listeners:
            listener.expect(expected_hz)
        heard: list[list[ListenerEvent]] = [[] for _ in listeners]
        power, frames = np.zeros(source.channels), 0
        for block in source:
            finite = np.where(np.isfinite(block.samples), block.samples, 0.0)
            power += np.sum(np.square(finite, dtype=np.float64), axis=0)
            frames += len(block.samples)
            for channel, listener in enumerate(listeners):
                heard[channel] += listener.feed(block.samples[:, channel])
        for channel, listener in enumerate(listeners):
            heard[channel] += listener.finish()
        flags = tuple(flag for flag in source.flags if flag == TRUNCATED or flag.startswith(NOT_FINITE))
        rate_hz, channels = source.sample_rate_hz, source.channels
    found: list[NoteFound | IgnoredSound] = []
    for channel, events in enumerate(heard, start=1):
        for event in events:
            if isinstance(event, NoteHeard):
                found.append(NoteFound(channel, event.onset_s, event.reading))
            elif isinstance(event, NoteDismissed):
                found.append(IgnoredSound(channel, event.onset_s, event.reason))
    levels = tuple(power_dbfs(float(p) / max(1, frames)) for p in power)
    return MeasuredFile(rate_hz, channels, tuple(found), levels, flags)


_PARTIALS, _FLAGS = "partials", "flags"
_NAMES = tuple(field.name for field in fields(Reading))


def to_text(measured: MeasuredFile) -> str:
    """Return a measured file as text."""
    found = [
        [one.channel, float(one.onset_s), _listed(one.reading) if isinstance(one, NoteFound) else one.reason]
        for one in measured.found
    ]
    levels = [float(level) for level in measured.levels_dbfs]
    return json.dumps(
        [measured.sample_rate_hz, measured.channels, levels, list(measured.flags), found], separators=(",", ":")
    )


def from_text(text: str) -> MeasuredFile:
    """Return the measured file of a text that ``to_text`` made. Raises ValueError for any other text."""
    try:
        rate_hz, channels, levels, flags, found = json.loads(text)
        return MeasuredFile(
            sample_rate_hz=rate_hz,
            channels=channels,
            found=tuple(
                IgnoredSound(channel, onset_s, what)
                if isinstance(what, str)
                else NoteFound(channel, onset_s, _reading(what))
                for channel, onset_s, what in found
            ),
            levels_dbfs=tuple(levels),
            flags=tuple(flags),
        )
    except (TypeError, KeyError) as error:
        raise ValueError(f"not a measured file: {error}") from None


def _listed(reading: Reading) -> list[Any]:
    return [
        [int(k) for k in reading.partials]
        if name == _PARTIALS
        else list(reading.flags)
        if name == _FLAGS
        else float(getattr(reading, name))
        for name in _NAMES
    ]


def _reading(values: list[Any]) -> Reading:
    given = dict(zip(_NAMES, values, strict=True))
    given[_PARTIALS] = tuple(given[_PARTIALS])
    given[_FLAGS] = tuple(given[_FLAGS])
    return Reading(**given)


# Limits on threads apply to the whole process, and two at a time would undo each other.
_one_at_a_time = threading.Lock()

CHANGED = "the file changed while it was measured: run again when it is finished"


@lru_cache(maxsize=1)
def _libraries() -> ThreadpoolController:
    """Return the control over this process's linear algebra. This module has loaded all libraries that measure."""
    return ThreadpoolController()


@dataclass(frozen=True)
class Task:
    """A file to measure. ``sha256`` is the digest of its bytes when the task was made."""

    path: Path
    expected_hz: tuple[float, ...]
    sha256: str


@dataclass(frozen=True)
class TaskResult:
    """The result of a task: ``text`` as ``to_text`` writes it, or ``fault``, one line without the path."""

    text: str = ""
    fault: str = ""


def measure(task: Task) -> TaskResult:
    """Measure the file of a task. An unusable file gives a result with a fault; nothing is raised.

    Linear algebra runs on one thread meanwhile: how a sum is split changes its last bit, and the other cores have files
    of their own. Threads of one process take turns.
    """
    try:
        with _one_at_a_time, _libraries().limit(limits=1):
            measured = measure_file(task.path, task.expected_hz)
    except InputError as error:
        return TaskResult(fault=str(error).removeprefix(f"{task.path}: "))
    except Exception as error:  # a mistake of ours must not stop the other files
        return TaskResult(fault=f"it could not be measured ({type(error).__name__}: {' '.join(str(error).split())})")
    if sha256_of(task.path) != task.sha256:
        return TaskResult(fault=CHANGED)
    return TaskResult(text=to_text(measured))


def measure_shipped(task: Task, content: bytes) -> TaskResult:
    """Measure a file that is on another machine: its bytes are put into a temporary folder meanwhile."""
    with tempfile.TemporaryDirectory(prefix="oscservice-") as folder:
        path = Path(folder) / f"shipped{task.path.suffix}"
        path.write_bytes(content)
        return measure(replace(task, path=path))


_LIBRARIES = ("numpy", "scipy", "aubio-ledfx", "soundfile")


@lru_cache(maxsize=1)
def measured_with() -> dict[str, str]:
    """Return what a result depends on besides the recording: the estimator's number, the libraries, the processor.

    The processor is included because libraries choose their instructions by it, and sums differ in the last bit.
    """
    return {
        "estimator": str(ESTIMATOR),
        "python": ".".join(map(str, sys.version_info[:2])),
        **{name: _version(name) for name in _LIBRARIES},
        "libsndfile": soundfile.__libsndfile_version__,
        "C library": " ".join(platform.libc_ver()),
        "processor": _processor(),
    }


def fingerprint(parts: Mapping[str, str]) -> str:
    """Return the SHA-256 of a ``measured_with()`` in hex."""
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def difference(ours: Mapping[str, str], theirs: Mapping[str, str]) -> str:
    """Return the first difference between two ``measured_with()`` in words; empty when there is none."""
    for name, own in ours.items():
        other = theirs.get(name, "")
        if name == "estimator" and own != other:
            return "another version of oscservice"
        if own != other:
            return f"{name} {other or 'unknown'} where this machine has {own}"
    return ""


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def _processor() -> str:
    """Return the kind of processor as the numerical libraries see it."""
    simd = np.show_config(mode="dicts").get("SIMD Extensions", {})
    blas = {str(lib.get("architecture", "")) for lib in _libraries().info() if lib["user_api"] == "blas"}
    return " ".join([platform.machine(), *simd.get("found", []), *sorted(blas)])
