"""Contrast of two colours, as WCAG 2.2 defines "relative luminance" and "contrast ratio" (W3C Recommendation)."""

from __future__ import annotations

TEXT, LARGE_TEXT, GRAPHICS = 4.5, 3.0, 3.0
"""Least contrast of level AA: success criteria 1.4.3 (text, large text) and 1.4.11 (parts of graphics)."""

LARGE_PX, LARGE_BOLD_PX = 24.0, 18.66
"""Text from 18 points on is large, and bold text from 14 points on; 96 pixels and 72 points are an inch."""

Colour = tuple[float, float, float]
"""Red, green and blue, 0 to 255."""


def from_hex(text: str) -> Colour:
    """The colour of ``#rrggbb``."""
    red, green, blue = (float(int(text[at : at + 2], 16)) for at in (1, 3, 5))
    return red, green, blue


def luminance(colour: Colour) -> float:
    """Relative luminance, 0 (black) to 1 (white)."""

    def linear(channel: float) -> float:
        share = channel / 255.0
        return share / 12.92 if share <= 0.04045 else float(((share + 0.055) / 1.055) ** 2.4)

    red, green, blue = (linear(channel) for channel in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ratio(one: Colour, other: Colour) -> float:
    """Contrast ratio, 1 to 21."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)
