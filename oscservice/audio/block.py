"""Blocks of samples, the base class of all sources of blocks, and a ring buffer of the last seconds of a channel.

Frames are counted on the source's own time line: frame 0 is the first frame that the source could have, and lost frames
count too. So for two neighbouring blocks

    next.start_frame == block.start_frame + len(block.samples) + next.dropped_frames

and ``start_frame / sample_rate_hz`` is a time in seconds that stays right when samples are lost.

Samples are float32 with full scale 1. Flags are fixed words; a number follows after a colon (``not finite: 3``).
"""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from oscservice.defaults import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, MOST_CHANNELS
from oscservice.errors import InputError

Samples = NDArray[np.float32]
State = Literal["starting", "running", "lost", "ended"]

BLOCK_FRAMES = 1024

TRUNCATED = "truncated"  # the file ends, or can't be decoded, before its header says
NOT_FINITE = "not finite"  # NaN or infinity was replaced by 0; the count of samples follows
PARTIAL_FRAME = "partial frame"  # a raw stream ended inside a frame, which was dropped
OVERFLOW = "overflow"  # PortAudio says samples were lost before this block; it can't say how many
REOPENED = "reopened"  # first block after the device was lost


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive samples of all channels.

    Attributes
    ----------
    samples : ndarray of float32, shape (frames, channels)
        Always finite, never empty, full scale 1.
    start_frame : int
        Position of the first frame on the source's time line.
    dropped_frames : int
        Frames lost just before this block (an estimate after a device was away).
    flags : tuple[str, ...]
        Flags of these samples.
    """

    samples: Samples
    start_frame: int
    dropped_frames: int = 0
    flags: tuple[str, ...] = ()


def replace_non_finite(samples: Samples) -> tuple[Samples, int]:
    """Return the samples with NaN and infinity replaced by 0, and the number of those.

    Parameters
    ----------
    samples : ndarray of float32
        Any shape; it is not changed.

    Returns
    -------
    tuple[Samples, int]
        Finite samples, the same shape (the same array if all were finite); number of samples replaced.
    """
    good = np.isfinite(samples)
    bad = int(samples.size - np.count_nonzero(good))
    return (samples, 0) if bad == 0 else (np.where(good, samples, np.float32(0.0)), bad)


def check_rate(rate_hz: float, where: str) -> int:
    """Return the sample rate as a whole number of Hz. Raises InputError outside 8 to 192 kHz."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        expected = f"it must be {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        raise InputError(f"{where}: a sample rate of {rate_hz:g} Hz can't be used: {expected}")
    return round(rate_hz)


def check_channels(channels: int, where: str) -> int:
    """Return the number of channels. Raises InputError unless it is 1 to 64."""
    if not 1 <= channels <= MOST_CHANNELS:
        raise InputError(f"{where}: {channels} channels can't be used: it must be 1 to {MOST_CHANNELS}")
    return channels


def unfit_option(source: AudioSource, rate_hz: int | None, channels: int | None, what: str) -> str:
    """Return a complaint about the option that asks for another rate or number of channels than a source has.

    Parameters
    ----------
    source : AudioSource
        The source.
    rate_hz, channels : int | None
        The values of ``--rate`` and ``--channels``; None if not given.
    what : str
        The source in words.

    Returns
    -------
    str
        ``--channels 2 does not fit the file, which has 1``; empty if both options fit.
    """
    for option, asked, real in (("--rate", rate_hz, source.sample_rate_hz), ("--channels", channels, source.channels)):
        if asked is not None and asked != real:
            return f"{option} {asked} does not fit {what}, which has {real}"
    return ""


class AudioSource(ABC):
    """Base class of sources of blocks: a context manager, and an iterable that can be iterated once, in one thread.

    The iteration waits for each block. It ends when the source has ended, or after `close`, which any thread may call.

    Attributes
    ----------
    sample_rate_hz, channels : int
        Of all blocks.
    description : str
        The source in words.
    on_state : Callable[[State], None] | None
        Called in the iterating thread with each new state: "starting", "running", "lost" or "ended".
    dropped_frames : int
        Frames lost so far.
    """

    def __init__(self, sample_rate_hz: int, channels: int, description: str) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self.description = description
        self.on_state: Callable[[State], None] | None = None
        self.dropped_frames = 0
        self._state: State = "starting"
        self._closed = threading.Event()
        self._started = False
        self._starting = threading.Lock()
        self._flags: list[str] = []
        self._not_finite = 0
        self._next_frame = 0

    @property
    def state(self) -> State:
        return self._state

    @property
    def flags(self) -> tuple[str, ...]:
        """All flags since the start, each once, with the number of samples that were not finite."""
        count = (f"{NOT_FINITE}: {self._not_finite}",) if self._not_finite else ()
        return (*self._flags, *count)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __iter__(self) -> Iterator[Block]:
        """Yield blocks until the end. Raises AudioInputError or InputError."""
        with self._starting:
            if self._closed.is_set():
                return
            if self._started:
                raise RuntimeError("a source can be iterated only once")
            self._started = True
        try:
            for block in self._blocks():
                if self._closed.is_set():
                    break
                self._set_state("running")
                yield block
        finally:
            self._release()
            self._set_state("ended")

    def close(self) -> None:
        """End the iteration soon, and release the device or file. May be called from any thread, and twice."""
        with self._starting:
            self._closed.set()
        self._wake()
        if not self._started:  # no iteration will release it
            self._release()
            self._set_state("ended")

    @abstractmethod
    def _blocks(self) -> Iterator[Block]:
        """Yield blocks, made with `_block`, until the end or until `_closed` is set."""

    @abstractmethod
    def _release(self) -> None:
        """Release the device or file. Called at the end, perhaps twice."""

    def _wake(self) -> None:  # noqa: B027 - most sources wait on `_closed`
        """Make a waiting `_blocks` check `_closed` now, in a source that waits on something else."""

    def _set_state(self, state: State) -> None:
        if state != self._state:
            self._state = state
            if self.on_state is not None:
                self.on_state(state)

    def _wait_until(self, due_s: float) -> None:
        """Wait until ``time.monotonic()`` is ``due_s``, when a block would have been recorded, or until `close`."""
        self._closed.wait(max(0.0, due_s - time.monotonic()))

    def _flag(self, *flags: str) -> None:
        self._flags.extend(flag for flag in flags if flag not in self._flags)

    def _block(self, samples: Samples, dropped_frames: int = 0, flags: tuple[str, ...] = ()) -> Block:
        """Return the next block with finite samples, and count its frames."""
        samples, bad = replace_non_finite(samples)
        self._flag(*flags)
        if bad:
            self._not_finite += bad
            flags = (*flags, f"{NOT_FINITE}: {bad}")
        start = self._next_frame + dropped_frames
        self._next_frame = start + len(samples)
        self.dropped_frames += dropped_frames
        return Block(samples, start, dropped_frames, flags)


class SampleRing:
    """Ring buffer of one channel without gaps, so that the sound of a note can be kept after it was recognised.

    It holds the last block, and at least ``longest_frames`` before it (up to a block more).
    """

    def __init__(self, longest_frames: int) -> None:
        self._longest = longest_frames
        self._pieces: deque[Samples] = deque()
        self._frames = 0
        self._end = 0

    def take(self, samples: Samples, start_frame: int) -> None:
        """Add the channel's next samples. After a gap everything before it is dropped.

        Parameters
        ----------
        samples : ndarray of float32, shape (n,)
            The samples, full scale 1; they are copied.
        start_frame : int
            Number of the first of them on the source's time line.
        """
        if start_frame != self._end:
            self.clear()
        while self._pieces and self._frames - len(self._pieces[0]) >= self._longest:
            self._frames -= len(self._pieces.popleft())
        self._pieces.append(samples.copy())  # a source may use its block again
        self._frames += len(samples)
        self._end = start_frame + len(samples)

    def clear(self) -> None:
        """Drop everything: an unknown number of samples was lost."""
        self._pieces.clear()
        self._frames = 0

    def stretch(self, first_frame: int, end_frame: int) -> tuple[int, Samples]:
        """Return the samples from ``first_frame`` to before ``end_frame``, as far as the ring has them.

        Returns
        -------
        tuple[int, Samples]
            Number of the first frame; samples, shape (n,), full scale 1; empty when the ring has none of them.
        """
        start = self._end - self._frames
        first, end = max(first_frame, start), min(end_frame, self._end)
        if first >= end:
            return first, np.empty(0, dtype=np.float32)
        return first, np.concatenate(self._pieces)[first - start : end - start]
