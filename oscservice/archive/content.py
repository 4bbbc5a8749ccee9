"""Files known by what is in them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes in hex, read in pieces; empty when it is no file or can't be read."""
    try:
        if not path.is_file():  # a pipe would be waited for
            return ""
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError):
        return ""


def sha256_of_each(paths: Sequence[Path], jobs: int) -> list[str]:
    """``sha256_of`` for many files, so many at a time."""
    if jobs == 1:
        return [sha256_of(path) for path in paths]
    with ThreadPoolExecutor(jobs) as hands:
        return list(hands.map(sha256_of, paths))
