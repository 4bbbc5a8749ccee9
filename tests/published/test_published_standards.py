"""Pitch and thread standards."""

from __future__ import annotations

from pathlib import Path

import pytest

from oscservice.instrument.instrument_file import preset_toml, read_instrument
from oscservice.instrument.pitch import note_hz, note_number
from oscservice.instrument.thread import THREADS_MM

HEX_KEYS = {
    "screw": ["M1.6", "M2", "M2.5", "M3", "M4", "M5", "M6", "#4", "#6", "#8", "#10"],
    "cap screw": ["1.5", "1.5", "2", "2.5", "3", "4", "5", "3/32", "7/64", "9/64", "5/32"],
    "set screw": ["0.7", "0.9", "1.3", "1.5", "2", "2.5", "3", "0.050", "1/16", "5/64", "3/32"],
}
"""Sizes across flats, mm and inches: ISO 4762 (cap screws) and ISO 4026 (set screws) with keys of ISO 2936; ASME B18.3,
1960 series. From memory."""


def test_hex_keys_on_the_page_are_those_of_the_standards() -> None:
    page = (Path(__file__).parents[2] / "docs" / "instruments.md").read_text(encoding="utf-8")
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in page.splitlines() if "| M1.6 |" in line]
    rows += [
        [cell.strip() for cell in line.strip("|").split("|")] for line in page.splitlines() if "screw |" in line[:14]
    ]
    assert {row[0]: row[1:] for row in rows} == HEX_KEYS


def test_an_inch_is_25_4_mm_exactly() -> None:
    """International yard and pound agreement, 1959; NIST SP 811, appendix B.8."""
    text = preset_toml("six-string-648").replace("scale_mm = 648.0", 'scale = "25 in"')
    assert read_instrument(text, "x").string(1).scale_mm == 635.0


def test_standard_tuning_frequency() -> None:
    """ISO 16:1975: A4 = 440 Hz."""
    assert note_hz(note_number("A4")) == 440.0


@pytest.mark.parametrize(
    ("name", "mm"),
    [("M1.6", 0.35), ("M5", 0.80), ("M6", 1.00), ("#10-32", 0.79375), ("#4-48", 0.52917), ("1/4-20", 1.27)],
)
def test_other_pitches(name: str, mm: float) -> None:
    """ISO 261 and 262, coarse series; ASME B1.1, fine and coarse series. All from memory."""
    assert THREADS_MM[name] == pytest.approx(mm, abs=1e-5)


@pytest.mark.parametrize(("name", "mm"), [("M2", 0.40), ("M2.5", 0.45), ("M3", 0.50), ("M3.5", 0.60), ("M4", 0.70)])
def test_metric_coarse_pitches(name: str, mm: float) -> None:
    """ISO 261 and ISO 262, coarse series."""
    assert THREADS_MM[name] == mm


@pytest.mark.parametrize(("name", "mm"), [("#4-40", 0.6350), ("#6-32", 0.7937), ("#8-32", 0.7937)])
def test_unified_coarse_pitches(name: str, mm: float) -> None:
    """Unified coarse (UNC): 40 and 32 threads an inch."""
    assert THREADS_MM[name] == pytest.approx(mm, abs=1e-4)


@pytest.mark.parametrize("name", [name for name in THREADS_MM if name.startswith("#")])
def test_a_unified_thread_says_its_threads_an_inch(name: str) -> None:
    """The designation's second number is the threads an inch; an inch is 25.4 mm exactly."""
    size, threads = name.removeprefix("#").split("-")
    assert int(size) <= 10
    assert THREADS_MM[name] * int(threads) == pytest.approx(25.4)
