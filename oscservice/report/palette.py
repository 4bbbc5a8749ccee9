"""The colours of reports and drawings, in light and in dark, by what they are for.

Meaning never rests on colour alone: before and after differ in line and mark too. Blue, orange and reddish purple are
among the colours that readers with any of the usual kinds of colour blindness tell apart (M. Okabe, K. Ito, "Color
Universal Design", 2008, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass

_COLOUR = re.compile(r"#[0-9a-f]{6}")


@dataclass(frozen=True)
class Palette:
    """One colour, ``#rrggbb``, for each purpose; no two are alike, so that one can be put in another's place.

    Attributes:
        paper: what everything stands on.
        ink, soft: text, and text that stands back.
        line: what has to be seen but is no text: frets, strings at rest, limits.
        faint: rules and washes that only part things.
        band: between the limits of a tolerance, whose edges are drawn as lines.
        after, before: what is now, and what was.
        alert: what asks for attention, always with words or a mark of its own.
    """

    paper: str
    ink: str
    soft: str
    line: str
    faint: str
    band: str
    after: str
    before: str
    alert: str

    def roles(self) -> dict[str, str]:
        """Colours by purpose."""
        return asdict(self)


LIGHT = Palette(
    paper="#fdfcfa",
    ink="#1c2226",
    soft="#545d64",
    line="#7a8186",
    faint="#e6e4de",
    band="#e3edf6",
    after="#0a4f8c",
    before="#b3590f",
    alert="#8a2768",
)
DARK = Palette(
    paper="#15181b",
    ink="#ebe9e4",
    soft="#a8b0b5",
    line="#737c83",
    faint="#2c3236",
    band="#1d2f40",
    after="#7dbcf5",
    before="#dd9145",
    alert="#f09ccb",
)
PRINTED = Palette(**{**LIGHT.roles(), "paper": "#ffffff"})


def recoloured(text: str, colours: Mapping[str, str]) -> str:
    """A text with every colour of ``LIGHT`` in it replaced by the one that ``colours`` has for the same purpose.

    Raises:
        ValueError: a colour that is none of ``LIGHT``.
    """
    purposes = {colour: purpose for purpose, colour in LIGHT.roles().items()}

    def other(found: re.Match[str]) -> str:
        if found[0] not in purposes:
            raise ValueError(f"{found[0]} is no colour of the palette")
        return colours[purposes[found[0]]]

    return _COLOUR.sub(other, text)


def variables() -> dict[str, str]:
    """What stands for each colour in a page whose style sheet says what it is: ``var(--ink)``."""
    return {purpose: f"var(--{purpose})" for purpose in LIGHT.roles()}
