"""Read a settings file: options of the daemon, what is bound to what, and who is sent what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from pydantic import ValidationError

from oscservice.configured.checked import check_pass_over, checked_bindings, checked_checks, checked_listeners
from oscservice.configured.form import SettingsForm
from oscservice.configured.mistakes import SETTINGS_MISTAKES
from oscservice.instrument.profile import preset_names
from oscservice.osc.bindings import Binding
from oscservice.osc.dressing import FixedListener
from oscservice.settings import DEFAULT_ROOT
from oscservice.tomltext import Location, parse, toml_text

_PATHS = ("journal", "sentences")


@dataclass(frozen=True)
class Configured:
    """What a settings file says.

    Attributes:
        options: of ``oscservice serve``, by their names with ``_`` for ``-``; paths are whole.
        bindings: foreign messages to commands, in the order of the file.
        pass_over: patterns of foreign addresses that are neither carried out nor answered.
        listeners: who is sent what without asking.
        checks: manifests of the sets of recordings that may be checked, by their names; paths are whole.
    """

    options: dict[str, Any] = field(default_factory=dict)
    bindings: tuple[Binding, ...] = ()
    pass_over: tuple[str, ...] = ()
    listeners: tuple[FixedListener, ...] = ()
    checks: Mapping[str, Path] = field(default_factory=dict)


NOTHING = Configured()


def load_settings(path: Path, root: str | None = None) -> Configured:
    """What the settings file at ``path`` says; a ``root`` from elsewhere wins over its own.

    Raises:
        InputError: it can't be read, or has a mistake: file, line, key, what was expected.
    """
    missing = f"{str(path)!r} is no file; give the path of a settings file, or leave --settings out"
    text = toml_text(path, "a settings file", missing)
    return read_settings(text, str(path), path.absolute().parent, root)


def read_settings(text: str, origin: str, folder: Path, root: str | None = None) -> Configured:
    """What the TOML ``text`` says; ``origin`` names the file in messages, ``folder`` is where its paths begin.

    Raises:
        InputError: one line with the file, the line, the key, what stood there and what was expected.
    """
    data = parse(text, origin)
    try:
        form = SettingsForm.model_validate(data)
    except ValidationError as mistakes:
        raise SETTINGS_MISTAKES.first(mistakes.errors(), text, origin) from None

    def refuse(location: Location, words: str) -> NoReturn:
        raise SETTINGS_MISTAKES.at(text, origin, location, words)

    whole = root or form.root or DEFAULT_ROOT
    bindings, listeners = checked_bindings(form, whole, refuse), checked_listeners(form, whole, refuse)
    check_pass_over(form, refuse)
    checks = {name: folder / manifest for name, manifest in checked_checks(form, refuse).items()}
    return Configured(_options(form, folder), bindings, tuple(form.pass_over), listeners, checks)


def _options(form: SettingsForm, folder: Path) -> dict[str, Any]:
    options = form.options()
    for name in _PATHS:
        if name in options:
            options[name] = folder / options[name]
    if "allow" in options:
        options["allow"] = tuple(options["allow"])
    if options.get("instrument", "").endswith(".toml") and options["instrument"] not in preset_names():
        options["instrument"] = str(folder / options["instrument"])
    kind, _, rest = options.get("source", "").partition(":")
    if kind == "file" and rest:
        options["source"] = f"file:{folder / rest}"
    return options
