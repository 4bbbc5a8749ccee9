"""A file that is written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO
from uuid import uuid4


@contextmanager
def whole_file(path: Path, *, private: bool = False) -> Iterator[BinaryIO]:
    """Yield a new file to write to. At the end it takes the place of ``path`` in one step; after an error nothing does.

    Its bytes are on the disk before that step, so that a loss of power leaves the old file or the new one.

    Args:
        path: where the file goes.
        private: only the user may read it.

    Raises:
        OSError: it can't be written.
    """
    part = path.with_name(f"{path.name}.{uuid4().hex[:8]}.part")
    mode = 0o600 if private else 0o666
    try:
        with open(part, "xb", opener=lambda name, flags: os.open(name, flags, mode)) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
