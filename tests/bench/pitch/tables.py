"""Tables as aligned text or as markdown, and the machine they come from."""

from __future__ import annotations

import math
import os
import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version

PACKAGES = ("oscservice", "numpy", "scipy", "aubio-ledfx", "librosa", "praat-parselmouth", "pyworld")


class Printer:
    """Writes headings, remarks and tables to standard output; the first column reads left, the others right."""

    def __init__(self, *, markdown: bool) -> None:
        self._markdown = markdown

    def heading(self, text: str) -> None:
        """A part's title."""
        print(f"\n### {text}\n" if self._markdown else f"\n{text}\n{'=' * len(text)}\n", flush=True)

    def remark(self, text: str) -> None:
        """A sentence beside a table."""
        print(text + "\n", flush=True)

    def table(self, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Rows of text under their columns' names."""
        narrowest = 3 if self._markdown else 1  # a rule is no shorter
        widths = [max(narrowest, *(len(row[i]) for row in (columns, *rows))) for i in range(len(columns))]
        bar, end = ("| ", " |") if self._markdown else ("", "")
        gap = " | " if self._markdown else "  "

        def line(cells: Sequence[str]) -> str:
            first, *others = (
                cell.ljust(w) if i == 0 else cell.rjust(w)
                for i, (cell, w) in enumerate(zip(cells, widths, strict=True))
            )
            return bar + gap.join((first, *others)) + end

        print(line(columns))
        rule = ["-" * w if i == 0 or not self._markdown else "-" * (w - 1) + ":" for i, w in enumerate(widths)]
        print(line(rule))
        for row in rows:
            print(line(row))
        print(flush=True)


def number(value: float, digits: int = 4) -> str:
    """A number with so many decimals; a dash when there is none."""
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def machine(used: str = "one thread used") -> str:
    """Number of cores, operating system and versions in one line."""
    parts = [
        f"{os.cpu_count()} cores ({platform.machine()}), {used}",
        platform.system(),
        f"Python {platform.python_version()}",
    ]
    for package in PACKAGES:
        try:
            parts.append(f"{package} {version(package)}")
        except PackageNotFoundError:
            parts.append(f"{package} not installed")
    return "; ".join(parts)
