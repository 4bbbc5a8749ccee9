"""What was measured in a file as text and back, bit for bit: for the cache, and for the way between processes.

JSON as Python writes it: shortest digits that give the same number back, and ``Infinity`` for what could not be known.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

from oscservice.archive.notes import MeasuredFile, NoteFound, SoundPassedOver
from oscservice.hearing.reading import Reading

_PARTIALS, _FLAGS = "partials", "flags"
_NAMES = tuple(field.name for field in fields(Reading))


def to_text(measured: MeasuredFile) -> str:
    """The text that stands for a measured file."""
    found = [
        [one.channel, float(one.onset_s), _listed(one.reading) if isinstance(one, NoteFound) else one.reason]
        for one in measured.found
    ]
    levels = [float(level) for level in measured.levels_dbfs]
    return json.dumps(
        [measured.sample_rate_hz, measured.channels, levels, list(measured.flags), found], separators=(",", ":")
    )


def from_text(text: str) -> MeasuredFile:
    """The measured file a text stands for. Raises ValueError when it isn't one of ours."""
    try:
        rate_hz, channels, levels, flags, found = json.loads(text)
        return MeasuredFile(
            sample_rate_hz=rate_hz,
            channels=channels,
            found=tuple(
                SoundPassedOver(channel, onset_s, what)
                if isinstance(what, str)
                else NoteFound(channel, onset_s, _reading(what))
                for channel, onset_s, what in found
            ),
            levels_dbfs=tuple(levels),
            flags=tuple(flags),
        )
    except (TypeError, KeyError) as error:
        raise ValueError(f"not a measured file: {error}") from None


def _listed(reading: Reading) -> list[Any]:
    return [
        [int(k) for k in reading.partials]
        if name == _PARTIALS
        else list(reading.flags)
        if name == _FLAGS
        else float(getattr(reading, name))
        for name in _NAMES
    ]


def _reading(values: list[Any]) -> Reading:
    given = dict(zip(_NAMES, values, strict=True))
    given[_PARTIALS] = tuple(given[_PARTIALS])
    given[_FLAGS] = tuple(given[_FLAGS])
    return Reading(**given)
