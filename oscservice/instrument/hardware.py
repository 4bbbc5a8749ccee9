"""Hardware beside the saddles: the nut, fine tuners, pegs, the strings' anchor, and the words for each.

Strings are numbered from 1, the thinnest.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from oscservice.toml_file import Frozen

SPRING_BALANCED, FIXED = "spring-balanced", "fixed"
BALANCES = (SPRING_BALANCED, FIXED)
"""Balance of a bridge: springs hold it against the strings, so that it moves with their tension, or it is fixed."""

CLAMPED, SCREW_DRIVEN, PAIRED, TWO_SCREW_BAR, SHAPED_SADDLE = (
    "clamped", "screw-driven", "paired", "two-screw bar", "shaped"
)  # fmt: skip
SADDLES = (CLAMPED, SCREW_DRIVEN, PAIRED, TWO_SCREW_BAR, SHAPED_SADDLE)
"""Kinds of saddle: each clamped by hand, each on a screw, one for two strings, all on a bar between two screws, or in
one piece whose crown is shaped."""

PLAIN, LOCKING, ZERO_FRET, COMPENSATED = "plain", "locking", "zero fret", "compensated"
NUTS = (PLAIN, LOCKING, ZERO_FRET, COMPENSATED)
"""Kinds of nut: slots, slots and clamps, a fret as the string's end, or an edge that differs from string to string."""

TOWARD_NUT, AWAY_FROM_NUT = "toward the nut", "away from the nut"
CLOCKWISE_WAYS = (TOWARD_NUT, AWAY_FROM_NUT)
"""Way of a saddle whose screw is turned clockwise, as seen from the screw's head."""

UP, DOWN = "up", "down"
PEGS = ("plain", "locking")
STRING_LOCK = "string lock"
ANCHORS = ("bridge", "stop tail", "body", STRING_LOCK)
"""Where the strings end: in the bridge, in a separate stop tail, in the body, or clamped in the saddles."""

TOOLS = (
    "saddle clamp", "saddle screw", "saddle hold", "saddle rule", "nut clamp", "fine tuner", "peg", "height screw",
    "spring claw", "pickup height", "truss rod", "nut slot", "crown", "feeler gauge", "ruler", "cutter",
)  # fmt: skip
"""The tools that steps name. A file may give its own text for each."""

FINE_TUNER_RANGE_CENTS = (10.0, 1200.0)

ClampedStrings = Annotated[tuple[int, ...], Field(min_length=1)]


def _one_of(words: tuple[str, ...]) -> AfterValidator:
    def check(word: str) -> str:
        if word not in words:
            raise ValueError(f"is not known; expected one of {', '.join(words)}")
        return word

    return AfterValidator(check)


Balance = Annotated[str, _one_of(BALANCES)]
SaddleType = Annotated[str, _one_of(SADDLES)]
NutKind = Annotated[str, _one_of(NUTS)]
Clockwise = Annotated[str, _one_of(CLOCKWISE_WAYS)]
Pegs = Annotated[str, _one_of(PEGS)]
Anchor = Annotated[str, _one_of(ANCHORS)]
FineTunerWay = Annotated[str, _one_of((UP, DOWN))]


class Nut(Frozen):
    """The nut.

    Attributes:
        kind: one of NUTS.
        clamps: the strings under each clamp of a locking nut; empty on every other.
    """

    kind: NutKind = PLAIN
    clamps: tuple[ClampedStrings, ...] = ()

    @model_validator(mode="after")
    def _clamps_belong_to_a_locking_nut(self) -> Nut:
        if (self.kind == LOCKING) != bool(self.clamps):
            raise ValueError("clamps belong to a locking nut, and a locking nut has clamps")
        held = [number for clamp in self.clamps for number in clamp]
        if len(set(held)) != len(held):
            raise ValueError("a string is under one clamp")
        return self

    @property
    def locking(self) -> bool:
        """True if clamps hold the strings."""
        return self.kind == LOCKING

    def clamped_with(self, string: int) -> tuple[int, ...]:
        """Return the strings under the same clamp as this string, itself included; empty without a clamp."""
        return next((clamp for clamp in self.clamps if string in clamp), ())


class FineTuners(Frozen):
    """Fine tuners at the bridge, one a string.

    Attributes:
        range_cents: from one end of the travel to the other, cents of an open string.
        clockwise: ``up`` or ``down``: the way that a clockwise turn takes the pitch.
    """

    range_cents: Annotated[float, Field(ge=FINE_TUNER_RANGE_CENTS[0], le=FINE_TUNER_RANGE_CENTS[1])]
    clockwise: FineTunerWay = UP
