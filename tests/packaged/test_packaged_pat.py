"""The reader of patch files, on files made by hand to the published layout and on real ones."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from packaged.packaged_recordings import FREEPATS, PATCHES
from packaged.patch_file import MAGIC, read_pat


def sample(data: bytes, *, rate: int, root_mhz: int, modes: int, loop: tuple[int, int] = (0, 0)) -> bytes:
    """A sample's header of 96 bytes, field by field, and its bytes."""
    header = struct.pack("<7sBIIIHIIIhB", b"by hand", 0, len(data), *loop, rate, 8175, 12543853, root_mhz, 1, 7)
    header += bytes(12)  # envelope rates and offsets
    header += bytes(6)  # tremolo and vibrato
    header += struct.pack("<BhH36x", modes, 60, 1024)
    assert len(header) == 96
    return header + data


def patch(*samples: bytes) -> bytes:
    """A file of one instrument with one layer."""
    file = MAGIC + bytes(60) + struct.pack("<BBBHHI36x", 1, 14, 0, len(samples), 127, 0)
    instrument = struct.pack("<H16sIB40x", 0, b"made by hand", 0, 1)
    layer = struct.pack("<BBIB40x", 0, 0, sum(map(len, samples)), len(samples))
    assert (len(file), len(instrument), len(layer)) == (129, 63, 47)
    return file + instrument + layer + b"".join(samples)


def test_reads_words_signed_and_bytes_unsigned(tmp_path):
    path = tmp_path / "made.pat"
    words = sample(struct.pack("<4h", 0, 16384, -32768, 8192), rate=44100, root_mhz=82407, modes=0b101, loop=(2, 6))
    octets = sample(bytes([128, 192, 0]), rate=22050, root_mhz=440000, modes=0b010)
    path.write_bytes(patch(words, octets))
    first, second = read_pat(path)
    np.testing.assert_array_equal(first.samples, [0.0, 0.5, -1.0, 0.25])
    assert (first.rate_hz, first.root_hz, first.loop_s) == (44100.0, 82.407, (1 / 44100, 3 / 44100))
    np.testing.assert_array_equal(second.samples, [0.0, 0.5, -1.0])
    assert (second.rate_hz, second.root_hz, second.loop_s) == (22050.0, 440.0, None)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda whole: b"RIFF" + whole[4:], "no GF1 patch file"),
        (lambda whole: whole[:-1], "ends 1 bytes before its sample 1 does"),
        (lambda whole: whole[:260], "ends in the middle of a header"),
        (lambda whole: whole[:100], "ends in the middle of a header"),
        (lambda whole: whole[:82] + b"\2" + whole[83:], "one instrument with one layer"),
        (lambda whole: whole[:151] + b"\2" + whole[152:], "one instrument with one layer"),
    ],
)
def test_a_mistake_in_a_file_is_explained(tmp_path, make, message):
    path = tmp_path / "made.pat"
    path.write_bytes(make(patch(sample(bytes(8), rate=8000, root_mhz=100000, modes=1))))
    with pytest.raises(ValueError, match=message):
        read_pat(path)


@pytest.mark.parametrize(("guitar", "count"), [("nylon", 8), ("steel", 10), ("jazz", 13), ("clean", 9)])
def test_real_patches_are_read_to_their_last_byte(freepats, guitar, count):
    path = FREEPATS / PATCHES[guitar]
    samples = read_pat(path)
    assert len(samples) == count
    # All of them are words: what is left of the file is its headers.
    assert path.stat().st_size == 129 + 63 + 47 + sum(96 + 2 * len(s.samples) for s in samples)
    assert all(0.4 < np.abs(s.samples).max() <= 1.0 and s.loop_s is not None for s in samples)
    assert [s.root_hz for s in samples] == sorted(s.root_hz for s in samples)
