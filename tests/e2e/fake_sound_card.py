"""A sound card for tests: a private PulseAudio server whose only device is a null sink, one channel at 48 kHz.

A process started with `FakeSoundCard.environment` opens it through PortAudio as the device `pulse`, and hears what
`FakeSoundCard.play` plays into it. Files of 16 bits at 48 kHz come through bit for bit, but for some samples at their
beginning (up to 736 were seen lost): begin them with 0.1 s of silence.
"""

from __future__ import annotations

import ctypes.util
import os
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from conftest import need

SINK = "fake"
SINK_MODULE = ["module-null-sink", f"sink_name={SINK}", "rate=48000", "channels=1", "format=s16le"]
START_S = 30.0


@dataclass(frozen=True)
class FakeSoundCard:
    """A running card. `environment` is for the processes that are to use it."""

    environment: dict[str, str]

    def play(self, path: Path) -> subprocess.Popen[bytes]:
        """Begin to play a sound file into the card. Wait for the process to know that it has been played."""
        return subprocess.Popen(["paplay", str(path)], env=self.environment)

    def unplug(self) -> None:
        """Take the device away, as pulling its cable would."""
        self._control("unload-module", "module-null-sink")

    def plug_in(self) -> None:
        """Put the device back."""
        self._control("load-module", *SINK_MODULE)

    def _control(self, *words: str) -> None:
        subprocess.run(["pactl", *words], env=self.environment, check=True, stdout=subprocess.DEVNULL, timeout=START_S)


def need_sound_card() -> None:
    """Skip the test (in CI: fail it) unless everything is installed that a fake card needs."""
    need("pulseaudio", "pulseaudio")
    need("paplay", "pulseaudio-utils")
    need("pactl", "pulseaudio-utils")
    if ctypes.util.find_library("portaudio") is None:
        need("the library libportaudio.so.2", "libportaudio2")
    plugin = "alsa-lib/libasound_module_pcm_pulse.so"
    if not any(found for way in ("lib", "lib/*", "lib64") for found in Path("/usr").glob(f"{way}/{plugin}")):
        need("the ALSA plug-in for PulseAudio", "libasound2-plugins")


@contextmanager
def sound_card() -> Iterator[FakeSoundCard]:
    """A fake sound card for the length of a `with` block."""
    need_sound_card()
    with tempfile.TemporaryDirectory(prefix="card") as folder:
        socket = f"{folder}/pulse.sock"
        environment = {
            **os.environ,
            "HOME": folder,
            "XDG_RUNTIME_DIR": folder,
            "PULSE_SERVER": f"unix:{socket}",
            "PULSE_SOURCE": f"{SINK}.monitor",
            "PULSE_SINK": SINK,
        }
        log = Path(folder, "pulse.log")
        with log.open("wb") as errors:
            server = subprocess.Popen(
                [
                    *["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1"],
                    *["--log-target=stderr", "--log-level=error"],
                    *["-L", f"module-native-protocol-unix socket={socket} auth-anonymous=1"],
                    *["-L", " ".join(SINK_MODULE)],
                ],
                env=environment,
                stderr=errors,
            )
        try:
            _wait_until_up(server, environment, log)
            yield FakeSoundCard(environment)
        finally:
            server.terminate()
            try:
                server.wait(10)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()


def _wait_until_up(server: subprocess.Popen[bytes], environment: dict[str, str], log: Path) -> None:
    until_s = time.monotonic() + START_S
    while subprocess.run(["pactl", "info"], env=environment, capture_output=True).returncode != 0:
        if server.poll() is not None or time.monotonic() > until_s:
            pytest.fail(f"the fake sound card did not start: {log.read_text()}")
        time.sleep(0.1)
