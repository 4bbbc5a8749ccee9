"""List the instrument presets, and print one as the TOML text a technician copies and edits."""

from __future__ import annotations

import sys

from rich.console import Console
from rich.table import Table

from oscservice.instrument.profile import Instrument, load_instrument, preset_names, preset_toml


def list_instruments() -> None:
    """Print a table of the presets on standard output."""
    table = Table(title="Instrument presets")
    for column in ("name", "strings", "scale mm", "frets", "gauges in", "bridge"):
        table.add_column(column, no_wrap=column in ("name", "scale mm"))
    for name in preset_names():
        instrument = load_instrument(name)
        table.add_row(
            name,
            " ".join(string.note for string in instrument.strings),
            _scale(instrument),
            str(instrument.frets),
            _gauges(instrument),
            instrument.bridge.kind,
        )
    Console().print(table)


def show_instrument(name: str) -> None:
    """Print a preset's TOML text on standard output. Raises InputError for a name that isn't a preset."""
    sys.stdout.write(preset_toml(name))


def _scale(instrument: Instrument) -> str:
    scales = sorted({string.scale_mm for string in instrument.strings})
    return f"{scales[0]:g}" if len(scales) == 1 else f"{scales[0]:g} to {scales[-1]:g}"


def _gauges(instrument: Instrument) -> str:
    first, last = (f"{instrument.strings[k].gauge_mm / 25.4:.3f}".lstrip("0") for k in (0, -1))
    return f"{first} to {last}"
