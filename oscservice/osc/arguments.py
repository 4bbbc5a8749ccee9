"""Short ways to write the arguments and paths that the address tables are made of."""

from __future__ import annotations

from collections.abc import Iterable

from oscservice.instrument.bend import HIGHEST
from oscservice.osc.declaration import Argument

MAX_STRINGS = 12
MAX_FRETS = 36


def int_arg(name: str, unit: str = "", low: float | None = None, high: float | None = None) -> Argument:
    """An int32 argument, in a unit and between limits."""
    return Argument(name, "i", unit, low, high)


def float_arg(name: str, unit: str = "", low: float | None = None, high: float | None = None) -> Argument:
    """A float32 argument, in a unit and between limits."""
    return Argument(name, "f", unit, low, high)


def text_arg(name: str, words: Iterable[str] = ()) -> Argument:
    """A string argument of one of these words, or of any."""
    return Argument(name, "s", words=tuple(words))


STRING = int_arg("string", "", 1, MAX_STRINGS)
BEND = int_arg("bend", "", 0, HIGHEST)
AT_STRING = "/string/{string}"
AT_FRET = AT_STRING + "/fret/{fret}"
PLACES = ("open", "harmonic", "fret")
