"""Photographs that a job sheet names: the hash of a file, and the check of the files by their hashes.

SHA-256: NIST FIPS 180-4, by Python's hashlib.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from oscservice.errors import InputError
from oscservice.record.job_sheet import LONGEST_PATH, Photograph, checked_text

LARGEST_PHOTOGRAPH = 1_000_000_000
"""Bytes."""


@dataclass(frozen=True)
class PhotographCheck:
    """The check of photographs: the number of unchanged ones, and a line on each that is missing or was changed."""

    kept: int = 0
    missing: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()


def photograph(path: str, folder: Path) -> Photograph:
    """Return what the record says of a file.

    Args:
        path: as it was given.
        folder: where a relative path begins.

    Raises:
        InputError: the file can't be read, is no file, is empty or too large, or has a name that can't be recorded.
    """
    given = checked_text("photograph", path, LONGEST_PATH)
    place = Path(os.path.abspath(folder / path))
    checked_text("photograph", str(place), LONGEST_PATH)
    if not place.is_file():
        raise InputError(f"photograph {path}: there is no such file")
    try:
        size = place.stat().st_size
        if not 0 < size <= LARGEST_PHOTOGRAPH:
            raise InputError(f"photograph {path}: {size} bytes; expected 1 to {LARGEST_PHOTOGRAPH}")
        sha256, size = _hashed(place)
    except OSError as error:
        raise InputError(f"photograph {path}: can't be read ({error.strerror})") from None
    return Photograph(given, str(place), sha256, size)


def check_photographs(photographs: Iterable[Photograph]) -> PhotographCheck:
    """Return the outcome of comparing each file with its hash."""
    kept, missing, changed = 0, [], []
    for one in photographs:
        try:
            if not Path(one.place).is_file():
                missing.append(f"{one.place} is missing")
            elif _hashed(Path(one.place)) != (one.sha256, one.size):
                changed.append(f"{one.place} is another file than the one that was attached")
            else:
                kept += 1
        except (OSError, ValueError) as error:
            missing.append(f"{one.place} can't be read ({getattr(error, 'strerror', None) or error})")
    return PhotographCheck(kept, tuple(missing), tuple(changed))


def _hashed(path: Path) -> tuple[str, int]:
    """Return the SHA-256 of a file, and the number of its bytes. Raises OSError."""
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256")
        return found.hexdigest(), file.tell()
