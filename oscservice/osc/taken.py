"""Arguments that are made from a message: taken, scaled, clipped, looked up, written as a text. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from oscservice.osc.captured import fill
from oscservice.osc.conditions import number_of
from oscservice.osc.wire import Colour, Decoded, Value

MOST_CHARACTERS = 200
_COLOUR = re.compile("#(?:[0-9A-Fa-f]{6}|[0-9A-Fa-f]{8})")


@dataclass(frozen=True)
class Taken:
    """An argument taken from a message.

    Attributes:
        argument, wildcard: which argument of the message, or what which wildcard of its pattern matched, from 1; the
            other is 0.
        scale, offset: a number is multiplied by one, then the other is added.
        low, high: then it is kept between these.
        step: then it is rounded to a multiple of this; 0 for none.
        map: looked up in this instead, as a text; ``otherwise``: what stands for what is not in it; None: nothing does.
        type: what it is sent as; ``""`` leaves a number as it came, if it wasn't reckoned with. ``rgba``: a colour,
            from a text such as ``#FF8000`` or ``#FF8000FF``.
        decimals: a number is written as a text with so many; None: it stays a number. ``sign``: with + or -.
        before, after: texts around it. longest: characters that a text is cut to.
    """

    argument: int = 0
    wildcard: int = 0
    scale: float = 1.0
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    step: float = 0.0
    map: Mapping[str, Value] = field(default_factory=dict)
    otherwise: Value | None = None
    type: Literal["", "int", "float", "text", "rgba"] = ""
    decimals: int | None = None
    sign: bool = False
    before: str = ""
    after: str = ""
    longest: int = MOST_CHARACTERS

    @property
    def reckons(self) -> bool:
        """Whether a number is changed on its way."""
        plain = self.scale == 1.0 and self.offset == 0.0 and self.step == 0.0
        return not plain or math.isfinite(self.low) or math.isfinite(self.high)

    @property
    def writes(self) -> bool:
        """Whether it becomes a text, whatever it was."""
        return bool(self.type == "text" or self.decimals is not None or self.sign or self.before or self.after)


Piece: TypeAlias = int | float | str | Taken
"""An argument: a fixed number, a fixed text that may hold ``{1}`` for what wildcard 1 matched, or one that is taken."""


def made(
    pieces: Sequence[Piece], args: Sequence[Decoded], captured: tuple[str, ...]
) -> tuple[Value | Colour, ...] | None:
    """The arguments, or None if one of them can't be made from this message: it is missing, or is no number where one
    is wanted, or is in no table."""
    values: list[Value | Colour] = []
    for piece in pieces:
        if isinstance(piece, Taken):
            value = _taken(piece, args, captured)
            if value is None:
                return None
            values.append(value)
        else:
            values.append(fill(piece, captured) if isinstance(piece, str) else piece)
    return tuple(values)


def _taken(piece: Taken, args: Sequence[Decoded], captured: tuple[str, ...]) -> Value | Colour | None:
    given: Decoded
    if piece.wildcard:
        given = captured[piece.wildcard - 1]
        given = int(given) if given.isascii() and given.isdigit() and len(given) < 10 else given
    elif len(args) < piece.argument:
        return None
    else:
        given = args[piece.argument - 1]
    if piece.map:
        given = piece.map.get(_as_key(given), piece.otherwise)
    if piece.type == "rgba":
        return colour_of(given)
    number = number_of(given)
    if number is None:
        if not isinstance(given, str) or piece.reckons or piece.decimals is not None or piece.type in ("int", "float"):
            return None
        return _written(piece, given) if piece.writes else given[: piece.longest]
    if isinstance(given, int) and not piece.reckons and not piece.writes and piece.type != "float":
        return int(given)
    return _number(piece, number, whole=isinstance(given, int))


def _number(piece: Taken, number: float, *, whole: bool) -> Value | None:
    number = number * piece.scale + piece.offset
    steps = number / piece.step if piece.step else 0.0
    if piece.step and math.isfinite(steps):
        number = round(steps) * piece.step
    if not math.isfinite(number) or not math.isfinite(steps):
        return None
    number = min(max(number, piece.low), piece.high)
    if piece.writes:
        places = piece.decimals if piece.decimals is not None else 0 if whole and number == round(number) else None
        sign = "+" if piece.sign else ""
        return _written(piece, f"{number:{sign}g}" if places is None else _fixed(number, places, sign))
    return round(number) if piece.type == "int" else number


def _fixed(number: float, places: int, sign: str) -> str:
    text = f"{number:{sign}.{places}f}"
    return text if float(text) else f"{0.0:{sign}.{places}f}"  # never -0.0


def _written(piece: Taken, text: str) -> str:
    return f"{piece.before}{text}{piece.after}"[: piece.longest]


def colour_of(given: object) -> Colour | None:
    """The colour that a text such as ``#FF8000`` (opaque) or ``#FF800080`` stands for; None for anything else."""
    if not isinstance(given, str) or _COLOUR.fullmatch(given) is None:
        return None
    return Colour(int(given[1:].ljust(8, "F"), 16))


def _as_key(value: Decoded) -> str:
    """What a value is looked up as: ``1`` for 1, 1.0 and true."""
    number = number_of(value)
    return f"{number:.7g}" if number is not None else value if isinstance(value, str) else ""
