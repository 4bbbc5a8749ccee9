"""Rows read straight from the pages of a journal's file, for when SQLite no longer reads it.

Every row of either table begins with its session's name. Wherever such a name stands on a page, it is tried whether a
record stands there: its header of serial types, its values, and the overflow pages that a long one goes on in. What
keeps nonsense out is not done here: events are believed for their hashes.

Formats: "Database File Format", https://www.sqlite.org/fileformat2.html, 1.6 (records and cells), 4 (write-ahead log).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import TypeAlias

from oscservice.record.wal import FRAME_HEADER, frames

Row: TypeAlias = tuple[str | int | None, ...]

_NAME = re.compile(rb"\d{4}-\d\d-\d\d-\d")
_PAGE_SIZES = {512 << n for n in range(8)}
_USUAL_PAGE = 4096
_LONGEST_HEADER = 40
_LONGEST_ROW = 16 * 1024 * 1024
_WHOLE_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


class Pages:
    """The pages of a database file and of its write-ahead log, as far as they were committed.

    Raises OSError if a file can't be read.
    """

    def __init__(self, path: Path, size: int) -> None:
        data, written = _read(path), _read(path.with_name(f"{path.name}-wal"))
        self._size = size
        self._images: list[bytes] = [data[at : at + self._size] for at in range(0, len(data), self._size)]
        self._by_number: dict[int, list[bytes]] = {n: [image] for n, image in enumerate(self._images, 1)}
        for number, at in frames(written, self._size):
            image = written[at + FRAME_HEADER : at + FRAME_HEADER + self._size]
            self._images.append(image)
            self._by_number.setdefault(number, []).append(image)

    def rows(self) -> Iterator[Row]:
        """Whatever may be a row of one of the tables, older versions before newer ones; most of them more than once."""
        for image in self._images:
            for found in _NAME.finditer(image):
                for length in range(3, min(_LONGEST_HEADER, found.start()) + 1):
                    if image[found.start() - length] == length:
                        yield from self._rows_at(image, found.start() - length, length)

    def _rows_at(self, image: bytes, start: int, header: int) -> Iterator[Row]:
        types = _serial_types(image[start + 1 : start + header])
        if types is None:
            return
        size = header + sum(map(_length, types))
        if size > _LONGEST_ROW:
            return
        tried: set[bytes] = set()
        # Which of the two tables it is a row of decides how much of it stands on this page.
        for most in (((self._size - 12) * 64 // 255) - 23, self._size - 35):
            for newest in (True, False):
                payload = self._payload(image, start, size, most, newest)
                if payload is not None and payload not in tried:
                    tried.add(payload)
                    row = _values(payload[header:], types)
                    if row is not None:
                        yield row

    def _payload(self, image: bytes, start: int, size: int, most: int, newest: bool) -> bytes | None:
        if size <= most:
            whole = image[start : start + size]
            return whole if len(whole) == size else None
        least = ((self._size - 12) * 32 // 255) - 23
        local = least + (size - least) % (self._size - 4)
        local = local if local <= most else least
        payload = image[start : start + local]
        if len(image) < start + local + 4:
            return None
        (number,) = struct.unpack_from(">I", image, start + local)
        for _ in range(size // (self._size - 4) + 1):
            if len(payload) >= size:
                break
            images = self._by_number.get(number)
            if not images or len(images[-1 if newest else 0]) < self._size:
                return None
            page = images[-1 if newest else 0]
            (number,) = struct.unpack_from(">I", page)
            payload += page[4:]
        return payload[:size] if len(payload) >= size else None


def page_sizes(path: Path) -> set[int]:
    """The usual size of a page, and what the file's own header says, which may be what is damaged."""
    said = int.from_bytes(_read(path)[16:18], "big")
    return {_USUAL_PAGE, said} if said in _PAGE_SIZES else {_USUAL_PAGE}


def _read(path: Path) -> bytes:
    return path.read_bytes() if path.exists() else b""


def _serial_types(header: bytes) -> list[int] | None:
    """The types of a record's values, or None if this is no header."""
    types, at = [], 0
    while at < len(header):
        value = 0
        for count in range(9):
            if at >= len(header):
                return None
            byte = header[at]
            at += 1
            value = value << 7 | byte & 0x7F
            if byte < 0x80 or count == 8:
                break
        types.append(value)
    return types if 5 <= len(types) <= 9 else None


def _length(kind: int) -> int:
    return (kind - 12) // 2 if kind >= 12 else _WHOLE_BYTES.get(kind, 8 if kind == 7 else 0)


def _values(data: bytes, types: list[int]) -> Row | None:
    """The values of a record of texts, whole numbers and nothing; None if there is something else in it."""
    values: list[str | int | None] = []
    at = 0
    for kind in types:
        piece = data[at : at + _length(kind)]
        at += len(piece)
        if kind == 0:
            values.append(None)
        elif kind in (8, 9):
            values.append(kind - 8)
        elif kind in _WHOLE_BYTES:
            values.append(int.from_bytes(piece, "big", signed=True))
        elif kind >= 13 and kind % 2:
            try:
                values.append(piece.decode())
            except UnicodeDecodeError:
                return None
        else:
            return None
    return tuple(values)
