"""A listener: a line of a CSV file for each reading."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from oscservice.errors import InputError

COLUMNS = ("session", "string", "place", "f1_hz", "cents", "se_cents")


class Table:
    """Writes readings to a file, and ignores other events."""

    def __init__(self, path: str) -> None:
        self._file = Path(path).open("a", newline="", encoding="utf-8")  # noqa: SIM115 - until close()
        self._rows = csv.writer(self._file)
        if self._file.tell() == 0:
            self._rows.writerow(COLUMNS)

    def __call__(self, event: dict[str, Any]) -> None:
        if event["kind"] == "ReadingTaken":
            values = {"session": event["session"], **event["body"]}
            self._rows.writerow([values[column] for column in COLUMNS])
            self._file.flush()

    def close(self) -> None:
        self._file.close()


def open_table(rest: str) -> Table | None:
    """Return the listener of ``--plugin csv:FILE``; None without a file.

    Raises:
        InputError: the file can't be written.
    """
    try:
        return Table(rest) if rest else None
    except OSError as error:
        raise InputError(f"{rest}: can't be written ({error.strerror}); name another: --plugin csv:FILE") from None
