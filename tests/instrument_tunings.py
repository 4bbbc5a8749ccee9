"""An instrument file with three named tunings, for tests."""

from __future__ import annotations

from oscservice.instrument.instrument_file import preset_toml, read_instrument
from oscservice.instrument.spec import Instrument

TUNINGS = """
[[tuning]]
name = "drop D"
notes = ["E4", "B3", "G3", "D3", "A2", "D2"]

[[tuning]]
name = "whole tone down"
notes = ["D4", "A3", "F3", "C3", "G2", "D2"]
offsets_cents = [0, 0, -4.5, 0, 0, 2]
"""


def tunings_toml(tunings: str = TUNINGS, preset: str = "six-string-628-fixed") -> str:
    """The text of a preset, in standard tuning, with other tunings."""
    return preset_toml(preset).replace("\nfrets =", '\ntuning_name = "standard"\nfrets =', 1) + tunings


def tuned_instrument() -> Instrument:
    """The instrument of that file."""
    return read_instrument(tunings_toml(), "tunings.toml")
