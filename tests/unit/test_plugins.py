"""Plug-ins one by one: found, loaded, of the right shape, and put away with one line when they fail."""

from __future__ import annotations

import itertools
import json
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from offered import package

from oscservice.audio.block import AudioSource, Block
from oscservice.cli.plugins import plugins_command
from oscservice.daemon.plugged import Plugged
from oscservice.errors import AudioInputError, InputError
from oscservice.instrument.profile import load_instrument, preset_toml
from oscservice.instrument.spec import Instrument
from oscservice.instrument.tomlcheck import read_instrument
from oscservice.plugins import source as of_sources
from oscservice.plugins.kinds import InstalledKinds
from oscservice.plugins.listeners import Worker
from oscservice.plugins.registry import Offer, PluginError, Registry, one_line, reason_of, within
from oscservice.plugins.source import PluggedSource, open_plugin
from oscservice.session import events as ev

NUMBERS = itertools.count(1)


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder whose packages are installed."""
    folder = tmp_path / "installed"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    return folder


def offering(there: Path, module: str, **offers: dict[str, str]) -> str:
    """A package under a name of its own; gives it."""
    name = f"made_up_package_{next(NUMBERS)}"
    package(there, name, module, **offers)
    return name


class Watched(Registry):
    """A registry, and what it said."""

    def __init__(self, *without: str) -> None:
        self.said: list[str] = []
        self.put_away = threading.Event()
        super().__init__(without, self._note)

    def _note(self, offer: Offer, reason: str) -> None:
        self.said.append(f"{offer.name}: {reason}")
        self.put_away.set()

    def the(self, role: str, name: str) -> Offer:
        found = self.offer(role, name)
        assert found is not None
        return found


# Finding and loading


def test_nothing_installed_is_nothing_found() -> None:
    registry = Registry()
    assert registry.offers() == ()
    assert registry.faults() == {}
    assert len(InstalledKinds(registry)) == 0


def test_what_is_installed_is_found_by_role_and_name(there: Path) -> None:
    module = "def tone(rest, rate_hz, channels): ...\ndef heed(rest): ..."
    name = offering(there, module, sources={"tone": "tone"}, listeners={"b": "heed", "a": "heed"})
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
        ("raise KeyboardInterrupt", "KeyboardInterrupt"),
        ("class Odd(Exception):\n    def __str__(self): raise ValueError\nraise Odd", "Odd"),
        ("x = 1", "AttributeError: module '{name}' has no attribute 'heed'"),
        ("heed = 5", "it is int, expected a function"),
        ("def heed(:", "SyntaxError: invalid syntax ({name}.py, line 1)"),
    ],
)
def test_what_fails_to_load_is_named_once_and_put_away(there: Path, module: str, reason: str) -> None:
    name = offering(there, module, listeners={"wrong": "heed"})
    registry = Watched()
    for _ in range(2):
        with pytest.raises(PluginError) as error:
            registry.load(registry.the("listener", "wrong"))
        assert str(error.value) == reason.format(name=name)
    assert registry.said == [f"wrong: {reason.format(name=name)}"]
    assert list(registry.faults().values()) == [reason.format(name=name)]


def test_two_packages_of_one_name_are_not_chosen_from(there: Path) -> None:
    first = offering(there, "def heed(rest): ...", listeners={"twice": "heed"})
    second = offering(there, "def heed(rest): ...", listeners={"twice": "heed"})
    registry = Watched()
    with pytest.raises(PluginError, match="both offer it; remove one"):
        registry.load(registry.the("listener", "twice"))
    (reason,) = registry.faults().values()
    assert first in reason
    assert second in reason


def test_a_name_nobody_can_type_is_put_away(there: Path) -> None:
    offering(there, "def tone(*_): ...", sources={"x" * 41: "tone", "bell": "tone"})
    registry = Watched()
    assert {
        offer.name[:1]: bool(reason) for offer, reason in ((o, registry.faults().get(o)) for o in registry.offers())
    } == {
        "b": False,
        "x": True,
    }


def test_a_package_whose_metadata_is_broken_is_passed_over(there: Path, caplog: pytest.LogCaptureFixture) -> None:
    for name, text in (("odd", "[oscservice.sources]\nno equals sign\n"), ("empty", "")):
        info = there / f"{name}-1.0.dist-info"
        info.mkdir()
        (info / "entry_points.txt").write_text(text, encoding="utf-8")
    offering(there, "def heed(rest): ...", listeners={"good": "heed"})
    assert [offer.name for offer in Registry().offers()] == ["good"]
    assert "its metadata can't be read" in caplog.text


def test_of_two_installed_packages_of_one_name_the_first_counts(there: Path, tmp_path: Path) -> None:
    offering(there, "def heed(rest): ...", listeners={"heed": "heed"})
    name = next(there.glob("*.py")).stem
    behind = package(tmp_path / "behind", name, "def other(rest): ...", listeners={"heed": "other"})
    sys.path.append(str(behind))
    try:
        registry = Watched()
        assert registry.load(registry.the("listener", "heed")).__name__ == "heed"
    finally:
        sys.path.remove(str(behind))


def test_the_command_lists_what_is_installed_and_how_it_is(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    offering(there, "def heed(rest): ...", listeners={"good": "heed"})
    offering(there, "raise RuntimeError('old')", listeners={"[bold]wrong": "heed"}, bridges={"odd": "b"})
    plugins_command(as_json=True)
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(one["role"], one["name"], one["state"], one["reason"]) for one in found] == [
        ("bridge", "odd", "disabled", "RuntimeError: old"),
        ("listener", "[bold]wrong", "disabled", "RuntimeError: old"),
        ("listener", "good", "usable", ""),
    ]
    plugins_command(as_json=False)
    shown = " ".join(capsys.readouterr().out.split())
    assert "[bold]wrong" in shown
    assert "can be used" in shown
    assert "disabled:" in shown


def test_loading_that_takes_too_long_is_given_up() -> None:
    free = threading.Event()
    with pytest.raises(PluginError, match="too slow: not ready within"):
        within(free.wait, 0.05)
    free.set()


def test_foreign_texts_become_one_short_printable_line() -> None:
    assert one_line("a\x1b[31m\tb\nc\0d é") == "a [31m b c d é"
    assert len(one_line("x" * 10_000)) == 300
    assert reason_of(ValueError()) == "ValueError"


# Bridges

KIND = 'kind = "clamped floating"'
FILE = preset_toml("six-string-648")

WEDGES = """
from oscservice.plugins.shapes import Bridge

def each(strings):
    if strings > 8:
        raise ValueError("eight at most")
    return {f"wedge {n}": {n: 1.0} for n in range(1, strings + 1)}

def halves(strings):
    half = strings // 2
    if not half:
        raise ValueError("two at least")
    return {"low": {n: 1 for n in range(half + 1, strings + 1)}, "high": {n: 0.5 for n in range(1, half + 1)}}

wedges = Bridge(each, means="screw", slacken=False, mm_per_turn=0.35)
plates = Bridge(halves, floating=True, step_mm=0.25)
no_thread = Bridge(each, means="screw")
"""


@pytest.fixture
def kinds(there: Path) -> InstalledKinds:
    offering(there, WEDGES, bridges={"wedge saddles": "wedges", "plates": "plates", "bolts": "no_thread"})
    return InstalledKinds(Watched())


def bridge_file(kind: str, more: str = "") -> str:
    return FILE.replace(KIND, f'kind = "{kind}"{more}')


def test_a_bridge_kind_makes_an_instrument_as_a_built_in_one_does(kinds: InstalledKinds) -> None:
    wedged = read_instrument(bridge_file("wedge saddles"), "x.toml", kinds).bridge
    assert (wedged.kind, wedged.floating, wedged.slacken, len(wedged.adjusters)) == ("wedge saddles", False, False, 6)
    first = wedged.adjusters[0]
    assert (first.name, first.influence, first.means, first.mm_per_turn) == ("wedge 1", {1: 1.0}, "screw", 0.35)
    assert first.step_mm == pytest.approx(0.35 / 8)
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
    assert bridge.slacken
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
            ["bridge, kind: found 'wedges', expected one of clamped floating", "bolts, plates, wedge saddles"],
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
        ("Bridge(each, means='steam')", "means 'steam'; expected one of screw"),
        ("Bridge(each, slacken='no')", "slacken and floating are True or False"),
        ("Bridge(each, mm_per_turn=0.5)", "mm_per_turn 0.5; expected 0.1 to 3 for a screw, None for what has none"),
        ("Bridge(each, means='screw', mm_per_turn=float('nan'))", "mm_per_turn nan"),
        ("Bridge(each, step_mm=0)", "step_mm 0; expected a number above 0"),
        ("Bridge(lambda strings: 1 / 0)", "ZeroDivisionError"),
        ("Bridge(lambda strings: {'a': {strings + 1: 1.0}})", "adjuster 'a' moves string 2, which isn't there"),
        ("Bridge(lambda strings: {'a': {1: 0.0}})", "adjuster 'a' moves string 1 by 0.0 mm a mm"),
        ("Bridge(lambda strings: {'a': {1: float('inf')}})", "adjuster 'a' moves string 1 by inf mm a mm"),
        ("Bridge(lambda strings: {'a': {}})", "adjuster 'a' moves no string"),
        ("Bridge(lambda strings: {'a\\nb': {1: 1.0}})", "an adjuster's name is a text"),
        ("Bridge(lambda strings: {})", "expected 1 to 2 adjusters"),
        ("Bridge(lambda strings: [1])", "AttributeError"),
        ("Bridge(lambda strings: int('x'))", "no number of strings it is made for"),
        ("dict()", "it is dict, expected a Bridge"),
    ],
)
def test_a_bridge_of_the_wrong_shape_is_named_and_put_away(there: Path, bridge: str, reason: str) -> None:
    each = "def each(strings): return {str(k): {k: 1} for k in range(1, strings + 1)}"
    module = f"from oscservice.plugins.shapes import Bridge\n{each}\nb = {bridge}"
    offering(there, module, bridges={"odd": "b"})
    offering(there, WEDGES, bridges={"wedge saddles": "wedges"})
    registry = Watched()
    kinds = InstalledKinds(registry)
    assert list(kinds) == ["wedge saddles"], "the others are used all the same"
    (said,) = registry.said
    assert said.startswith(("odd: " + reason, "odd: with 1 strings: " + reason))
    assert load_instrument("six-string-648", kinds).bridge.kind == "clamped floating"


def test_a_kind_that_is_built_in_is_not_replaced(there: Path) -> None:
    offering(there, WEDGES, bridges={"fixed saddle": "wedges"})
    registry = Watched()
    assert list(InstalledKinds(registry)) == []
    assert registry.said == ["fixed saddle: a built-in kind of bridge has this name; rename the entry point"]


def test_a_preset_asks_for_no_plug_in(there: Path) -> None:
    offering(there, "raise RuntimeError", bridges={"odd": "b"})
    registry = Watched()
    load_instrument("six-string-628", InstalledKinds(registry))
    assert registry.said == []


# Sources

TONES = """
import time
import numpy as np
from oscservice.audio.block import AudioSource, Block
from oscservice.errors import AudioInputError, InputError

class Tone(AudioSource):
    def __init__(self, what, rate_hz):
        super().__init__(rate_hz, 1, what)
        self.what = what

    def _blocks(self):
        yield self._block(np.full((64, 1), 0.5, np.float32))
        match self.what:
            case "breaks":
                raise RuntimeError("the wire came off")
            case "gone":
                raise AudioInputError("unplugged; plug it in")
            case "exits":
                raise SystemExit(1)
            case "rubbish":
                yield "samples"
            case "flat":
                yield Block(np.zeros(64, np.float32), 64)
            case "wide":
                yield Block(np.zeros((64, 2), np.float32), 64)
            case "empty":
                yield Block(np.zeros((0, 1), np.float32), 64)
            case "whole numbers":
                yield Block(np.zeros((64, 1), np.int16), 64)
            case "minus":
                yield Block(np.zeros((64, 1), np.float32), 64, -1)
            case "hangs":
                time.sleep(5.0)
            case "nan":
                yield self._block(np.full((64, 1), np.nan, np.float32), 10, ("overflow",))

    def _release(self):
        if self.what == "sticks":
            raise RuntimeError

def tone(rest, rate_hz, channels):
    if rest == "odd":
        raise InputError("'odd' is no tone; say breaks")
    if rest == "raises":
        raise OSError("no such wire")
    return 5 if rest == "five" else Tone(rest, 1 if rest == "slow" else rate_hz or 48000)
"""


def opened(there: Path, rest: str, **asked: Any) -> tuple[Watched, AudioSource]:
    offering(there, TONES, sources={"tone": "tone"})
    registry = Watched()
    return registry, open_plugin(registry, registry.the("source", "tone"), rest, **asked)


def test_a_source_gives_its_blocks_on_its_own_time_line(there: Path) -> None:
    registry, source = opened(there, "nan", rate_hz=44100)
    states: list[str] = []
    source.on_state = states.append
    assert (source.sample_rate_hz, source.channels, source.description) == (44100, 1, "tone (nan)")
    with source:
        first, second = list(source)
    assert (first.start_frame, second.start_frame, second.dropped_frames) == (0, 74, 10)
    assert np.all(first.samples == 0.5)
    assert np.all(second.samples == 0.0)
    assert second.flags == ("overflow", "not finite: 64")
    assert source.flags == ("overflow", "not finite: 64")
    assert (states, registry.said) == (["running", "ended"], [])


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        ("breaks", "RuntimeError: the wire came off"),
        ("gone", "AudioInputError: unplugged; plug it in"),
        ("exits", "SystemExit: 1"),
        ("rubbish", "it gave str, expected a Block (oscservice.audio.block)"),
        ("flat", "samples of shape (64,); expected (frames, 1)"),
        ("wide", "samples of shape (64, 2); expected (frames, 1)"),
        ("empty", "samples of shape (0, 1); expected (frames, 1)"),
        ("whole numbers", "its samples are no floating-point array"),
        ("minus", "dropped_frames -1; expected a count"),
    ],
)
def test_a_source_that_fails_is_an_input_that_was_lost(there: Path, what: str, reason: str) -> None:
    registry, source = opened(there, what)
    states: list[str] = []
    source.on_state = states.append
    heard: list[Block] = []
    with source, pytest.raises(AudioInputError) as error:
        heard += source
    assert str(error.value) == f"the source tone is lost: {reason}"
    assert states == ["running", "lost", "ended"]
    assert registry.said == [f"tone: {reason}"]


def test_a_source_that_gives_nothing_for_too_long_is_lost(there: Path) -> None:
    offering(there, TONES, sources={"tone": "tone"})
    registry = Watched()
    offer = registry.the("source", "tone")
    source = PluggedSource(registry, offer, registry.load(offer)("hangs", None, None), silent_s=0.3)
    with source, pytest.raises(AudioInputError, match=r"too slow: no samples for 0\.3 s"):
        list(source)


@pytest.mark.parametrize(
    ("rest", "reason"),
    [
        ("raises", "OSError: no such wire"),
        ("five", "it gave int, expected an AudioSource (oscservice.audio.block)"),
        ("slow", "InputError: it: a sample rate of 1 Hz can't be used: it must be 8000 to 192000 Hz"),
    ],
)
def test_a_source_that_can_not_be_opened(there: Path, rest: str, reason: str) -> None:
    with pytest.raises(AudioInputError) as error:
        opened(there, rest)
    assert str(error.value).endswith(f"is disabled: {reason}")
    assert error.value.exit_code == 3


def test_what_was_typed_wrong_is_the_persons_mistake(there: Path) -> None:
    with pytest.raises(InputError, match="--source tone: 'odd' is no tone; say breaks"):
        opened(there, "odd")


def test_another_number_of_channels_than_was_asked_for(there: Path) -> None:
    with pytest.raises(InputError, match="--channels 2 does not fit the source tone, which has 1: leave it out"):
        opened(there, "fine", channels=2)


def test_a_source_whose_letting_go_fails_harms_nobody(there: Path) -> None:
    registry, source = opened(there, "sticks")
    source.close()
    assert list(source) == []
    assert registry.said == []


def test_a_source_that_is_closed_in_the_middle_ends(there: Path) -> None:
    class Endless(AudioSource):
        def _blocks(self) -> Iterator[Block]:
            while not self._closed.is_set():
                yield self._block(np.zeros((64, 1), np.float32))

        def _release(self) -> None:
            released.set()

    released = threading.Event()
    registry = Watched()
    offering(there, TONES, sources={"tone": "tone"})
    inner = Endless(48000, 1, "endless")
    source = PluggedSource(registry, registry.the("source", "tone"), inner)
    for count, _ in enumerate(source):
        if count == 20:
            source.close()
    assert released.wait(10.0)
    assert source.state == "ended"
    assert of_sources.SILENT_S >= 1.0


# Listeners

HEEDING = """
import threading, time
from oscservice.errors import InputError
heard, closed, free = [], threading.Event(), threading.Event()

class Heed:
    def __init__(self, rest): self.rest = rest
    def __call__(self, event):
        if self.rest == "breaks" and len(heard) == 2: raise KeyError("third")
        if self.rest == "hangs": free.wait(10.0)
        heard.append(event)
        event["body"]["mine"] = True
    def close(self):
        closed.set()
        if self.rest == "sticks": raise OSError("disk full")

def heed(rest):
    if rest == "odd": raise InputError("'odd' is no file; give one")
    return {"nothing": None, "five": 5}.get(rest, Heed(rest))
"""

EVENTS: list[dict[str, Any]] = [
    {"kind": "Focused", "body": {"string": n, "place": ""}, "session": "s"} for n in range(4)
]


def at_work(there: Path, rest: str = "", **options: Any) -> tuple[Watched, Worker, Any]:
    name = offering(there, HEEDING, listeners={"heed": "heed"})
    registry = Watched()
    worker = Worker(registry, registry.the("listener", "heed"), rest, **options)
    worker.start()
    return registry, worker, __import__(name)


def copies() -> list[dict[str, Any]]:
    return [event | {"body": dict(event["body"])} for event in EVENTS]


def test_a_listener_is_told_everything_in_order_and_closed(there: Path) -> None:
    registry, worker, module = at_work(there)
    worker.take(copies()[:1])
    worker.take(copies()[1:])
    worker.end()
    worker.join(10.0)
    assert [event["body"]["string"] for event in module.heard] == [0, 1, 2, 3]
    assert module.closed.is_set()
    assert registry.said == []


@pytest.mark.parametrize(
    ("rest", "reason", "heard"),
    [
        ("breaks", "KeyError: 'third'", 2),
        ("odd", "'odd' is no file; give one", 0),
        ("five", "it gave int, expected something to call with an event", 0),
        ("sticks", "OSError: disk full", 4),
    ],
)
def test_a_listener_that_fails_is_named_and_told_no_more(there: Path, rest: str, reason: str, heard: int) -> None:
    registry, worker, module = at_work(there, rest)
    worker.take(copies())
    worker.end()
    worker.join(10.0)
    assert registry.said == [f"heed: {reason}"]
    assert len(module.heard) == heard
    worker.take(copies())  # nobody minds


def test_a_listener_that_has_nothing_to_do_is_left_alone(there: Path) -> None:
    registry, worker, module = at_work(there, "nothing")
    worker.take(copies())
    worker.end()
    worker.join(10.0)
    assert (registry.said, module.heard) == ([], [])


def test_a_listener_that_falls_behind_is_put_away_and_nobody_waits(there: Path) -> None:
    registry, worker, module = at_work(there, "hangs", most_waiting=20)
    for _ in range(8):
        worker.take(copies())
    assert registry.said == ["heed: too slow: 20 events wait for it"]
    module.free.set()
    worker.join(10.0)
    assert module.closed.is_set()
    assert len(module.heard) <= 2, "what waited is dropped"


def test_a_listener_that_is_busy_for_too_long_is_put_away(there: Path) -> None:
    now = [0.0]
    registry, worker, module = at_work(there, "hangs", patience_s=5.0, clock=lambda: now[0])
    worker.take(copies())
    for _ in range(2000):
        now[0] += 1.0
        worker.look()
        if registry.said:
            break
        time.sleep(0.005)
    assert registry.said[0].startswith("heed: too slow: busy for more than ")
    module.free.set()
    worker.join(10.0)


# Together


def test_listeners_get_events_of_their_own_and_failures_are_told_once(there: Path) -> None:
    name = offering(there, HEEDING, listeners={"first": "heed", "second": "heed"})
    offering(there, "raise RuntimeError('old')", listeners={"wrong": "heed"})
    told: list[str] = []
    plugged = Plugged(Registry(), told.append, heed=True)
    assert plugged.topics() == {"/plugins/disabled": ("",)}
    failures: list[str] = []
    plugged.start(failures.append)
    plugged.take("2026-11-26-1", [ev.Focused(3, ""), ev.TakenBack()])
    plugged.look()
    plugged.end()
    heard = __import__(name).heard
    assert len(heard) == 4
    assert {event["session"] for event in heard} == {"2026-11-26-1"}
    assert [e["kind"] for e in heard if e["kind"] == "Focused"] == ["Focused", "Focused"]
    assert told == []
    (line,) = failures
    assert line.startswith("plug-in wrong (listener of made_up_package_")
    assert line.endswith("is disabled: RuntimeError: old")
    assert plugged.topics() == {"/plugins/disabled": ("wrong: RuntimeError: old",)}


def test_what_is_typed_for_a_listener_that_is_not_there() -> None:
    with pytest.raises(InputError, match=r"--plugin 'csv': no such listener; .*: none is installed"):
        Plugged(Registry(), print, heed=True, rests=["csv:x"])


def test_a_plug_in_of_a_bridge_that_fails_before_the_start_is_told_at_once(there: Path) -> None:
    offering(there, "raise RuntimeError('old')", bridges={"odd": "b"})
    told: list[str] = []
    plugged = Plugged(Registry(), told.append)
    assert list(plugged.kinds) == []
    plugged.start(told.append)
    assert len(told) == 1
    assert told[0].endswith("is disabled: RuntimeError: old")
