"""Small instruments for tests: quick to set up, of two kinds of bridge, or cut from presets."""

from __future__ import annotations

import re
from pathlib import Path

PRESETS = Path(__file__).parents[2] / "oscservice" / "instrument" / "presets"

STRINGS = """
[[string]]
note = "G3"
kind = "plain"
gauge_in = 0.017
setback_mm = 3.9

[[string]]
note = "D3"
kind = "wound"
gauge_in = 0.026
core_mm = 0.356
setback_mm = 2.6
"""

THIRD = """
[[string]]
note = "B3"
kind = "plain"
gauge_in = 0.013
setback_mm = 2.2
"""
"""A string more, before the others."""

SCREWS = """
name = "two strings, screws"
frets = 22
scale_mm = 648.0

[bridge]
kind = "screw-driven fixed"
thread = "M3"
toward_nut_mm = 8.0
away_mm = 8.0
"""

CLAMPS = """
name = "two strings, clamps"
frets = 22
scale_mm = 648.0

[bridge]
kind = "clamped floating"
toward_nut_mm = 8.0
away_mm = 8.0
"""


def instrument_file(folder: Path, head: str, strings: str = STRINGS) -> Path:
    """Write a file of a two-string instrument with one of the heads above, and return its path."""
    path = folder / "two-strings.toml"
    path.write_text(head + strings, encoding="utf-8")
    return path


def cut_preset(folder: Path, preset: str, strings: tuple[int, ...]) -> Path:
    """Write a file of a preset with some of its strings only, and return its path; a locking nut has one clamp then."""
    head, *tables = (PRESETS / f"{preset}.toml").read_text(encoding="utf-8").split("\n[[string]]\n")
    head = re.sub(r"(?m)^clamps = .*$", f"clamps = [{[*range(1, len(strings) + 1)]}]", head)
    head = re.sub(r'(?m)^(name = ")', r"\g<1>cut from ", head)
    path = folder / f"{preset}-cut.toml"
    path.write_text("\n[[string]]\n".join([head, *(tables[n - 1] for n in strings)]), encoding="utf-8")
    return path
