"""What a listener says of its stream. Times are seconds from the first sample of the stream."""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.hearing.hum import Hum
from oscservice.hearing.reading import Reading


@dataclass(frozen=True)
class Quiet:
    """What is known of the quiet between notes: its level, and the hum in it."""

    floor_dbfs: float = -80.0
    hum: Hum | None = None


@dataclass(frozen=True)
class Began:
    """A note began at ``time_s``."""

    time_s: float


@dataclass(frozen=True)
class Live:
    """Momentary pitch of the sounding note, its standard error in cents, and the level."""

    time_s: float
    hz: float
    se_cents: float
    level_dbfs: float


@dataclass(frozen=True)
class Heard:
    """A note has ended (or has been heard long enough): its reading. ``onset_s`` is the pluck in the stream.

    A listener that starts from what this one ``knew`` of the quiet, and is given the stream from ``from_s`` to
    ``until_s``, hears this note so again: ``knew.hum`` counts samples from there.
    """

    onset_s: float
    reading: Reading
    from_s: float = 0.0
    until_s: float = 0.0
    knew: Quiet = Quiet()


@dataclass(frozen=True)
class Dismissed:
    """A sound that gave no reading, and why."""

    onset_s: float
    reason: str


Event = Began | Live | Heard | Dismissed
