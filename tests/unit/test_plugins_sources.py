"""Sources of sound from other packages, checked block by block."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plugin_packages import WatchedRegistry, plugin_package

from oscservice.audio.block import AudioSource, Block
from oscservice.errors import AudioInputError, InputError
from oscservice.plugins.plugin_source import PluginSource, open_plugin

TONES = """
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


def opened(packages_folder: Path, rest: str, **asked: Any) -> tuple[WatchedRegistry, AudioSource]:
    plugin_package(packages_folder, TONES, sources={"tone": "tone"})
    registry = WatchedRegistry()
    return registry, open_plugin(registry, registry.the("source", "tone"), rest, **asked)


def test_the_blocks_of_a_source_are_on_its_own_time_line(packages_folder: Path) -> None:
    registry, source = opened(packages_folder, "nan", rate_hz=44100)
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
def test_a_source_that_fails_is_an_input_that_was_lost(packages_folder: Path, what: str, reason: str) -> None:
    registry, source = opened(packages_folder, what)
    states: list[str] = []
    source.on_state = states.append
    heard: list[Block] = []
    with source, pytest.raises(AudioInputError) as error:
        heard += source
    assert str(error.value) == f"the source tone is lost: {reason}"
    assert states == ["running", "lost", "ended"]
    assert registry.said == [f"tone: {reason}"]


@pytest.mark.parametrize(
    ("rest", "reason"),
    [
        ("raises", "OSError: no such wire"),
        ("five", "it gave int, expected an AudioSource (oscservice.audio.block)"),
        ("slow", "InputError: it: a sample rate of 1 Hz can't be used: it must be 8000 to 192000 Hz"),
    ],
)
def test_a_source_that_can_not_be_opened(packages_folder: Path, rest: str, reason: str) -> None:
    with pytest.raises(AudioInputError) as error:
        opened(packages_folder, rest)
    assert str(error.value).endswith(f"is disabled: {reason}")
    assert error.value.exit_code == 3


def test_a_mistyped_argument_is_reported_as_the_users_mistake(packages_folder: Path) -> None:
    with pytest.raises(InputError, match="--source tone: 'odd' is no tone; say breaks"):
        opened(packages_folder, "odd")


def test_another_number_of_channels_than_was_asked_for(packages_folder: Path) -> None:
    with pytest.raises(InputError, match="--channels 2 does not fit the source tone, which has 1: leave it out"):
        opened(packages_folder, "fine", channels=2)


def test_a_source_that_fails_to_close_changes_nothing(packages_folder: Path) -> None:
    registry, source = opened(packages_folder, "sticks")
    source.close()
    assert list(source) == []
    assert registry.said == []


def test_a_source_that_is_closed_in_the_middle_ends(packages_folder: Path) -> None:
    class Endless(AudioSource):
        def _blocks(self) -> Iterator[Block]:
            while not self._closed.is_set():
                yield self._block(np.zeros((64, 1), np.float32))

        def _release(self) -> None:
            released.set()

    released = threading.Event()
    registry = WatchedRegistry()
    plugin_package(packages_folder, TONES, sources={"tone": "tone"})
    inner = Endless(48000, 1, "endless")
    source = PluginSource(registry, registry.the("source", "tone"), inner)
    for count, _ in enumerate(source):
        if count == 20:
            source.close()
    assert released.wait(10.0)
    assert source.state == "ended"
