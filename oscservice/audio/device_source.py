"""Source of blocks from a sound card, through PortAudio.

PortAudio reports nothing when a device goes away. So a clock detects it here, and the device is opened again until it
is back or the source is closed.
"""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from oscservice.audio.block import OVERFLOW, REOPENED, AudioSource, Block, Samples, check_channels, check_rate
from oscservice.audio.portaudio import (
    InputDevice,
    find_device,
    one_line,
    portaudio,
    refresh_devices,
    same_device,
    silenced_stderr,
)
from oscservice.errors import AudioInputError
from oscservice.sentences.plural import counted

DEVICE_BLOCK_FRAMES = 512
_QUEUE_S = 4.0  # the listener may be late by this before samples are dropped
_FIRST_BLOCK_S = 4.0  # a sound server may take 2 s to give the first block
_NEXT_BLOCK_S = 1.0  # a device without blocks for this time is lost
_POLL_S = 0.1
_BACKOFF_S = (0.5, 5.0)  # first and longest wait between attempts to open the device again


class DeviceSource(AudioSource):
    """A live input. The device is looked up at once, and opened by the `with` statement or by the iteration.

    While the device is lost, the state is "lost" and no blocks come. The first block after it is opened again is
    flagged "reopened"; its `dropped_frames` is the time that the device was away, by the clock.

    Args:
        name: as for `find_device`.
        rate: sample rate in Hz; None for that of the device.
        channels: number of channels from the first on; None for 1.

    Raises:
        AudioInputError: PortAudio or the device is missing, or refuses the rate or the channels.
        InputError: a rate or number of channels out of range.
    """

    def __init__(self, name: str | None = None, rate: int | None = None, channels: int | None = None) -> None:
        device = find_device(name)
        where = f"input device {device.name!r}"
        rate_hz = check_rate(device.default_rate_hz if rate is None else rate, where)
        channels = check_channels(1 if channels is None else channels, where)
        if channels > device.channels:
            raise AudioInputError(
                f"{where} has {device.channels} input channels, not {channels}: see `oscservice devices`"
            )
        super().__init__(rate_hz, channels, f"device {device.name}, {rate_hz} Hz, {channels} ch")
        self._device = device
        self._opening = threading.Lock()
        self._capture: _Capture | None = None

    def __enter__(self) -> DeviceSource:
        with silenced_stderr():
            self._open(self._device)
        return self

    def _open(self, device: InputDevice) -> None:
        with self._opening:
            if self._capture is None and not self._closed.is_set():
                self._capture = _Capture(device, self.sample_rate_hz, self.channels)

    def _is_lost(self, capture: _Capture) -> bool:
        with self._opening:  # another thread may be closing the stream, which must not be used then
            return capture is self._capture and capture.is_lost()

    def _blocks(self) -> Iterator[Block]:
        self._open(self._device)
        capture = self._capture
        lost_at_s: float | None = None
        while capture is not None and not self._closed.is_set():
            heard = capture.get(_POLL_S)
            if heard is not None:
                away_s = 0.0 if lost_at_s is None else max(0.0, heard.began_s - lost_at_s)
                flags = (*((REOPENED,) if lost_at_s is not None else ()), *((OVERFLOW,) if heard.overflow else ()))
                lost_at_s = None
                yield self._block(heard.samples, heard.dropped_frames + round(away_s * self.sample_rate_hz), flags)
            elif self._is_lost(capture):
                if lost_at_s is None:
                    lost_at_s = capture.heard_s
                self._set_state("lost")
                capture = self._reopen(capture)

    def _reopen(self, lost: _Capture) -> _Capture | None:
        """Return the device opened again, however long that takes, or None if the source was closed meanwhile."""
        self._release()
        if not lost.any:  # it was opened but gave no blocks: PortAudio's list of devices may be out of date
            with self._opening:
                refresh_devices()
        wait_s, longest_s = _BACKOFF_S
        while not self._closed.wait(wait_s):
            try:
                self._open(same_device(self._device))
                return self._capture
            except AudioInputError:
                with self._opening:
                    refresh_devices()
            wait_s = min(2 * wait_s, longest_s)
        return None

    def _wake(self) -> None:
        # The iterating thread releases the device too, but it may never resume. It may also hang in the driver while it
        # opens a device: then this thread must not wait for it.
        self._release(patience_s=1.0)

    def _release(self, patience_s: float = -1.0) -> None:
        if self._opening.acquire(timeout=patience_s):
            try:
                capture, self._capture = self._capture, None
                if capture is not None:
                    capture.close()
            finally:
                self._opening.release()


@dataclass(frozen=True)
class _CapturedBlock:
    """Samples from the callback, shape (frames, channels), and when they began (monotonic clock)."""

    samples: Samples
    dropped_frames: int
    overflow: bool
    began_s: float


class _Capture:
    """One open stream and the bounded queue that its callback fills. Raises AudioInputError if it can't be opened."""

    def __init__(self, device: InputDevice, rate_hz: int, channels: int) -> None:
        sd = portaudio()
        self._rate_hz = rate_hz
        self._queue: queue.SimpleQueue[_CapturedBlock] = queue.SimpleQueue()
        self._most_blocks = math.ceil(_QUEUE_S * rate_hz / DEVICE_BLOCK_FRAMES)
        self._dropped_frames = 0
        self.any = False
        self.heard_s = time.monotonic()
        try:
            self._stream = sd.InputStream(
                device=device.index,
                samplerate=rate_hz,
                channels=channels,
                blocksize=DEVICE_BLOCK_FRAMES,
                dtype="float32",
                callback=self._callback,
            )
        except (sd.PortAudioError, ValueError) as error:
            raise self._refusal(device, rate_hz, channels, error) from None
        try:
            self._stream.start()
        except sd.PortAudioError as error:
            self._stream.close(ignore_errors=True)
            raise self._refusal(device, rate_hz, channels, error) from None

    @staticmethod
    def _refusal(device: InputDevice, rate_hz: int, channels: int, error: Exception) -> AudioInputError:
        asked = f"{rate_hz} Hz and {counted(channels, 'channel')}"
        return AudioInputError(
            f"input device {device.name!r} can't be opened with {asked} ({one_line(error)}): "
            "close what else uses it, or see `oscservice devices`"
        )

    def _callback(self, samples: Samples, frames: int, _time: Any, status: Any) -> None:
        """Queue a block. Runs in PortAudio's thread, which must not wait; an exception would end the stream
        silently."""
        try:
            now_s = time.monotonic()
            if self._queue.qsize() >= self._most_blocks:
                self._dropped_frames += frames
            else:
                began_s = now_s - frames / self._rate_hz
                heard = _CapturedBlock(
                    np.array(samples, np.float32), self._dropped_frames, bool(status.input_overflow), began_s
                )
                self._queue.put(heard)
                self._dropped_frames = 0
            self.any = True
            self.heard_s = now_s
        except Exception:
            self._dropped_frames += frames

    def get(self, timeout_s: float) -> _CapturedBlock | None:
        try:
            return self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def is_lost(self) -> bool:
        """Return True when the stream has stopped (as with a dead sound server), or gave nothing for too long."""
        limit_s = _NEXT_BLOCK_S if self.any else _FIRST_BLOCK_S
        if time.monotonic() - self.heard_s > limit_s:
            return True
        try:
            return not self._stream.active
        except portaudio().PortAudioError:
            return True

    def close(self) -> None:
        self._stream.abort(ignore_errors=True)
        self._stream.close(ignore_errors=True)
