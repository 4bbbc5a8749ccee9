"""Golden readings: what hearing reads in made-up notes stays what it was."""

from __future__ import annotations

import json
from typing import Any

import pytest
from golden.hearing import NOTES, found_in, note
from golden.stored import EXACT, FOLDER, difference, read

GOLDEN = dict(zip(NOTES, map(json.loads, read(FOLDER / "readings.jsonl.gz")), strict=True))


def frequencies(found: Any) -> Any:
    """The frequencies in what was found, in order."""
    if isinstance(found, dict):
        return [one if key.endswith("hz") else frequencies(one) for key, one in found.items()]
    return [frequencies(one) for one in found] if isinstance(found, list) else None


@pytest.mark.parametrize("name", NOTES)
def test_a_note_is_read_as_it_was(name: str) -> None:
    now = found_in(*note(name))
    assert difference(frequencies(GOLDEN[name]), frequencies(now)) is None
    # What a search ends at, and what is nearly nothing, depends on the processor's last bits more than frequencies do.
    assert difference(GOLDEN[name], now, near=0.0 if EXACT else 1e-5) is None


def test_the_notes_are_of_many_kinds() -> None:
    flags = {flag for one in GOLDEN.values() for flag in one["note"]["flags"]}
    assert flags >= {"short"}
    assert any(one["note"]["beat_cents"] for one in GOLDEN.values())
    assert sum(bool(one["heard"]) for one in GOLDEN.values()) == len(NOTES)
