"""Small instruments for tests: quick to set up, and of two kinds of bridge."""

from __future__ import annotations

from pathlib import Path

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
