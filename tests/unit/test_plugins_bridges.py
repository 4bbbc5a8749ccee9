"""Kinds of bridge from other packages, in instrument files."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from plugin_packages import WatchedRegistry, plugin_package

from oscservice.errors import InputError
from oscservice.instrument.instrument_file import load_instrument, preset_toml, read_instrument
from oscservice.instrument.spec import Instrument
from oscservice.plugins.registry import InstalledKinds

KIND = 'kind = "clamped floating"'
FILE = re.sub(r"balance = .*\nsaddle = .*", KIND, preset_toml("six-string-648"), count=1)

WEDGES = """
from oscservice.plugins.registry import BridgePlugin

def each(strings):
    if strings > 8:
        raise ValueError("eight at most")
    return {f"wedge {n}": {n: 1.0} for n in range(1, strings + 1)}

def halves(strings):
    half = strings // 2
    if not half:
        raise ValueError("two at least")
    return {"low": {n: 1 for n in range(half + 1, strings + 1)}, "high": {n: 0.5 for n in range(1, half + 1)}}

wedges = BridgePlugin(each, means="screw", slacken=False, mm_per_turn=0.35, clockwise="toward the nut")
plates = BridgePlugin(halves, floating=True, step_mm=0.25)
no_thread = BridgePlugin(each, means="screw")
"""


@pytest.fixture
def kinds(packages_folder: Path) -> InstalledKinds:
    plugin_package(
        packages_folder, WEDGES, bridges={"wedge saddles": "wedges", "plates": "plates", "bolts": "no_thread"}
    )
    return InstalledKinds(WatchedRegistry())


def bridge_file(kind: str, more: str = "") -> str:
    return FILE.replace(KIND, f'kind = "{kind}"{more}')


def test_a_bridge_kind_makes_an_instrument_as_a_built_in_one_does(kinds: InstalledKinds) -> None:
    wedged = read_instrument(bridge_file("wedge saddles"), "x.toml", kinds).bridge
    assert (wedged.kind, wedged.floating, wedged.slacken, len(wedged.adjusters)) == ("wedge saddles", False, False, 6)
    first = wedged.adjusters[0]
    assert (first.name, first.influence, first.means, first.mm_per_turn) == ("wedge 1", {1: 1.0}, "screw", 0.35)
    assert first.step_mm == pytest.approx(0.35 / 8)
    assert (first.clockwise, wedged.let_down, wedged.saddle, wedged.title) == (
        "toward the nut", True, None, "wedge saddles"
    )  # fmt: skip
    assert (first.toward_nut_mm, first.away_mm) == (5.0, 5.0)
    plates = read_instrument(bridge_file("plates"), "x.toml", kinds).bridge
    assert (plates.floating, plates.slacken) == (True, True)
    assert [(a.name, set(a.influence), a.means, a.step_mm) for a in plates.adjusters] == [
        ("low", {4, 5, 6}, "clamped by hand", 0.25),
        ("high", {1, 2, 3}, "clamped by hand", 0.25),
    ]


def test_the_file_has_the_last_word(kinds: InstalledKinds) -> None:
    text = bridge_file("wedge saddles", '\nthread = "M3"\nslacken = true\nstep_mm = 0.1')
    bridge = read_instrument(text, "x.toml", kinds).bridge
    assert (bridge.slacken, bridge.let_down) == (True, False)
    assert {(a.mm_per_turn, a.step_mm) for a in bridge.adjusters} == {(0.5, 0.1)}
    assert (
        read_instrument(bridge_file("bolts", '\nthread = "M4"'), "x.toml", kinds).bridge.adjusters[5].mm_per_turn == 0.7
    )


@pytest.mark.parametrize(
    ("kind", "more", "parts"),
    [
        ("bolts", "", ["line ", "bridge, thread: a bridge of the kind bolts needs its thread"]),
        ("plates", '\nthread = "M3"', ["bridge, thread: a bridge of the kind plates has no saddle screw"]),
        (
            "wedges",
            "",
            [
                "bridge, kind: found 'wedges', expected balance and saddle instead, or one of clamped floating",
                "bolts, plates, wedge saddles",
            ],
        ),
    ],
)
def test_mistakes_in_files_of_such_a_kind(kinds: InstalledKinds, kind: str, more: str, parts: list[str]) -> None:
    with pytest.raises(InputError) as mistake:
        read_instrument(bridge_file(kind, more), "x.toml", kinds)
    for part in parts:
        assert part in str(mistake.value)
    assert "\n" not in str(mistake.value)


def test_a_number_of_strings_a_kind_is_not_made_for(kinds: InstalledKinds) -> None:
    one = (
        'name = "x"\nfrets = 22\nscale_mm = 648.0\n[bridge]\n'
        + KIND
        + "\ntoward_nut_mm = 5.0\n"
        + '[[string]]\nnote = "E4"\nkind = "plain"\ngauge_in = 0.010\n'
    )
    with pytest.raises(InputError) as mistake:
        read_instrument(one.replace(KIND, 'kind = "plates"'), "x.toml", kinds)
    assert str(mistake.value).startswith("x.toml: line 5: bridge, kind: found 'plates', which is made for 2, 3,")


def test_a_record_needs_the_kind_no_more(kinds: InstalledKinds) -> None:
    made = read_instrument(bridge_file("wedge saddles"), "x.toml", kinds)
    assert Instrument.from_json(made.to_json()) == made
    with pytest.raises(InputError, match="bridge, kind: found 'wedge saddles'"):
        read_instrument(bridge_file("wedge saddles"), "x.toml")


@pytest.mark.parametrize(
    ("bridge", "reason"),
    [
        ("BridgePlugin(each, means='steam')", "means 'steam'; expected one of screw"),
        ("BridgePlugin(each, slacken='no')", "slacken and floating are True or False"),
        (
            "BridgePlugin(each, mm_per_turn=0.5)",
            "mm_per_turn 0.5; expected 0.1 to 3 for a screw, None for what has none",
        ),
        ("BridgePlugin(each, means='screw', mm_per_turn=float('nan'))", "mm_per_turn nan"),
        (
            "BridgePlugin(each, means='screw', clockwise='up')",
            "clockwise 'up'; expected one of toward the nut, away from",
        ),
        (
            "BridgePlugin(each, clockwise='toward the nut')",
            "clockwise 'toward the nut'; expected one of toward the nut",
        ),
        ("BridgePlugin(each, step_mm=0)", "step_mm 0; expected a number above 0"),
        ("BridgePlugin(lambda strings: 1 / 0)", "ZeroDivisionError"),
        ("BridgePlugin(lambda strings: {'a': {strings + 1: 1.0}})", "adjuster 'a' moves string 2, which isn't there"),
        ("BridgePlugin(lambda strings: {'a': {1: 0.0}})", "adjuster 'a' moves string 1 by 0.0 mm a mm"),
        ("BridgePlugin(lambda strings: {'a': {1: float('inf')}})", "adjuster 'a' moves string 1 by inf mm a mm"),
        ("BridgePlugin(lambda strings: {'a': {}})", "adjuster 'a' moves no string"),
        ("BridgePlugin(lambda strings: {'a\\nb': {1: 1.0}})", "an adjuster's name is a text"),
        ("BridgePlugin(lambda strings: {})", "expected 1 to 2 adjusters"),
        ("BridgePlugin(lambda strings: [1])", "AttributeError"),
        ("BridgePlugin(lambda strings: int('x'))", "no number of strings it is made for"),
        ("dict()", "it is dict, expected a BridgePlugin"),
    ],
)
def test_a_bridge_of_the_wrong_shape_is_reported_and_disabled(packages_folder: Path, bridge: str, reason: str) -> None:
    each = "def each(strings): return {str(k): {k: 1} for k in range(1, strings + 1)}"
    module = f"from oscservice.plugins.registry import BridgePlugin\n{each}\nb = {bridge}"
    plugin_package(packages_folder, module, bridges={"odd": "b"})
    plugin_package(packages_folder, WEDGES, bridges={"wedge saddles": "wedges"})
    registry = WatchedRegistry()
    kinds = InstalledKinds(registry)
    assert list(kinds) == ["wedge saddles"], "the others are used all the same"
    (said,) = registry.said
    assert said.startswith(("odd: " + reason, "odd: with 1 string: " + reason))
    assert load_instrument("six-string-648", kinds).bridge.kind == "spring-balanced, clamped saddles"


def test_a_kind_that_is_built_in_is_not_replaced(packages_folder: Path) -> None:
    plugin_package(packages_folder, WEDGES, bridges={"fixed saddle": "wedges"})
    registry = WatchedRegistry()
    assert list(InstalledKinds(registry)) == []
    assert registry.said == ["fixed saddle: a built-in kind of bridge has this name; rename the entry point"]


def test_a_preset_asks_for_no_plug_in(packages_folder: Path) -> None:
    plugin_package(packages_folder, "raise RuntimeError", bridges={"odd": "b"})
    registry = WatchedRegistry()
    load_instrument("six-string-628", InstalledKinds(registry))
    assert registry.said == []
