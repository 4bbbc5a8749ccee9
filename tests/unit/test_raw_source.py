"""Raw PCM on a stream: the same samples however the bytes are cut up."""

from __future__ import annotations

import io
import os
import threading

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.audio.block import Block
from oscservice.audio.raw_source import RawSource
from oscservice.errors import InputError


class Dribble(io.RawIOBase):
    """A stream that gives its bytes in pieces of given sizes, over and over."""

    def __init__(self, data: bytes, sizes: list[int]) -> None:
        self._data, self._sizes, self._turn = data, sizes, 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        size = min(len(view), self._sizes[self._turn % len(self._sizes)])
        self._turn += 1
        piece, self._data = self._data[:size], self._data[size:]
        view[: len(piece)] = piece
        return len(piece)


def walk(data: bytes, channels: int = 1, format: str = "s16le", sizes: tuple[int, ...] = (100_000,)) -> list[Block]:
    stream = Dribble(data, list(sizes))
    return list(RawSource(stream, 48_000, channels, format))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("format", "data", "values"),
    [
        # Little-endian two's complement, full scale -1.0; the smallest and largest codes, zero and one step.
        ("s16le", b"\x00\x80\xff\x7f\x00\x00\x01\x00\xff\xff", [-1, 32767 / 32768, 0, 2**-15, -(2**-15)]),
        (
            "s24le",
            b"\x00\x00\x80\xff\xff\x7f\x00\x00\x00\x01\x00\x00\xff\xff\xff",
            [-1, 8388607 / 8388608, 0, 2**-23, -(2**-23)],
        ),
        # IEEE 754 binary32: 1.0 is 3f800000, -0.5 is bf000000.
        ("f32le", b"\x00\x00\x80\x3f\x00\x00\x00\xbf", [1.0, -0.5]),
    ],
)
def test_each_format_is_decoded_exactly(format: str, data: bytes, values: list[float]) -> None:
    (block,) = walk(data, format=format)
    assert block.samples.dtype == np.float32
    assert block.samples[:, 0].tolist() == values


@given(
    frames=st.integers(0, 3000),
    channels=st.integers(1, 7),
    format=st.sampled_from(["s16le", "s24le", "f32le"]),
    extra=st.integers(0, 7),
    sizes=st.lists(st.integers(1, 5000), min_size=1, max_size=5),
)
def test_cutting_the_bytes_anywhere_changes_nothing(
    frames: int, channels: int, format: str, extra: int, sizes: list[int]
) -> None:
    width = {"s16le": 2, "s24le": 3, "f32le": 4}[format]
    sizes = [max(size, 200) if index == 0 else size for index, size in enumerate(sizes)]  # keep it quick
    values = np.arange(frames * channels, dtype=np.int64) % 30_000
    if format == "f32le":
        data, expected = values.astype("<f4").tobytes(), values.astype(np.float32)
    else:
        data = b"".join(int(value).to_bytes(width, "little") for value in values)
        expected = (values / 2.0 ** (8 * width - 1)).astype(np.float32)
    partial = extra % (width * channels)
    blocks = walk(data + b"\x01" * partial, channels, format, tuple(sizes))
    assert all(0 < len(block.samples) <= 1024 for block in blocks)
    assert all(len(block.samples) == 1024 for block in blocks[:-1])
    assert [block.start_frame for block in blocks] == [1024 * k for k in range(len(blocks))]
    got = np.concatenate([np.zeros((0, channels), np.float32), *(block.samples for block in blocks)])
    assert np.array_equal(got, expected.reshape(frames, channels))
    if blocks:
        assert blocks[-1].flags == (("partial frame",) if partial else ())


def test_a_stream_of_less_than_a_frame_is_flagged() -> None:
    source = RawSource(io.BytesIO(b"\x01"), 48_000)
    assert list(source) == []
    assert source.flags == ("partial frame",)


def test_samples_that_are_not_finite_become_0_and_are_counted() -> None:
    data = np.array([0.5, np.nan, np.inf, -0.25], "<f4").tobytes()
    source = RawSource(io.BytesIO(data), 48_000, 2, "f32le")
    (block,) = list(source)
    assert block.samples.tolist() == [[0.5, 0.0], [0.0, -0.25]]
    assert block.flags == source.flags == ("not finite: 2",)


def test_a_pause_yields_a_shorter_block_and_keeps_the_cut_frame() -> None:
    reader, writer = os.pipe()
    with os.fdopen(reader, "rb") as stream, os.fdopen(writer, "wb", buffering=0) as feed:
        blocks = iter(RawSource(stream, 48_000))
        feed.write(b"\x00\x40\x00\xc0\x00")  # two frames and a half
        first = next(blocks)
        assert first.samples[:, 0].tolist() == [0.5, -0.5]
        feed.write(b"\x20")
        assert next(blocks).samples[:, 0].tolist() == [0.25]
        feed.close()
        assert list(blocks) == []


def test_close_from_another_thread_ends_a_silent_stream() -> None:
    reader, writer = os.pipe()
    with os.fdopen(reader, "rb") as stream, os.fdopen(writer, "wb"):
        source = RawSource(stream, 48_000)
        walker = threading.Thread(target=lambda: list(source))
        walker.start()
        source.close()
        walker.join(60)
        assert not walker.is_alive()
        assert source.state == "ended"


@pytest.mark.parametrize(
    ("rate", "channels", "format", "named"),
    [
        (48_000, 1, "mp3", "s16le, s24le, f32le"),
        (4_000, 1, "s16le", "4000 Hz"),
        (48_000, 0, "s16le", "0 channels"),
        (48_000, 65, "s16le", "65 channels"),
    ],
)
def test_an_unusable_value_is_refused(rate: int, channels: int, format: str, named: str) -> None:
    with pytest.raises(InputError, match=named) as error:
        RawSource(io.BytesIO(), rate, channels, format)
    assert "\n" not in str(error.value)
