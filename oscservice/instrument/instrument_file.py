"""Instrument files and presets: reading them, and one line for each mistake.

Read an instrument file, and say in one line what is wrong with it: file, line, field, what stood there.

Where instruments come from: the presets in this package, or a file that a technician copied and edited.
"""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from oscservice.errors import InputError
from oscservice.instrument import setup_targets as condition
from oscservice.instrument import spec
from oscservice.instrument.contradictions import contradictions
from oscservice.instrument.instrument_form import (
    KINDS_IN_CONTEXT,
    NO_KINDS,
    THREADS_MM,
    AdjusterForm,
    BridgeForm,
    InstrumentForm,
    Kinds,
    SetUpForm,
    StringForm,
    expand,
    kind_names,
)
from oscservice.instrument.modified_instrument import with_capo
from oscservice.instrument.spec import KINDS, Adjuster, Bridge, Instrument, StringSpec
from oscservice.instrument.string_physics import INCH_MM
from oscservice.toml_file import Location, find_line, nearest, parse, shown, toml_text

_ADJUSTER = "bridge.adjuster"
_TABLES: dict[str, type[BaseModel]] = {
    "": InstrumentForm,
    "bridge": BridgeForm,
    _ADJUSTER: AdjusterForm,
    "set_up": SetUpForm,
    "string": StringForm,
}


def _range_text(limits: tuple[float, float], unit: str) -> str:
    return f"a number from {limits[0]:g} to {limits[1]:g} ({unit})"


_GAUGE = _range_text(spec.GAUGE_RANGE_MM, "mm")
_GAUGE_IN = f"inches from {spec.GAUGE_RANGE_MM[0] / INCH_MM:.3f} to {spec.GAUGE_RANGE_MM[1] / INCH_MM:.3f}, e.g. 0.010"
_SCALE = _range_text(spec.SCALE_RANGE_MM, "mm")
_TRAVEL = "a number from 0 to 50 (mm)"
_LISTS = ("string", _ADJUSTER)

_STEP = "a number above 0, to 5 (mm)"
_THREAD = f"mm a turn from 0.1 to 3.0, or one of {', '.join(THREADS_MM)}"


def _two(limits: tuple[float, float]) -> str:
    return f"the least and the most wanted in mm, from {limits[0]:g} to {limits[1]:g}: [0.1, 0.3], say"


_EXPECTED = {
    ("", "name"): "a short text in quotes",
    ("", "title"): "a text in quotes",
    ("", "identity"): f"a text of 1 to {spec.LONGEST_IDENTITY} characters in quotes, no blank at its ends",
    ("", "reference_hz"): _range_text(spec.REFERENCE_RANGE_HZ, "Hz, usually 440.0"),
    ("", "frets"): f"a whole number from 1 to {spec.MOST_FRETS}",
    ("", "scale_mm"): _SCALE,
    ("", "capo"): "the capo's fret, a whole number from 0 (none) to 12",
    ("", "bridge"): "a [bridge] table",
    ("", "string"): f"1 to {spec.MOST_STRINGS} [[string]] entries, thinnest first",
    ("bridge", "toward_nut_mm"): _TRAVEL,
    ("bridge", "away_mm"): _TRAVEL,
    ("bridge", "thread"): _THREAD,
    ("bridge", "step_mm"): _STEP,
    ("bridge", "slacken"): "true or false",
    ("bridge", "string_spread_mm"): "a number from 5 to 150 (mm)",
    ("bridge", "screw_span_mm"): "a number from 5 to 200 (mm)",
    ("bridge", "adjuster"): f"1 to {2 * spec.MOST_STRINGS} [[bridge.adjuster]] entries",
    ("set_up", "relief_mm"): _range_text(condition.RELIEF_LIMITS_MM, "mm"),
    ("set_up", "relief_wanted_mm"): _two(condition.RELIEF_LIMITS_MM),
    ("set_up", "action_treble_wanted_mm"): _two(condition.ACTION_LIMITS_MM),
    ("set_up", "action_bass_wanted_mm"): _two(condition.ACTION_LIMITS_MM),
    ("set_up", "nut_wanted_mm"): _two(condition.NUT_LIMITS_MM),
    ("set_up", "strings_fitted"): "a date without quotes: 2026-11-25, say",
    ("set_up", "replace_after_days"): "a whole number of days from {} to {}".format(*condition.REPLACE_AFTER_LIMITS),
    (_ADJUSTER, "name"): "a text of 1 to 40 letters in quotes",
    (_ADJUSTER, "influence"): 'mm that saddles move per mm of the adjuster, each string once: { "1" = 1.0, "2" = 0.5 }',
    (_ADJUSTER, "toward_nut_mm"): _TRAVEL,
    (_ADJUSTER, "away_mm"): _TRAVEL,
    (_ADJUSTER, "means"): "one of " + ", ".join(spec.MEANS),
    (_ADJUSTER, "thread"): _THREAD,
    (_ADJUSTER, "step_mm"): _STEP,
    ("string", "note"): "a note name in quotes: letter, # or b if need be, octave, e.g. E2",
    ("string", "kind"): "plain or wound, in quotes",
    ("string", "gauge_in"): _GAUGE_IN,
    ("string", "gauge_mm"): _GAUGE,
    ("string", "core_in"): _GAUGE_IN,
    ("string", "core_mm"): _GAUGE,
    ("string", "unit_weight_kg_m"): "a number from 0.00005 to 0.1 (kg/m)",
    ("string", "scale_mm"): _SCALE,
    ("string", "action_12_mm"): "a number from 0 to 10 (mm)",
    ("string", "nut_height_mm"): "a number from 0 to 5 (mm)",
    ("string", "setback_mm"): "a number from -20 to 30 (mm)",
    ("string", "offset_cents"): "a number from -50 to 50 (cents off the note, + sharp)",
}


def read_instrument(text: str, origin: str, kinds: Kinds = NO_KINDS) -> spec.Instrument:
    """The instrument in the TOML ``text``; ``origin`` names the file in messages, ``kinds`` are those of bridges that
    other packages add.

    Raises:
        InputError: one line with the file, the line, the field, what stood there and what was expected.
    """
    data = parse(text, origin)
    try:
        form = InstrumentForm.model_validate(data, context={KINDS_IN_CONTEXT: kinds})
        for location, words in contradictions(form, kinds):
            raise InputError(f"{origin}: line {find_line(text, location)}: {words}")
        instrument = expand(form, kinds)
    except ValidationError as mistake:
        raise InputError(_first_mistake(mistake.errors(), text, origin, kinds)) from None
    try:
        return with_capo(instrument, form.capo) if form.capo else instrument
    except ValueError as mistake:
        raise InputError(f"{origin}: line {find_line(text, ('capo',))}: {mistake}") from None


def _split(location: Location) -> tuple[str, int, str]:
    """Table, index in it (0 for a plain table) and key; empty texts where the location goes no further."""
    parts = list(location)
    head = str(parts.pop(0)) if parts else ""
    if head not in _TABLES or not head:
        return "", -1, head
    if head == "bridge" and len(parts) > 1 and parts[0] == "adjuster":
        head = _ADJUSTER
        parts.pop(0)
    entry = parts[0] if parts else ""
    if isinstance(entry, int):
        return head, entry, str(parts[1]) if len(parts) > 1 else ""
    if head == "string":
        return "", -1, head  # the list itself, not one of its entries
    return head, 0, str(entry)


def _first_mistake(errors: list[ErrorDetails], text: str, origin: str, kinds: Kinds) -> str:
    """One line on the first mistake in the file. An unknown key goes first: it explains what is missing."""
    found = sorted(
        ((error["type"] != "extra_forbidden", *_describe(error, text, kinds)) for error in errors),
        key=lambda mistake: mistake[:2],
    )
    _, line, words = found[0]
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    return f"{origin}: line {line}: {words}{more}"


def _describe(error: ErrorDetails, text: str, kinds: Kinds) -> tuple[int, str]:
    location = error["loc"]
    table, index, key = _split(location)
    entry = f"{table.rpartition('.')[2]} {index + 1}" if table in _LISTS else table
    if error["type"] == "value_error" and (not location or not key):  # a check across fields names its keys first
        words = str(error["ctx"]["error"])
        keys = tuple(words.split(":")[0].split(", "))
        candidates = [name for name in _TABLES[table].model_fields if name.startswith(keys)]
        lines = [find_line(text, (*location, name)) for name in candidates]
        return max([find_line(text, location), *lines]), f"{entry}, {words}" if entry else words
    line = find_line(text, location)
    place = ", ".join(part for part in (entry, key) if part)
    if error["type"] == "extra_forbidden":
        return line, f"{place}: unknown key; {nearest(key, _TABLES[table].model_fields)}"
    expected = _EXPECTED.get((table, key), f"a [{table}] table" if table else "a value")
    if (table, key) == ("bridge", "kind"):
        expected = "one of " + kind_names(kinds)
    if error["type"] == "missing":
        return line, f"{place}: missing; expected {expected}"
    return line, f"{place}: found {shown(error['input'])}, expected {expected}"


__all__ = [
    "KINDS",
    "Adjuster",
    "Bridge",
    "Instrument",
    "StringSpec",
    "load_instrument",
    "load_named",
    "preset_names",
    "preset_toml",
]

_PRESETS = resources.files("oscservice.instrument") / "presets"
_BARE_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}")


def preset_names() -> list[str]:
    """Names of the presets, sorted."""
    return sorted(entry.name.removesuffix(".toml") for entry in _PRESETS.iterdir() if entry.name.endswith(".toml"))


def preset_toml(name: str) -> str:
    """The TOML text of a preset, to copy and edit. Raises InputError for a name that isn't a preset."""
    if name not in preset_names():
        raise InputError(f"no preset is called {name!r}; expected one of {', '.join(preset_names())}")
    return (_PRESETS / f"{name}.toml").read_text(encoding="utf-8")


def load_named(name: str, folder: Path, kinds: Kinds = NO_KINDS) -> Instrument:
    """An instrument by preset name, or by the bare name of a TOML file in one folder: what a message from the network
    may ask for. Nothing outside the folder is opened, and its other files are not told of.

    Raises:
        InputError: no such preset or file, or the file has a mistake.
    """
    if name in preset_names():
        return load_instrument(name, kinds)
    file = folder / f"{name.removesuffix('.toml')}.toml"
    if _BARE_NAME.fullmatch(name) is None or not file.is_file():
        raise InputError(f"no instrument is called {name[:64]!r}; expected a preset, or a TOML file's name in {folder}")
    return load_instrument(str(file), kinds)


def load_instrument(name_or_path: str, kinds: Kinds = NO_KINDS) -> Instrument:
    """An instrument by preset name or by the path of a TOML file, which may name the bridge ``kinds`` too.

    Raises:
        InputError: no such preset or file, or the file has a mistake (one line: file, line, field, what was expected).
    """
    if name_or_path in preset_names():
        return read_instrument(preset_toml(name_or_path), f"{name_or_path}.toml")
    path = Path(name_or_path)
    missing = f"{name_or_path!r} is neither a preset nor a readable file; presets are {', '.join(preset_names())}"
    text = toml_text(path, "an instrument file", missing)
    return read_instrument(text, str(path), kinds)
