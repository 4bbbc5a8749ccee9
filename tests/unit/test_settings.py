"""Settings of the daemon: environment variables, what wins over what, and that each is documented."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from oscservice.bindings.settings_file import SettingsFile
from oscservice.cli.main import load_command
from oscservice.daemon import app
from oscservice.errors import InputError
from oscservice.sentences.length_text import LengthUnit
from oscservice.settings import ServeSettings, environment_settings, told_lengths

DOCUMENT = Path(__file__).parents[2] / "docs" / "bindings.md"


@pytest.fixture(autouse=True)
def no_own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))


@pytest.mark.parametrize(
    ("variable", "given", "expected"),
    [
        ("PORT", "9790", 9790),
        ("RATE", "44100", 44100),
        ("TOLERANCE", "1.5", 1.5),
        ("BY_HAND", "true", True),
        ("RESUME", "0", False),
        ("SOURCE", "file:a take.wav", "file:a take.wav"),
        ("NAME", "", ""),
        ("ROOT", "/shop/two", "/shop/two"),
        ("JOURNAL", "here/j.sqlite3", Path("here/j.sqlite3")),
        ("LENGTHS", "in", LengthUnit.INCH),
        ("ALLOW", '["192.168.7.0/24", "10.0.0.0/8"]', ("192.168.7.0/24", "10.0.0.0/8")),
        ("PLUGIN", '["lamps:a, b"]', ("lamps:a, b",)),
    ],
)
def test_an_environment_variable_sets_a_setting(
    variable: str, given: str, expected: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(f"OSCSERVICE_{variable}", given)
    assert environment_settings() == {variable.lower(): expected}


@pytest.mark.parametrize(
    ("variable", "given", "words"),
    [
        ("PORT", "70000", "found '70000', expected a port from 0 to 65535"),
        ("PORT", "", "found '', expected a port from 0 to 65535"),
        ("RATE", "fast", "found 'fast', expected a sample rate in Hz"),
        ("RATE", "0", "found '0', expected a sample rate in Hz"),
        ("TOLERANCE", "nan", "found 'nan', expected a number from 0.2 to 20 (cents)"),
        ("BY_HAND", "perhaps", "found 'perhaps', expected true or false"),
        ("ROOT", "bench", "found 'bench', expected the root of all addresses, as /bench or /shop/two"),
        ("LENGTHS", "inches", "found 'inches', expected mm or in"),
        ("ALLOW", "192.168.7.0/24", "found '192.168.7.0/24', expected a list of networks: [\"192.168.1.0/24\"]"),
        ("ALLOW", '["192.168.7.9/24"]', "expected a list of networks"),
        ("ALLOW", "3", "found '3', expected a list of networks"),
        ("PLUGIN", '{"a": 1}', "expected a list of what plug-ins that listen are given"),
    ],
)
def test_a_mistake_in_a_variable_is_one_line(
    variable: str, given: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(f"OSCSERVICE_{variable}", given)
    with pytest.raises(InputError) as refused:
        environment_settings()
    message = str(refused.value)
    assert message.startswith(f"OSCSERVICE_{variable}: found ")
    assert words in message
    assert "\n" not in message


def test_other_variables_and_other_settings_are_not_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSCSERVICE_RECORDINGS", "/a/folder")
    assert environment_settings() == {}
    monkeypatch.setenv("OSCSERVICE_PORT", "1")
    assert ServeSettings() == ServeSettings(port=9787), "only `oscservice serve` reads the environment"


def started(monkeypatch: pytest.MonkeyPatch, *words: str) -> ServeSettings:
    """The settings that the command line starts the daemon with."""
    found: list[ServeSettings] = []

    async def serve(settings: ServeSettings, tell: object, configured: SettingsFile) -> None:
        found.append(settings)

    monkeypatch.setattr(app, "serve", serve)
    load_command("serve").main(list(words), standalone_mode=False)
    (settings,) = found
    return settings


def test_nothing_given_is_the_defaults(monkeypatch: pytest.MonkeyPatch) -> None:
    assert started(monkeypatch) == ServeSettings()


def test_the_command_line_wins_over_the_environment_and_that_over_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "own.toml"
    file.write_text(
        'port = 1001\nname = "file"\nby_hand = true\nseed = 3\nallow = ["10.0.0.0/8"]\njournal = "j"\n',
        encoding="utf-8",
    )
    monkeypatch.setenv("OSCSERVICE_PORT", "1002")
    monkeypatch.setenv("OSCSERVICE_NAME", "environment")
    monkeypatch.setenv("OSCSERVICE_BY_HAND", "false")
    monkeypatch.setenv("OSCSERVICE_ALLOW", '["10.1.0.0/16"]')
    words = ("--settings", str(file), "--port", "1003", "--by-hand", "--allow", "10.2.0.0/16", "--allow", "10.3.0.0/16")
    assert started(monkeypatch, *words) == ServeSettings(
        port=1003,
        name="environment",
        by_hand=True,
        seed=3,
        allow=("10.2.0.0/16", "10.3.0.0/16"),
        journal=tmp_path / "j",
    )
    assert started(monkeypatch, "--settings", str(file), "--no-by-hand").by_hand is False
    assert started(monkeypatch, "--settings", str(file)).allow == ("10.1.0.0/16",)


def test_the_settings_file_may_be_named_by_a_variable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("first", "second"):
        (tmp_path / f"{name}.toml").write_text(f'name = "{name}"\n', encoding="utf-8")
    monkeypatch.setenv("OSCSERVICE_SETTINGS", str(tmp_path / "first.toml"))
    assert started(monkeypatch).name == "first"
    assert started(monkeypatch, "--settings", str(tmp_path / "second.toml")).name == "second"


def test_a_root_from_the_environment_is_that_of_the_bindings_in_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "own.toml"
    file.write_text('[[binding]]\nfrom = "/x"\ncommand = "/shop/session/next"\n', encoding="utf-8")
    with pytest.raises(InputError, match="expected one under /bench"):
        started(monkeypatch, "--settings", str(file))
    monkeypatch.setenv("OSCSERVICE_ROOT", "/shop")
    assert started(monkeypatch, "--settings", str(file)).root == "/shop"


def test_lengths_are_told_as_the_command_line_the_environment_or_the_file_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert told_lengths() is LengthUnit.MM
    file = tmp_path / "oscservice" / "settings.toml"
    file.parent.mkdir()
    file.write_text('lengths = "in"\n', encoding="utf-8")
    assert told_lengths() is LengthUnit.INCH
    assert started(monkeypatch).lengths is LengthUnit.INCH
    monkeypatch.setenv("OSCSERVICE_LENGTHS", "mm")
    assert told_lengths() is LengthUnit.MM
    assert started(monkeypatch).lengths is LengthUnit.MM
    assert started(monkeypatch, "--lengths", "in").lengths is LengthUnit.INCH


@pytest.mark.parametrize(
    ("variable", "text", "words"),
    [
        ("ft", "", "OSCSERVICE_LENGTHS: found 'ft', expected mm or in"),
        (None, 'seed = 1\nlengths = "ft"\n', "settings.toml: line 2: lengths: found 'ft', expected mm or in"),
        (None, "lengths = [1]\n", "settings.toml: line 1: lengths: found [1], expected mm or in"),
        (None, "lengths = mm\n", "settings.toml: line 1, column 11: not valid TOML"),
    ],
)
def test_a_unit_of_lengths_that_is_none_is_one_line(
    variable: str | None, text: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(text, encoding="utf-8")
    monkeypatch.setenv("OSCSERVICE_SETTINGS", str(file))
    if variable is not None:
        monkeypatch.setenv("OSCSERVICE_LENGTHS", variable)
    with pytest.raises(InputError) as refused:
        told_lengths()
    assert words in str(refused.value)


def shown_default(value: object) -> str:
    """A default as the document shows it; empty where there is none."""
    if value in (None, "", ()):
        return ""
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


@pytest.mark.parametrize("name", ServeSettings.model_fields)
def test_a_setting_is_documented_with_its_default_and_help(name: str) -> None:
    field = ServeSettings.model_fields[name]
    option: Any = field.json_schema_extra
    row = f"| `{name}` | {shown_default(field.default)} | {option['help']} |".replace("|  |", "| |")
    assert row in DOCUMENT.read_text(encoding="utf-8").splitlines()
    assert field.description, "what its key in a file expects"
