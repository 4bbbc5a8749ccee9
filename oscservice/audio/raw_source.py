"""Source of blocks from raw PCM on a stream, such as standard input from a recorder or a network audio tool."""

from __future__ import annotations

import io
import select
from collections.abc import Callable, Iterator
from typing import BinaryIO, Literal, get_args

import numpy as np

from oscservice.audio.block import BLOCK_FRAMES, PARTIAL_FRAME, AudioSource, Block, Samples, check_channels, check_rate
from oscservice.errors import AudioInputError, InputError

RawFormat = Literal["s16le", "s24le", "f32le"]
RAW_FORMATS: tuple[str, ...] = get_args(RawFormat)

_POLL_S = 0.05  # a close is noticed within this time, and an unfinished block is given after it


def _s16(data: bytes) -> Samples:
    return np.frombuffer(data, "<i2").astype(np.float32) / np.float32(1 << 15)


def _s24(data: bytes) -> Samples:
    triples = np.frombuffer(data, np.uint8).reshape(-1, 3)
    words = np.zeros((len(triples), 4), np.uint8)
    words[:, 1:] = triples  # the upper three bytes, which keeps the sign; 24 bits fit float32 exactly
    return words.view("<i4")[:, 0].astype(np.float32) / np.float32(1 << 31)


def _f32(data: bytes) -> Samples:
    return np.frombuffer(data, "<f4").astype(np.float32)


_DECODERS: dict[str, tuple[int, Callable[[bytes], Samples]]] = {
    "s16le": (2, _s16),
    "s24le": (3, _s24),
    "f32le": (4, _f32),
}


class RawSource(AudioSource):
    """Interleaved little-endian samples: 16 or 24 bit signed (packed in three bytes), or 32 bit float.

    Blocks have BLOCK_FRAMES frames however the bytes arrive, except that a shorter block is given when the stream
    pauses for 50 ms. An incomplete frame at the end of the stream is dropped and flagged "partial frame". The stream is
    not closed.

    Args:
        stream: bytes to read.
        rate: sample rate in Hz.
        channels: number of channels.
        format: one of RAW_FORMATS.

    Raises:
        InputError: a format, rate or number of channels that can't be used.
    """

    def __init__(self, stream: BinaryIO, rate: int, channels: int = 1, format: str = "s16le") -> None:
        where = "raw input"
        if format not in _DECODERS:
            raise InputError(f"{where}: unknown sample format {format!r}: choose {', '.join(RAW_FORMATS)}")
        rate_hz, channels = check_rate(rate, where), check_channels(channels, where)
        super().__init__(rate_hz, channels, f"raw {format}, {rate_hz} Hz, {channels} ch")
        width, self._decode = _DECODERS[format]
        self._frame_bytes = width * channels
        self._block_bytes = BLOCK_FRAMES * self._frame_bytes
        # Polling the descriptor doesn't see bytes in a stream's buffer: read below the buffer.
        self._stream = getattr(stream, "raw", stream)
        self._poll = _poll_of(self._stream)

    def _blocks(self) -> Iterator[Block]:
        pending = bytearray()
        while not self._closed.is_set():
            data = self._read(self._block_bytes + 1 - len(pending))
            if data:
                pending += data
                # One byte more than a block shows that the stream goes on; otherwise this may be the last block.
                whole = self._block_bytes if len(pending) > self._block_bytes else 0
            else:
                whole = len(pending) - len(pending) % self._frame_bytes
            flags: tuple[str, ...] = ()
            if data == b"" and len(pending) > whole:
                flags = (PARTIAL_FRAME,)
                self._flag(*flags)
            if whole:
                samples = self._decode(bytes(pending[:whole])).reshape(-1, self.channels)
                del pending[:whole]
                yield self._block(samples, flags=flags)
            if data == b"":
                return

    def _read(self, most: int) -> bytes | None:
        """Return some bytes, b"" at the end of the stream, or None when none came within the poll time."""
        try:
            if self._poll is not None and not self._poll.poll(_POLL_S * 1000):
                return None
            data: bytes | None = self._stream.read(most)
        except (OSError, ValueError) as error:
            raise AudioInputError(
                f"raw input: reading failed ({error}): start the program that feeds it again"
            ) from None
        return data

    def _release(self) -> None:
        """Do nothing: the caller closes the stream."""


def _poll_of(stream: BinaryIO) -> select.poll | None:
    """Return a poll object for the stream; None for one without a descriptor, which never waits."""
    try:
        descriptor = stream.fileno()
    except (AttributeError, io.UnsupportedOperation):
        return None
    poll = select.poll()
    poll.register(descriptor, select.POLLIN)
    return poll
