"""Plug-ins are found, loaded and listed; what fails is put away with one line."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from plugin_packages import WatchedRegistry, package, plugin_package

from oscservice.cli.listing_commands import plugins
from oscservice.plugins.registry import InstalledKinds, PluginError, Registry, one_line, reason_of


def test_nothing_installed_is_nothing_found() -> None:
    registry = Registry()
    assert registry.offers() == ()
    assert registry.faults() == {}
    assert len(InstalledKinds(registry)) == 0


def test_installed_plug_ins_are_found_by_role_and_name(packages_folder: Path) -> None:
    module = "def tone(rest, rate_hz, channels): ...\ndef heed(rest): ..."
    name = plugin_package(packages_folder, module, sources={"tone": "tone"}, listeners={"b": "heed", "a": "heed"})
    registry = Registry()
    assert [(one.role, one.name) for one in registry.offers()] == [
        ("source", "tone"),
        ("listener", "a"),
        ("listener", "b"),
    ]
    assert str(registry.offers("source")[0]) == f"plug-in tone (source of {name} 1.0)"
    assert registry.offer("bridge", "tone") is None
    assert [one.name for one in Registry(["a", "tone"]).offers()] == ["b"]


@pytest.mark.parametrize(
    ("module", "reason"),
    [
        ("import no_such_module_anywhere", "ModuleNotFoundError: No module named 'no_such_module_anywhere'"),
        ("raise RuntimeError('two\\nlines \\x1b[2J')", "RuntimeError: two lines [2J"),
        ("raise SystemExit(3)", "SystemExit: 3"),
        ("x = 1", "AttributeError: module '{name}' has no attribute 'heed'"),
        ("heed = 5", "it is int, expected a function"),
        ("def heed(:", "SyntaxError: invalid syntax ({name}.py, line 1)"),
    ],
)
def test_a_plug_in_that_fails_to_load_is_reported_once_and_disabled(
    packages_folder: Path, module: str, reason: str
) -> None:
    name = plugin_package(packages_folder, module, listeners={"wrong": "heed"})
    registry = WatchedRegistry()
    for _ in range(2):
        with pytest.raises(PluginError) as error:
            registry.load(registry.the("listener", "wrong"))
        assert str(error.value) == reason.format(name=name)
    assert registry.said == [f"wrong: {reason.format(name=name)}"]
    assert list(registry.faults().values()) == [reason.format(name=name)]


def test_two_packages_of_one_name_are_not_chosen_from(packages_folder: Path) -> None:
    first = plugin_package(packages_folder, "def heed(rest): ...", listeners={"twice": "heed"})
    second = plugin_package(packages_folder, "def heed(rest): ...", listeners={"twice": "heed"})
    registry = WatchedRegistry()
    with pytest.raises(PluginError, match="both offer it; remove one"):
        registry.load(registry.the("listener", "twice"))
    (reason,) = registry.faults().values()
    assert first in reason
    assert second in reason


def test_a_plug_in_with_an_unusable_name_is_disabled(packages_folder: Path) -> None:
    plugin_package(packages_folder, "def tone(*_): ...", sources={"x" * 41: "tone", "bell": "tone"})
    registry = WatchedRegistry()
    assert {
        offer.name[:1]: bool(reason) for offer, reason in ((o, registry.faults().get(o)) for o in registry.offers())
    } == {
        "b": False,
        "x": True,
    }


def test_a_package_with_broken_metadata_is_skipped(packages_folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    for name, text in (("odd", "[oscservice.sources]\nno equals sign\n"), ("empty", "")):
        info = packages_folder / f"{name}-1.0.dist-info"
        info.mkdir()
        (info / "entry_points.txt").write_text(text, encoding="utf-8")
    plugin_package(packages_folder, "def heed(rest): ...", listeners={"good": "heed"})
    assert [offer.name for offer in Registry().offers()] == ["good"]
    assert "its metadata can't be read" in caplog.text


def test_of_two_installed_packages_of_one_name_the_first_counts(packages_folder: Path, tmp_path: Path) -> None:
    plugin_package(packages_folder, "def heed(rest): ...", listeners={"heed": "heed"})
    name = next(packages_folder.glob("*.py")).stem
    behind = package(tmp_path / "behind", name, "def other(rest): ...", listeners={"heed": "other"})
    sys.path.append(str(behind))
    try:
        registry = WatchedRegistry()
        assert registry.load(registry.the("listener", "heed")).__name__ == "heed"
    finally:
        sys.path.remove(str(behind))


def test_the_command_lists_installed_plug_ins_and_their_state(
    packages_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plugin_package(packages_folder, "def heed(rest): ...", listeners={"good": "heed"})
    plugin_package(
        packages_folder, "raise RuntimeError('old')", listeners={"[bold]wrong": "heed"}, bridges={"odd": "b"}
    )
    plugins(as_json=True)
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(one["role"], one["name"], one["state"], one["reason"]) for one in found] == [
        ("bridge", "odd", "disabled", "RuntimeError: old"),
        ("listener", "[bold]wrong", "disabled", "RuntimeError: old"),
        ("listener", "good", "usable", ""),
    ]
    plugins(as_json=False)
    shown = " ".join(capsys.readouterr().out.split())
    assert "[bold]wrong" in shown
    assert "can be used" in shown
    assert "disabled:" in shown


def test_foreign_texts_become_one_short_printable_line() -> None:
    assert one_line("a\x1b[31m\tb\nc\0d é") == "a [31m b c d é"
    assert len(one_line("x" * 10_000)) == 300
    assert reason_of(ValueError()) == "ValueError"
