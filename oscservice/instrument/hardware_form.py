"""The form of the hardware beside the saddles in an instrument file: ``[nut]``, ``[fine_tuners]`` and ``[tools]``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, PlainValidator, model_validator

from oscservice.instrument import hardware
from oscservice.instrument.bridge_form import one_of
from oscservice.instrument.spec import MOST_STRINGS
from oscservice.toml_file import Form

STRINGS_A_CLAMP = 2
"""Strings under one clamp of a locking nut (common practice, no source)."""

FINE_TUNER_CENTS = 200.0
"""Range of a fine tuner, about a tone from one end to the other (common practice, no source)."""


def _clamps(given: object) -> int | tuple[tuple[int, ...], ...]:
    if type(given) is int and 1 <= given <= MOST_STRINGS:
        return given
    if not isinstance(given, list) or not given or not all(isinstance(clamp, list) and clamp for clamp in given):
        raise ValueError("is not a list of clamps")
    if not all(type(number) is int and 1 <= number <= MOST_STRINGS for clamp in given for number in clamp):
        raise ValueError("is not a list of strings")
    return tuple(tuple(clamp) for clamp in given)


def step_of(key: str) -> str:
    """Return the step that a key of ``[tools]`` names; it may have underscores instead of blanks."""
    return key.replace("_", " ")


Clamps = Annotated[int | tuple[tuple[int, ...], ...], PlainValidator(_clamps)]


class NutForm(Form):
    """The ``[nut]`` table. ``clamps``: the strings under each, or how many strings each holds, from string 1."""

    kind: hardware.NutKind = Field(hardware.PLAIN, description=one_of(hardware.NUTS))
    clamps: Clamps | None = Field(
        None, description="how many strings each clamp holds: 2; or the strings under each: [[1, 2], [3, 4], [5, 6]]"
    )

    @model_validator(mode="after")
    def _clamps_of_a_locking_nut(self) -> NutForm:
        if self.clamps is not None and self.kind != hardware.LOCKING:
            raise ValueError(f'clamps: a nut of the kind {self.kind} has none; leave it out or write kind = "locking"')
        return self

    def clamps_on(self, strings: int) -> tuple[tuple[int, ...], ...]:
        """Return the strings under each clamp, on a nut with this number of strings; none without clamps."""
        if self.kind != hardware.LOCKING:
            return ()
        if isinstance(self.clamps, tuple):
            return self.clamps
        each = STRINGS_A_CLAMP if self.clamps is None else self.clamps
        return tuple(tuple(range(first, min(first + each, strings + 1))) for first in range(1, strings + 1, each))


class FineTunersForm(Form):
    """The ``[fine_tuners]`` table. ``range_cents``: from one end of the travel to the other, of the string that a fine
    tuner changes least."""

    range_cents: float = Field(
        FINE_TUNER_CENTS,
        ge=hardware.FINE_TUNER_RANGE_CENTS[0],
        le=hardware.FINE_TUNER_RANGE_CENTS[1],
        description="a number from {:g} to {:g} (cents)".format(*hardware.FINE_TUNER_RANGE_CENTS),
    )
    clockwise: hardware.FineTunerWay = Field(hardware.UP, description=one_of((hardware.UP, hardware.DOWN)))


def nut_of(form: NutForm, strings: int) -> hardware.Nut:
    """Return the nut that a checked form describes."""
    return hardware.Nut(kind=form.kind, clamps=form.clamps_on(strings))


def fine_tuners_of(form: FineTunersForm | None) -> hardware.FineTuners | None:
    """Return the fine tuners that a checked form describes, or None."""
    return None if form is None else hardware.FineTuners(range_cents=form.range_cents, clockwise=form.clockwise)
