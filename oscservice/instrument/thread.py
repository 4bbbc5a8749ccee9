"""Threads of screws: names and pitches of standards, threads per inch, and mm a turn."""

from __future__ import annotations

import re

from oscservice.defaults import INCH_MM
from oscservice.instrument.length import parse_length_mm
from oscservice.instrument.spec import THREAD_RANGE_MM
from oscservice.toml_file import shown

# From memory: M1.6, M5 and M6; of UNC the sizes 2, 3, 5, 10 and 1/4; all of UNF.
THREADS_MM = {
    "M1.6": 0.35, "M2": 0.40, "M2.5": 0.45, "M3": 0.50, "M3.5": 0.60, "M4": 0.70, "M5": 0.80, "M6": 1.00,
    "#2-56": INCH_MM / 56, "#3-48": INCH_MM / 48, "#4-40": INCH_MM / 40, "#5-40": INCH_MM / 40,
    "#6-32": INCH_MM / 32, "#8-32": INCH_MM / 32, "#10-24": INCH_MM / 24, "1/4-20": INCH_MM / 20,
    "#2-64": INCH_MM / 64, "#3-56": INCH_MM / 56, "#4-48": INCH_MM / 48, "#5-44": INCH_MM / 44,
    "#6-40": INCH_MM / 40, "#8-36": INCH_MM / 36, "#10-32": INCH_MM / 32, "1/4-28": INCH_MM / 28,
}  # fmt: skip
"""Millimetres a turn: ISO 261 and 262 coarse pitches, UNC and UNF of ASME B1.1 (25.4 mm over threads per inch)."""

_METRIC = re.compile(r"M(?:\d(?:\.\d)?)\s*[X×]\s*(\d(?:\.\d{1,3})?)(?: MM)?")
_INCH = re.compile(r"#?(\d{1,2}(?:/\d)?)-(\d{2})(?: UN[CF])?")
_PER_INCH = re.compile(r"(\d{1,3}(?:\.\d{1,2})?) ?(?:THREADS? )?(?:PER INCH|AN INCH|/ ?IN|TPI)")

EXPECTED = (
    f"mm a turn from {THREAD_RANGE_MM[0]:g} to {THREAD_RANGE_MM[1]:g}, or in quotes M3, #6-32, 40 per inch, 0.5 mm"
)


def thread_mm(given: str | float) -> float:
    """Return mm a turn of a thread: a name of ``THREADS_MM``, ``M3x0.5``, ``40 per inch``, a length, or a number of mm.

    Raises:
        ValueError: it is no thread. One line: what was found, what to write.
    """
    mm = _named_mm(given) if isinstance(given, str) else float(given)
    low, high = THREAD_RANGE_MM
    if low <= mm <= high:
        return mm
    words = f"found {shown(given)}, expected {EXPECTED}"
    if isinstance(given, str):
        raise ValueError(words)
    if low <= given * INCH_MM <= high:
        words += f'; {given:g} in is {given * INCH_MM:.3g} mm: write "{given:g} in"'
    elif given > high and low <= INCH_MM / given <= high:
        words += f'; {given:g} threads an inch are written "{given:g} per inch"'
    raise ValueError(words)


def _named_mm(given: str) -> float:
    text = " ".join(given.upper().split())
    inch = _INCH.fullmatch(text)
    if inch:
        size = inch[1] if "/" in inch[1] else f"#{inch[1]}"
        text = f"{size}-{inch[2]}"
    if text in THREADS_MM:
        return THREADS_MM[text]
    metric, per_inch = _METRIC.fullmatch(text), _PER_INCH.fullmatch(text)
    if metric:
        return float(metric[1])
    if per_inch and float(per_inch[1]) > 0.0:
        return INCH_MM / float(per_inch[1])
    try:
        return parse_length_mm(given)
    except ValueError:
        raise ValueError(f"found {shown(given)}, expected {EXPECTED}") from None
