"""A file that a command writes: whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from oscservice.errors import InputError


@contextmanager
def whole_file(place: Path) -> Iterator[Path]:
    """Yield the path to write to; what is there at the end takes its place in one step, or nothing does.

    Raises:
        InputError: it can't be written.
    """
    half = place.with_name(f"{place.name}.part")
    try:
        yield half
        os.replace(half, place)
    except OSError as error:
        raise InputError(f"{place} can't be written ({error.strerror}): choose another place") from None
    finally:
        half.unlink(missing_ok=True)
