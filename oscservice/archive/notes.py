"""Every note of one recording, as the daemon's own listener hears it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from oscservice.audio.block import NOT_FINITE, TRUNCATED
from oscservice.audio.file import FileSource
from oscservice.hearing.level import power_dbfs
from oscservice.hearing.listener import Dismissed, Event, Heard, Listener
from oscservice.hearing.reading import Reading


@dataclass(frozen=True)
class NoteFound:
    """One note of a file: ``channel`` from 1, ``onset_s`` its pluck in seconds from the file's first sample."""

    channel: int
    onset_s: float
    reading: Reading


@dataclass(frozen=True)
class SoundPassedOver:
    """A sound that is no note, and why."""

    channel: int
    onset_s: float
    reason: str


@dataclass(frozen=True)
class MeasuredFile:
    """What is in one file.

    Attributes:
        sample_rate_hz, channels: of the file.
        found: notes and sounds, channel by channel in the order they were heard.
        levels_dbfs: mean level of each channel; a channel that holds nothing but zeros is at the lowest there is.
        flags: of the whole file.
    """

    sample_rate_hz: int
    channels: int
    found: tuple[NoteFound | SoundPassedOver, ...]
    levels_dbfs: tuple[float, ...]
    flags: tuple[str, ...]

    @property
    def notes(self) -> tuple[NoteFound, ...]:
        """The notes alone."""
        return tuple(one for one in self.found if isinstance(one, NoteFound))


def measure_file(path: Path, expected_hz: Sequence[float] = ()) -> MeasuredFile:
    """Measure a recording of any kind libsndfile reads, at any sample rate from 8 to 192 kHz.

    Args:
        path: the file.
        expected_hz: pitches that may be asked for; they decide near ties between octaves, nothing more.

    Raises:
        InputError: the file can't be read.
    """
    with FileSource(path, fast=True) as source:
        listeners = [Listener(source.sample_rate_hz, live=False) for _ in range(source.channels)]
        for listener in listeners:
            listener.expect(expected_hz)
        heard: list[list[Event]] = [[] for _ in listeners]
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
    found: list[NoteFound | SoundPassedOver] = []
    for channel, events in enumerate(heard, start=1):
        for event in events:
            if isinstance(event, Heard):
                found.append(NoteFound(channel, event.onset_s, event.reading))
            elif isinstance(event, Dismissed):
                found.append(SoundPassedOver(channel, event.onset_s, event.reason))
    levels = tuple(power_dbfs(float(p) / max(1, frames)) for p in power)
    return MeasuredFile(rate_hz, channels, tuple(found), levels, flags)
