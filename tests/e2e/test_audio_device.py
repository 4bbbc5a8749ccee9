"""A live input through PortAudio, on a fake sound card: exact samples, and a device that goes and comes back."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile
from fake_sound_card import FakeSoundCard, sound_card

pytestmark = [pytest.mark.foreign, pytest.mark.slow]

# Captures device `pulse` until its standard input ends, then writes the samples. Prints each state on a line.
LISTENER = """
import sys, threading
import numpy as np
from oscservice.audio.device_source import DeviceSource
source = DeviceSource("pulse", 48000, 1)
source.on_state = lambda state: print(state, flush=True)
threading.Thread(target=lambda: (sys.stdin.read(), source.close()), daemon=True).start()
blocks = []
with source:
    for block in source:
        blocks.append(block)
        if block.flags:
            print("flags", *block.flags, flush=True)
next_frame = 0
for block in blocks:
    assert block.start_frame == next_frame + block.dropped_frames, (next_frame, block)
    next_frame = block.start_frame + len(block.samples)
assert source.dropped_frames == sum(block.dropped_frames for block in blocks)
np.save(sys.argv[1], np.concatenate([block.samples for block in blocks]))
print("dropped", source.dropped_frames, flush=True)
"""


@contextmanager
def listener(card: FakeSoundCard, result: Path) -> Iterator[subprocess.Popen[str]]:
    """The listening process, stopped at the end if the test didn't end it itself."""
    process = subprocess.Popen(
        [sys.executable, "-c", LISTENER, str(result)],
        env=card.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    guard = threading.Timer(60, process.kill)  # a line that never comes ends the wait for it
    guard.start()
    try:
        yield process
    finally:
        guard.cancel()
        process.kill()
        process.communicate()


def line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def test_a_played_file_arrives_bit_for_bit(tmp_path: Path) -> None:
    time_s = np.arange(48_000) / 48_000
    note = 0.3 * np.exp(-time_s) * np.sin(2 * np.pi * 82.41 * time_s)
    soundfile.write(tmp_path / "note.wav", np.r_[np.zeros(14_400), note], 48_000, subtype="PCM_16")
    played, _ = soundfile.read(tmp_path / "note.wav", dtype="float32")
    with sound_card() as card, listener(card, tmp_path / "heard.npy") as process:
        assert line(process) == "running"  # the card gives blocks: only now is anything heard
        assert card.play(tmp_path / "note.wav").wait(30) == 0
        rest, _ = process.communicate()
    assert rest.split("\n") == ["ended", "dropped 0", ""]
    heard = np.load(tmp_path / "heard.npy")[:, 0]
    size = 1 << (len(heard) + len(played)).bit_length()
    likeness = np.fft.irfft(np.fft.rfft(heard, size) * np.conj(np.fft.rfft(played, size)), size)
    start = int(likeness.argmax())
    skip = 4_800
    assert np.abs(played[skip:]).max() > 0.2
    assert np.array_equal(heard[start + skip : start + len(played)], played[skip:])


def test_a_device_that_goes_away_is_lost_and_found_again(tmp_path: Path) -> None:
    with sound_card() as card, listener(card, tmp_path / "heard.npy") as process:
        assert line(process) == "running"
        card.unplug()
        assert line(process) == "lost"
        card.plug_in()
        assert line(process) == "running"
        assert line(process) == "flags reopened"
        rest, _ = process.communicate()
    ended, dropped = rest.splitlines()
    assert ended == "ended"
    assert int(dropped.split()[1]) > 0


def test_closing_while_the_device_is_away_ends_at_once(tmp_path: Path) -> None:
    with sound_card() as card, listener(card, tmp_path / "heard.npy") as process:
        assert line(process) == "running"
        card.unplug()
        assert line(process) == "lost"
        rest, _ = process.communicate()
        assert process.returncode == 0
    assert rest.splitlines() == ["ended", "dropped 0"]


REFUSALS = """
import sys
from oscservice.audio.device_source import DeviceSource
from oscservice.errors import OscserviceError
for name, rate, channels in (("no such device", None, None), ("pulse", None, 33), ("pulse", 4000, 1)):
    try:
        DeviceSource(name, rate, channels)
    except OscserviceError as error:
        print(type(error).__name__, error)
"""


def test_a_device_that_cannot_be_used_is_refused_in_one_line() -> None:
    with sound_card() as card:
        told = subprocess.run(
            [sys.executable, "-c", REFUSALS], env=card.environment, capture_output=True, text=True, timeout=60
        )
    assert told.stderr == ""
    assert told.stdout.splitlines() == [
        "AudioInputError no audio input device is called 'no such device': see `oscservice devices`",
        "AudioInputError input device 'pulse' has 32 input channels, not 33: see `oscservice devices`",
        "InputError input device 'pulse': a sample rate of 4000 Hz can't be used: it must be 8000 to 192000 Hz",
    ]


LIST = "from oscservice.cli.listing_commands import devices; devices()"


def test_devices_lists_the_inputs() -> None:
    with sound_card() as card:
        told = subprocess.run(
            [sys.executable, "-c", LIST], env=card.environment, capture_output=True, text=True, timeout=60
        )
    assert told.stderr == ""
    assert "pulse" in told.stdout
    assert "ALSA" in told.stdout
    assert "--source device:NAME" in told.stdout
