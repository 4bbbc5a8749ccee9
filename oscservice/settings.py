"""The settings of the daemon: each is declared once, in ``ServeSettings``.

The options of ``oscservice serve`` and their help, the environment variables, the keys of a settings file and the
printed defaults are all taken from there. The command line wins over the environment, the environment over the file,
the file over the default.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Annotated, Any

import platformdirs
from pydantic import AfterValidator, Field, ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, EnvSettingsSource, PydanticBaseSettingsSource, SettingsConfigDict

from oscservice.audio.source_spec import OPTION_FORMS, SHORTEST_FORMS
from oscservice.defaults import DEFAULT_HOST, DEFAULT_INSTRUMENT, DEFAULT_PORT, DEFAULT_ROOT, DEFAULT_TOLERANCE_CENTS
from oscservice.errors import InputError
from oscservice.instrument.pitch import MOST_SEMITONES
from oscservice.osc.peer import Networks
from oscservice.sentences.length_text import LengthUnit
from oscservice.session.vocabulary import TOLERANCE_RANGE_CENTS
from oscservice.toml_file import Frozen, find_line, parse, shown, toml_text

MOST_KEEP_AUDIO_MB = 10_000_000
MOST_KEEP_AUDIO_DAYS = 36_500
ENVIRONMENT_PREFIX = "OSCSERVICE_"
_LENGTHS_VARIABLE = ENVIRONMENT_PREFIX + "LENGTHS"
_LOW_CENTS, _HIGH_CENTS = TOLERANCE_RANGE_CENTS


def instrument_folder() -> Path:
    """Return the user's own folder of instrument files; a session may be begun on one by the name of its file."""
    return _user_folder() / "instruments"


def check_folder() -> Path:
    """Return the user's own folder of manifests; a client may have one checked by the name of its file."""
    return _user_folder() / "checks"


def settings_file() -> Path:
    """Return the path of the user's own settings file, which may not exist."""
    return _user_folder() / "settings.toml"


def _user_folder() -> Path:
    return platformdirs.user_config_path("oscservice", appauthor=False)


def _network(given: str) -> str:
    try:
        Networks([given])
    except InputError as error:
        raise ValueError(str(error)) from None
    return given


def _root(given: str) -> str:
    from oscservice.api.address_table import ROOT  # the table takes long to import, and options are read without it

    if ROOT.fullmatch(given) is None:
        raise ValueError("not a root of OSC addresses")
    return given


def _setting(
    default: Any, help: str, expected: str, metavar: str | None = None, option_range: bool = True, **more: Any
) -> Any:
    """Return a field of the settings.

    Args:
        help: of its option.
        expected: what its key in a file expects.
        metavar: the name of the value in the option's help.
        option_range: its range is that of the option too; False where a later message says more.
        more: range of a number, length of a list; ``strict=False`` where a file has a text or a list for it.
    """
    option: dict[str, Any] = {"help": help, "metavar": metavar, "range": option_range}
    return Field(default, description=expected, json_schema_extra=option, **more)


_YES_OR_NO = "true or false"


class ServeSettings(Frozen):
    """Settings of one daemon, by the names of their options with ``_`` for ``-``. Paths are whole.

    ``tolerance`` is in cents, ``bend_range`` in semitones.
    """

    source: str = _setting(
        "device",
        f"Source of sound: {OPTION_FORMS}, or a plug-in's.",
        f"what to listen to, in quotes: {SHORTEST_FORMS}",
    )
    rate: int | None = _setting(
        None, "Sample rate in Hz of raw samples or of a device.", "a sample rate in Hz", option_range=False, ge=1
    )
    channels: int | None = _setting(
        None, "Number of channels of raw samples or of a device.", "a number of channels", option_range=False, ge=1
    )
    format: str | None = _setting(
        None, "Format of raw samples: s16le, s24le or f32le.", "s16le, s24le or f32le, in quotes"
    )
    fast: bool = _setting(False, "Read a file as fast as possible.", _YES_OR_NO)
    channel: int = _setting(1, "The channel that carries all strings.", "a channel, from 1", ge=1)
    string_a_channel: bool = _setting(False, "Channel 1 carries string 1, and so on.", _YES_OR_NO)
    host: str = _setting(DEFAULT_HOST, "Address to listen on for OSC.", "the address to listen on, in quotes")
    port: int = _setting(
        DEFAULT_PORT,
        "Port of UDP, TCP and HTTP; 0 chooses a free one.",
        "a port from 0 to 65535",
        option_range=False,
        ge=0,
        le=65535,
    )
    root: Annotated[str, AfterValidator(_root)] = _setting(
        DEFAULT_ROOT, "Root of all OSC addresses.", "the root of all addresses in quotes, as /bench or /shop/two"
    )
    allow: tuple[Annotated[str, AfterValidator(_network)], ...] = _setting(
        (),
        "A network that may send, such as 192.168.1.0/24; repeat for more.",
        'a list of networks: ["192.168.1.0/24"]',
        metavar="CIDR",
        max_length=64,
        strict=False,
    )
    announce: bool = _setting(False, "Announce the daemon on the network, whatever address it listens on.", _YES_OR_NO)
    bend_range: int = _setting(
        0,
        "Pitch bend range in semitones, to send deviations as bends; 0: no bends.",
        f"semitones, a whole number from 0 to {MOST_SEMITONES}",
        ge=0,
        le=MOST_SEMITONES,
    )
    name: str = _setting(
        "", "Name in the announcement; by default one with the machine's name.", "a name to be found by, in quotes"
    )
    plugin: tuple[str, ...] = _setting(
        (),
        "Argument for a listener plug-in, such as a file; repeat for more.",
        'a list of what plug-ins that listen are given: ["NAME:REST"]',
        metavar="NAME:REST",
        max_length=64,
        strict=False,
    )
    without_plugin: tuple[str, ...] = _setting(
        (),
        "A plug-in not to use; repeat for more.",
        'a list of plug-ins to leave alone: ["NAME"]',
        metavar="NAME",
        max_length=64,
        strict=False,
    )
    journal: Path | None = _setting(
        None, "Journal file; by default the user's own.", "a file's path in quotes", strict=False
    )
    keep_audio: bool = _setting(
        False, "Keep the sound of each reading as FLAC beside the journal, to measure it again later.", _YES_OR_NO
    )
    keep_audio_mb: int = _setting(
        2000,
        "Limit of kept sound in megabytes; above it the oldest is deleted.",
        f"megabytes, a whole number from 1 to {MOST_KEEP_AUDIO_MB}",
        ge=1,
        le=MOST_KEEP_AUDIO_MB,
    )
    keep_audio_days: int = _setting(
        0,
        "Days to keep sound; 0: as long as there is room.",
        f"days, a whole number from 0 (no limit) to {MOST_KEEP_AUDIO_DAYS}",
        ge=0,
        le=MOST_KEEP_AUDIO_DAYS,
    )
    job_sheet: Path | None = _setting(
        None,
        "Job sheet: a TOML file read when a session begins; it stays in the record and is never sent.",
        "a file's path in quotes",
        strict=False,
    )
    instrument: str = _setting(
        DEFAULT_INSTRUMENT, "Preset or file of the instrument on the bench.", "a preset or a file's path in quotes"
    )
    tolerance: float = _setting(
        DEFAULT_TOLERANCE_CENTS,
        "Tolerance: the largest error in cents to accept.",
        f"a number from {_LOW_CENTS:g} to {_HIGH_CENTS:g} (cents)",
        ge=_LOW_CENTS,
        le=_HIGH_CENTS,
    )
    by_hand: bool = _setting(False, "Each step waits for /bench/session/next.", _YES_OR_NO)
    resume: bool = _setting(False, "Resume the newest open session at the start.", _YES_OR_NO)
    exit_at_end: bool = _setting(False, "End when the source ends.", _YES_OR_NO)
    seed: int = _setting(
        1,
        "Simulated guitar: the seed of its tuning and its saddle places.",
        "a whole number from 0",
        ge=0,
    )
    stepped: bool = _setting(
        False,
        "Simulated guitar: time passes only when a client sends /bench/simulator/wait SECONDS, as fast as the machine "
        "allows; /bench/simulator/done follows when all of it has been heard.",
        _YES_OR_NO,
    )
    sentences: Path | None = _setting(
        None, "Translation of the prompts; see `oscservice sentences`.", "a file's path in quotes", strict=False
    )
    lengths: LengthUnit = _setting(
        LengthUnit.MM,
        "Unit of the lengths in texts: mm or in (inches); numbers in messages stay mm.",
        "mm or in, in quotes",
        strict=False,
    )


class _Environment(EnvSettingsSource):
    """Environment variables. The check of the settings finds values that should be a list and are not."""

    def decode_complex_value(self, field_name: str, field: FieldInfo, value: Any) -> Any:
        try:
            return super().decode_complex_value(field_name, field, value)
        except ValueError:
            return value


class _EnvironmentSettings(ServeSettings, BaseSettings):
    """The settings that environment variables give; the others have their defaults."""

    model_config = SettingsConfigDict(env_prefix=ENVIRONMENT_PREFIX)

    @classmethod
    def settings_customise_sources(
        cls, settings_cls: type[BaseSettings], *_: PydanticBaseSettingsSource, **others: PydanticBaseSettingsSource
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return (_Environment(settings_cls),)


def environment_settings() -> dict[str, Any]:
    """The settings that environment variables give, by name: ``OSCSERVICE_PORT`` is ``port``.

    Raises:
        InputError: one line with the variable, what was found and what was expected.
    """
    try:
        found = _EnvironmentSettings()
    except ValidationError as mistakes:
        name = str(mistakes.errors()[0]["loc"][0])
        variable = ENVIRONMENT_PREFIX + name.upper()
        expected = re.sub(",? in quotes", "", ServeSettings.model_fields[name].description or "")
        raise InputError(f"{variable}: found {shown(os.environ.get(variable, ''))}, expected {expected}") from None
    return {name: getattr(found, name) for name in found.model_fields_set}


def told_lengths() -> LengthUnit:
    """Return the unit of lengths for a command that has no other setting: by the environment, else by the settings
    file, else mm.

    Raises:
        InputError: one line about a unit that isn't one, or a settings file that can't be read.
    """
    expected = re.sub(",? in quotes", "", ServeSettings.model_fields["lengths"].description or "")
    given: object = os.environ.get(_LENGTHS_VARIABLE)
    where = _LENGTHS_VARIABLE
    if given is None:
        file = Path(os.environ.get(ENVIRONMENT_PREFIX + "SETTINGS") or settings_file())
        if not file.is_file():
            return LengthUnit.MM
        text = toml_text(file, "a settings file", f"{file}: no such file")
        given = parse(text, str(file)).get("lengths", LengthUnit.MM)
        where = f"{file}: line {find_line(text, ('lengths',))}: lengths"
    if not isinstance(given, str) or given not in list(LengthUnit):
        raise InputError(f"{where}: found {shown(given)}, expected {expected}")
    return LengthUnit(given)
