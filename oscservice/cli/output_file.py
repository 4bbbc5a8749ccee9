"""A file that a command writes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from oscservice.errors import InputError
from oscservice.record.whole_file import whole_file


@contextmanager
def output_file(place: Path) -> Iterator[BinaryIO]:
    """Yield a file to write to, which is written whole or not at all. Raises InputError if it can't be written."""
    try:
        with whole_file(place) as file:
            yield file
    except OSError as error:
        raise InputError(f"{place} can't be written ({error.strerror}): choose another place") from None
