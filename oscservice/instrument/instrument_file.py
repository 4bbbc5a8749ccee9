"""Instrument files and presets: reading them, and one line for each mistake.

An instrument comes from a preset in this package, or from a file that a technician copied and edited.
"""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from pydantic import ValidationError

from oscservice.errors import InputError
from oscservice.instrument.bridge_form import KINDS_IN_CONTEXT, expected_of
from oscservice.instrument.bridge_kinds import NO_KINDS, Kinds
from oscservice.instrument.contradictions import contradictions
from oscservice.instrument.instrument_form import InstrumentForm, expand
from oscservice.instrument.modified_instrument import with_capo
from oscservice.instrument.spec import Instrument
from oscservice.toml_file import first_mistake, mistake, read_form, toml_text

_PRESETS = resources.files("oscservice.instrument") / "presets"
_BARE_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}")


def preset_names() -> list[str]:
    """Return the names of the presets, sorted."""
    return sorted(entry.name.removesuffix(".toml") for entry in _PRESETS.iterdir() if entry.name.endswith(".toml"))


def preset_toml(name: str) -> str:
    """Return the TOML text of a preset, to copy and edit. Raises InputError for a name that isn't a preset."""
    if name not in preset_names():
        raise InputError(f"no preset is called {name!r}; expected one of {', '.join(preset_names())}")
    return (_PRESETS / f"{name}.toml").read_text(encoding="utf-8")


def load_named(name: str, folder: Path, kinds: Kinds = NO_KINDS) -> Instrument:
    """Return an instrument by preset name, or by the bare name of a TOML file in one folder.

    It serves messages from the network: nothing outside the folder is opened, and its other files are not listed.

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
    """Return an instrument by preset name or by the path of a TOML file, which may name the bridge ``kinds`` too.

    Raises:
        InputError: no such preset or file, or the file has a mistake (one line: file, line, field, what was expected).
    """
    if name_or_path in preset_names():
        return read_instrument(preset_toml(name_or_path), f"{name_or_path}.toml")
    path = Path(name_or_path)
    missing = f"{name_or_path!r} is neither a preset nor a readable file; presets are {', '.join(preset_names())}"
    text = toml_text(path, "an instrument file", missing)
    return read_instrument(text, str(path), kinds)


def read_instrument(text: str, origin: str, kinds: Kinds = NO_KINDS) -> Instrument:
    """Return the instrument in the TOML ``text``.

    Args:
        origin: names the file in messages.
        kinds: the kinds of bridge that other packages add.

    Raises:
        InputError: one line with the file, the line, the key, what was found and what was expected.
    """
    form = read_form(InstrumentForm, text, origin, {KINDS_IN_CONTEXT: kinds}, expected_of(kinds))
    try:
        for location, words in contradictions(form, kinds):
            raise mistake(InstrumentForm, text, origin, location, words)
        instrument = expand(form, kinds)
    except ValidationError as mistakes:
        raise first_mistake(InstrumentForm, mistakes.errors(), text, origin) from None
    try:
        return with_capo(instrument, form.capo) if form.capo else instrument
    except ValueError as error:
        raise mistake(InstrumentForm, text, origin, ("capo",), str(error).removeprefix("capo: ")) from None
