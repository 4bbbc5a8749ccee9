"""The form of the named tunings in an instrument file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Protocol

from pydantic import Field

from oscservice.instrument import spec
from oscservice.toml_file import Form

_OF_EACH_STRING = Field(min_length=1, max_length=spec.MOST_STRINGS)


class TuningForm(Form):
    """One ``[[tuning]]`` entry: another tuning than that of the ``[[string]]`` entries."""

    name: spec.TuningName = Field(description=f"a text of 1 to 40 characters in quotes, without {spec.BOTH}")
    notes: Annotated[list[spec.NoteName], _OF_EACH_STRING] = Field(
        description='the note of each string in quotes, string 1 first: ["E4", "B3", "G3", "D3", "A2", "D2"], say'
    )
    offsets_cents: Annotated[list[spec.OffsetCents], _OF_EACH_STRING] | None = Field(
        None, description="a number for each string, string 1 first, from -50 to 50 (cents off the note, + sharp)"
    )


class TunedString(Protocol):
    """A ``[[string]]`` entry."""

    @property
    def note(self) -> str: ...
    @property
    def offset_cents(self) -> float: ...


def tunings_of(name: str, strings: Sequence[TunedString], others: Sequence[TuningForm]) -> tuple[spec.Tuning, ...]:
    """Return the tunings of a file, that of its strings first; none if that has no name."""
    if not name:
        return ()
    notes, offsets_cents = zip(*((entry.note, entry.offset_cents) for entry in strings), strict=True)
    return (spec.Tuning(name=name, notes=notes, offsets_cents=offsets_cents), *map(_tuning, others))


def _tuning(entry: TuningForm) -> spec.Tuning:
    offsets_cents = entry.offsets_cents or [0.0] * len(entry.notes)
    return spec.Tuning(name=entry.name, notes=tuple(entry.notes), offsets_cents=tuple(offsets_cents))
