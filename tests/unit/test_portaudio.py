"""The choice of a device, and blocks that are too many or missing, with a stand-in for PortAudio."""

from __future__ import annotations

import builtins
import sys
import threading
import types
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from oscservice.audio import device_source as room
from oscservice.audio.block import Block
from oscservice.audio.device_source import DEVICE_BLOCK_FRAMES, DeviceSource
from oscservice.audio.portaudio import find_device, list_devices
from oscservice.cli.listing_commands import devices
from oscservice.errors import AudioInputError, InputError


class PortAudioError(Exception):
    pass


class Stream:
    """One open input, driven by the test through `give`."""

    def __init__(self, card: Card, callback: Callable[..., None], channels: int, **asked: Any) -> None:
        self.card, self.callback, self.channels, self.asked = card, callback, channels, asked
        self.active = False
        self.closed = False

    def start(self) -> None:
        self.active = True
        self.card.started.set()

    def abort(self, ignore_errors: bool = True) -> None:
        self.active = False

    def close(self, ignore_errors: bool = True) -> None:
        self.closed = True

    def give(self, value: float, overflow: bool = False, channels: int | None = None) -> None:
        samples = np.full((DEVICE_BLOCK_FRAMES, channels or self.channels), value, np.float32)
        self.callback(samples, DEVICE_BLOCK_FRAMES, None, types.SimpleNamespace(input_overflow=overflow))


class Card(types.ModuleType):
    """A stand-in for the module sounddevice: the devices that are plugged in, and those PortAudio has listed."""

    PortAudioError = PortAudioError

    def __init__(self, plugged: list[tuple[str, int]]) -> None:
        super().__init__("sounddevice")
        self.plugged, self.listed = plugged, list(plugged)
        self.default = types.SimpleNamespace(device=(-1, -1), hostapi=0)
        self.default_input = 0 if plugged else -1
        self.streams: list[Stream] = []
        self.started = threading.Event()

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": "ALSA", "default_input_device": self.default_input}]

    def query_devices(self) -> list[dict[str, Any]]:
        return [
            {"name": name, "hostapi": 0, "max_input_channels": channels, "default_samplerate": 44100.0}
            for name, channels in self.listed
        ]

    def InputStream(self, device: int, **asked: Any) -> Stream:  # noqa: N802 - the name of what it stands in for
        if self.listed[device] not in self.plugged:
            raise PortAudioError("Error opening InputStream:\nDevice unavailable [PaErrorCode -9985]", -9985)
        self.streams.append(Stream(self, device=device, **asked))
        return self.streams[-1]

    def _terminate(self) -> None:
        self.listed = []

    def _initialize(self) -> None:
        self.listed = list(self.plugged)


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch) -> Card:
    made = Card([("Line In (hw:0,0)", 2), ("Speaker", 0), ("Studio In", 8), ("Studio In B", 1), ("Line 9", 2)])
    monkeypatch.setitem(sys.modules, "sounddevice", made)
    monkeypatch.setattr(room, "_BACKOFF_S", (0.01, 0.02))
    return made


def test_devices_that_cannot_record_are_left_out(card: Card) -> None:
    assert [(found.index, found.name, found.channels, found.default) for found in list_devices()] == [
        (0, "Line In (hw:0,0)", 2, True),
        (2, "Studio In", 8, False),
        (3, "Studio In B", 1, False),
        (4, "Line 9", 2, False),
    ]


@pytest.mark.parametrize(
    ("name", "index"), [(None, 0), ("Studio In", 2), ("3", 3), ("line in", 0), ("in b", 3), ("Studio In B", 3)]
)
def test_a_device_is_found_by_name_part_or_number(card: Card, name: str | None, index: int) -> None:
    assert find_device(name).index == index


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("Banjo", r"called 'Banjo': see `oscservice devices`"),
        ("1", r"called '1'"),  # it only plays
        ("9", r"called '9'"),  # a number is no part of a name, such as that of Line 9
        ("studio", r"fits several .*: 2 \(Studio In, ALSA\), 3 \(Studio In B, ALSA\)"),
    ],
)
def test_a_name_that_fits_none_or_several_is_refused(card: Card, name: str, told: str) -> None:
    with pytest.raises(AudioInputError, match=told):
        DeviceSource(name)


def test_no_device_at_all_is_refused_and_the_command_says_how_to_get_one(
    card: Card, capsys: pytest.CaptureFixture[str]
) -> None:
    card.listed = []
    with pytest.raises(AudioInputError, match="no audio input device was found"):
        DeviceSource()
    devices()
    shown = capsys.readouterr().out
    assert "plug in" in shown
    assert "--source file:PATH" in shown


def test_the_command_lists_the_devices(
    card: Card, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    card.listed[2] = ("Studio [8] In", 8)  # brackets are no markup
    devices()
    lines = capsys.readouterr().out.splitlines()
    assert any("Line In (hw:0,0)" in line and "44100" in line and "default" in line for line in lines)
    assert any("Studio [8] In" in line and "default" not in line for line in lines)


def test_without_portaudio_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    real_import = builtins.__import__

    def fail(name: str, *rest: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real_import(name, *rest)

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(builtins, "__import__", fail)
    for act in (DeviceSource, devices):
        with pytest.raises(AudioInputError, match=r"apt-get install libportaudio2$") as error:
            act()
        assert "\n" not in str(error.value)


def test_more_channels_than_there_are_and_silly_rates_are_refused(card: Card) -> None:
    with pytest.raises(AudioInputError, match="has 2 input channels, not 3"):
        DeviceSource(channels=3)
    with pytest.raises(InputError, match="5 Hz"):
        DeviceSource(rate=5)


def test_a_device_that_cannot_be_opened_is_refused_in_one_line(card: Card) -> None:
    source = DeviceSource("Studio In", channels=6)
    card.plugged = []
    with pytest.raises(AudioInputError, match=r"'Studio In' can't be opened with 44100 Hz and 6 channels") as error:
        source.__enter__()
    assert "\n" not in str(error.value)


def test_blocks_come_with_their_flags_and_positions(card: Card) -> None:
    with DeviceSource("Studio In", rate=48_000, channels=6) as source:
        (stream,) = card.streams
        assert (stream.asked["samplerate"], stream.channels, stream.asked["dtype"]) == (48_000, 6, "float32")
        states = [source.state]
        for number in range(3):
            stream.give(number / 4, overflow=number == 1)
        stream.give(float("nan"))
        blocks = iter(source)
        got = [next(blocks) for _ in range(4)]
        states.append(source.state)
    assert states == ["starting", "running"]
    assert [block.samples.shape for block in got] == [(DEVICE_BLOCK_FRAMES, 6)] * 4
    assert [float(block.samples[0, 5]) for block in got] == [0.0, 0.25, 0.5, 0.0]
    assert [block.start_frame for block in got] == [DEVICE_BLOCK_FRAMES * k for k in range(4)]
    assert [block.flags for block in got] == [(), ("overflow",), (), (f"not finite: {DEVICE_BLOCK_FRAMES * 6}",)]
    assert stream.closed


def test_blocks_that_find_the_queue_full_are_counted_and_the_positions_skip_them(card: Card) -> None:
    with DeviceSource() as source:
        (stream,) = card.streams
        room_for = -(-4 * 44_100 // DEVICE_BLOCK_FRAMES)
        for number in range(room_for + 7):
            stream.give(number / 1024)
        blocks = iter(source)
        got = [next(blocks) for _ in range(room_for)]
        assert source.dropped_frames == 0
        stream.give(0.5)
        after = next(blocks)
    assert float(got[-1].samples[0, 0]) == (room_for - 1) / 1024
    assert after.dropped_frames == source.dropped_frames == 7 * DEVICE_BLOCK_FRAMES
    assert after.start_frame == (room_for + 7) * DEVICE_BLOCK_FRAMES


def test_an_exception_in_the_callback_loses_only_one_block(card: Card) -> None:
    with DeviceSource() as source:
        (stream,) = card.streams
        stream.callback(None, DEVICE_BLOCK_FRAMES, None, None)  # no status to ask: fails inside
        stream.give(0.5)
        block = next(iter(source))
    assert (block.dropped_frames, float(block.samples[0, 0])) == (DEVICE_BLOCK_FRAMES, 0.5)


class Walk:
    """A source walked in its own thread."""

    def __init__(self, source: DeviceSource) -> None:
        self.blocks: list[Block] = []
        self.states: list[str] = []
        self.changed = threading.Condition()
        source.on_state = self._told
        self.thread = threading.Thread(target=self._walk, args=(source,), daemon=True)
        self.thread.start()

    def _walk(self, source: DeviceSource) -> None:
        for block in source:
            with self.changed:
                self.blocks.append(block)
                self.changed.notify_all()

    def _told(self, state: str) -> None:
        with self.changed:
            self.states.append(state)
            self.changed.notify_all()

    def wait_for(self, what: Callable[[], bool]) -> None:
        with self.changed:
            assert self.changed.wait_for(what, 60), (self.states, len(self.blocks))


def test_a_device_plugged_into_another_socket_is_found_again(card: Card) -> None:
    source = DeviceSource("line in")
    walk = Walk(source)
    assert card.started.wait(60)
    card.streams[0].give(0.25)
    walk.wait_for(lambda: len(walk.blocks) == 1)
    card.started.clear()
    card.plugged = [("Studio In", 8)]
    card.streams[0].active = False
    walk.wait_for(lambda: walk.states == ["running", "lost"])
    card.plugged = [("Studio In", 8), ("Line In (hw:1,0)", 2)]
    assert card.started.wait(60)
    assert card.streams[0].closed
    assert card.streams[-1].asked["device"] == 1
    card.streams[-1].give(0.5)
    walk.wait_for(lambda: len(walk.blocks) == 2)
    source.close()
    walk.thread.join(60)
    assert walk.states == ["running", "lost", "running", "ended"]
    assert walk.blocks[1].flags == ("reopened",)
    assert walk.blocks[1].start_frame == DEVICE_BLOCK_FRAMES + walk.blocks[1].dropped_frames
    assert card.streams[-1].closed


def test_a_device_that_stays_silent_is_lost_and_looked_for_afresh(card: Card, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "_FIRST_BLOCK_S", 0.05)
    looked = threading.Event()
    monkeypatch.setattr(card, "_terminate", looked.set)
    source = DeviceSource("Studio In")
    walk = Walk(source)
    walk.wait_for(lambda: walk.states == ["lost"])
    assert looked.wait(60)
    source.close()
    walk.thread.join(60)
    assert walk.states == ["lost", "ended"]
    assert all(stream.closed for stream in card.streams)


def test_no_other_device_takes_the_place_of_a_lost_one(card: Card) -> None:
    source = DeviceSource()  # the default one, Line In
    walk = Walk(source)
    assert card.started.wait(60)
    tried = threading.Event()
    card.plugged = [("Studio In", 8)]
    real = card._initialize
    count = 0

    def counted() -> None:
        nonlocal count
        real()
        count += 1
        if count == 3:
            tried.set()

    card._initialize = counted  # type: ignore[method-assign]
    card.streams[0].active = False
    assert tried.wait(60)
    source.close()
    walk.thread.join(60)
    assert len(card.streams) == 1
    assert walk.states == ["lost", "ended"]
