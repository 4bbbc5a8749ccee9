"""SQLite's write-ahead log: which frames were committed, and whether one in the middle is damaged.

SQLite takes a log to end where a frame doesn't fit its checksum: that is how a transaction looks that was never
finished. It looks the same when a byte of an older frame was changed, and then all that follows would be gone without a
word.

Format: "Database File Format", https://www.sqlite.org/fileformat2.html, 4.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HEADER, FRAME_HEADER = 32, 24
_LITTLE, _BIG = 0x377F0682, 0x377F0683


def frames(log: bytes, page_size: int) -> Iterator[tuple[int, int]]:
    """Page number and place in the file of each frame of the present round up to the last that ends a transaction.

    A log is written from its beginning again and again; what is left of earlier rounds has other salts.
    """
    places = range(HEADER, len(log) - FRAME_HEADER - page_size + 1, FRAME_HEADER + page_size)
    salts = [log[at + 8 : at + 16] for at in places]
    if not salts:
        return
    present = log[16:24] if log[16:24] in salts else salts[0]
    commits = [n for n, at in enumerate(places) if salts[n] == present and log[at + 4 : at + 8] != b"\0\0\0\0"]
    for n, at in enumerate(places[: commits[-1] + 1] if commits else ()):
        if salts[n] == present or n == 0 or salts[n - 1] == present:  # one whose salt is what was damaged
            yield int.from_bytes(log[at : at + 4], "big"), at


def damaged_log(path: Path) -> bool:
    """Whether the log beside a database file has a damaged frame before one that ended a transaction."""
    log_path = path.with_name(f"{path.name}-wal")
    try:
        log = log_path.read_bytes()
    except OSError:
        return False
    if len(log) <= HEADER + FRAME_HEADER:
        return False
    magic, size = int.from_bytes(log[0:4], "big"), int.from_bytes(log[8:12], "big")
    words = ">u4" if magic == _BIG else "<u4"
    sums = _sums(np.frombuffer(log[:24], words), (0, 0))
    if magic not in (_LITTLE, _BIG) or sums != struct.unpack(">II", log[24:32]) or size not in _SIZES:
        return bool(list(frames(log, size if size in _SIZES else 4096)))
    whole = True
    for at in range(HEADER, len(log) - FRAME_HEADER - size + 1, FRAME_HEADER + size):
        if log[at + 8 : at + 16] == log[16:24]:
            if whole:
                covered = log[at : at + 8] + log[at + FRAME_HEADER : at + FRAME_HEADER + size]
                sums = _sums(np.frombuffer(covered, words), sums)
                whole = sums == struct.unpack(">II", log[at + 16 : at + 24])
            if not whole and log[at + 4 : at + 8] != b"\0\0\0\0":
                return True
        else:
            whole = False
    return False


_SIZES = {512 << n for n in range(8)}


@lru_cache(maxsize=4)
def _weights(pairs: int) -> tuple[NDArray[np.uint32], NDArray[np.uint32], NDArray[np.uint32]]:
    """Fibonacci numbers modulo 2^32 that say how much each word counts in the end.

    A step is s0 += a + s1, s1 += b + s0: the pair times [[1, 1], [1, 2]], whose j-th power is [[F(2j-1), F(2j)],
    [F(2j), F(2j+1)]].
    """
    numbers = [0, 1]
    for _ in range(2 * pairs + 2):
        numbers.append((numbers[-1] + numbers[-2]) & 0xFFFFFFFF)
    fibonacci = np.array(numbers, np.uint32)
    j = 2 * np.arange(pairs - 1, -1, -1)
    return fibonacci[j], fibonacci[j + 1], fibonacci[j + 2]


def _sums(words: NDArray[np.uint32], before: tuple[int, int]) -> tuple[int, int]:
    """The checksum after these words, whose number is even."""
    pairs = len(words) // 2
    low, middle, high = _weights(pairs)
    a, b = words[0::2].astype(np.uint32), words[1::2].astype(np.uint32)
    s0 = int((a * middle + b * low).sum(dtype=np.uint32))
    s1 = int((a * high + b * middle).sum(dtype=np.uint32))
    # Powers of the step matrix on what was there before: F(2n-1), F(2n), F(2n+1).
    two_n, beyond = (int(low[0]) + int(middle[0])), (int(middle[0]) + int(high[0]))
    f_2n, f_2n_1 = two_n, beyond
    f_2n_minus_1 = f_2n_1 - f_2n
    s0 += f_2n_minus_1 * before[0] + f_2n * before[1]
    s1 += f_2n * before[0] + f_2n_1 * before[1]
    return s0 & 0xFFFFFFFF, s1 & 0xFFFFFFFF
