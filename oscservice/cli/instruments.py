"""List the instrument presets, and print one as the TOML text a technician copies and edits."""

from __future__ import annotations

import sys

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from oscservice.instrument.profile import Instrument, load_instrument, preset_names, preset_toml


def list_instruments() -> None:
    """Print a table of the presets on standard output."""
    table = Table(title="Instrument presets", title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for column in ("name", "strings", "mm", "frets", "gauges", "bridge"):
        table.add_column(column, no_wrap=column in ("name", "mm", "gauges"))
    for name in preset_names():
        instrument = load_instrument(name)
        table.add_row(
            name,
            _notes(instrument),
            _scale(instrument),
            str(instrument.frets),
            _gauges(instrument),
            instrument.bridge.kind,
        )
    Console().print(table)


def show_instrument(name: str) -> None:
    """Print a preset's TOML text on standard output. Raises InputError for a name that isn't a preset."""
    sys.stdout.write(preset_toml(name))


def _notes(instrument: Instrument) -> str:
    """How many strings, and the notes of the outer two: ``6: E4-E2``."""
    return f"{len(instrument.strings)}: {instrument.strings[0].note}-{instrument.strings[-1].note}"


def _scale(instrument: Instrument) -> str:
    scales = sorted({string.scale_mm for string in instrument.strings})
    return f"{scales[0]:g}" if len(scales) == 1 else f"{scales[0]:g}-{scales[-1]:g}"


def _gauges(instrument: Instrument) -> str:
    first, last = (f"{instrument.strings[k].gauge_mm / 25.4:.3f}".lstrip("0") for k in (0, -1))
    return f"{first}-{last}"
