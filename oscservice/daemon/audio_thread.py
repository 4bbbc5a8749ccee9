"""A thread that takes blocks from a source, listens to them, and delivers what it hears to the event loop.

A delivery waits until the loop has processed it. So the order of things is the same on every run, and a source that is
faster than real time never runs ahead of the session. A live device has a queue of its own, so nothing is lost
meanwhile.

If sound is kept, a ring buffer beside each listener has the last seconds of its channel. It does not affect the
listener.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Callable, Sequence

from oscservice.audio.block import OVERFLOW, AudioSource, Block, SampleRing
from oscservice.errors import AudioInputError, OscserviceError
from oscservice.hearing.listener import Listener, ListenerEvent, NoteHeard
from oscservice.record.kept_sound import Stretch, stretch

log = logging.getLogger(__name__)

Sounds = Sequence[Stretch | None]
"""The sound of each event; None where there is none to keep."""

_DELIVERY_TIMEOUT_S = 30.0
_RING_S = 5.0  # more than the time before a note and the longest reading together


class AudioThread:
    """Listens to a source in a thread of its own.

    Args:
        source: the source of blocks.
        loop: the loop on which ``on_heard`` and ``on_end`` are called.
        on_heard: takes a channel (from 0), the events heard in it, and their sounds.
        on_end: called when the source has ended, with the error that ended it, or None.
        expected_hz: returns the pitches that are asked for now in a channel.
        channels: the channels to listen to, from 0.
        keep: sound is kept.
        string_a_channel: each channel carries one string.
    """

    def __init__(
        self,
        source: AudioSource,
        loop: asyncio.AbstractEventLoop,
        on_heard: Callable[[int, Sequence[ListenerEvent], Sounds], None],
        on_end: Callable[[OscserviceError | None], None],
        expected_hz: Callable[[int], tuple[float, ...]],
        channels: Sequence[int],
        *,
        keep: bool = False,
        string_a_channel: bool = False,
    ) -> None:
        self._source = source
        self._loop = loop
        self._on_heard = on_heard
        self._on_end = on_end
        self._expected_hz = expected_hz
        self._string_a_channel = string_a_channel
        self._listeners = {channel: Listener(source.sample_rate_hz) for channel in channels}
        frames = round(_RING_S * source.sample_rate_hz)
        self._rings = {channel: SampleRing(frames) for channel in channels} if keep else {}
        self._stopped = threading.Event()
        self._abandoned = threading.Event()
        self._thread = threading.Thread(target=self._run, name="audio", daemon=True)

    def start(self) -> None:
        """Start to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Stop listening; a note that still sounds is not read. ``on_end`` is called when the thread has stopped."""
        self._stopped.set()
        self._source.close()

    def abandon(self) -> None:
        """Call neither ``on_heard`` nor ``on_end`` any more."""
        self._abandoned.set()

    def _run(self) -> None:
        fault: OscserviceError | None = None
        try:
            for block in self._source:
                for channel, listener in self._listeners.items():
                    listener.expect(self._expected_hz(channel))
                    if block.dropped_frames or OVERFLOW in block.flags:
                        self._deliver(channel, listener.lost(block.dropped_frames))
                    self._record(channel, block)
                    self._deliver(channel, listener.feed(block.samples[:, channel]))
            if not self._stopped.is_set():
                for channel, listener in self._listeners.items():
                    self._deliver(channel, listener.finish())
        except OscserviceError as error:
            fault = error
        except _LoopClosedError:
            return
        except Exception:
            log.exception("listening failed")
            fault = AudioInputError("internal failure while listening; see the log")
        with contextlib.suppress(_LoopClosedError):
            self._loop_call(self._on_end, fault)

    def _record(self, channel: int, block: Block) -> None:
        ring = self._rings.get(channel)
        if ring is not None:
            if OVERFLOW in block.flags:
                ring.clear()
            ring.take(block.samples[:, channel], block.start_frame)

    def _sound(self, channel: int, event: ListenerEvent) -> Stretch | None:
        """Return the sound to keep of a note; None for other events, or where no sound is kept."""
        ring = self._rings.get(channel)
        if ring is None or not isinstance(event, NoteHeard):
            return None
        rate_hz = self._source.sample_rate_hz
        first, samples = ring.stretch(round(event.from_s * rate_hz), round(event.until_s * rate_hz))
        only_string = channel + 1 if self._string_a_channel else None
        return stretch(samples, rate_hz, event.onset_s - first / rate_hz, event.knew, only_string)

    def _deliver(self, channel: int, events: Sequence[ListenerEvent]) -> None:
        if not events:
            return
        sounds = [self._sound(channel, event) for event in events]
        done = threading.Event()

        def process() -> None:
            try:
                self._on_heard(channel, events, sounds)
            finally:
                done.set()

        self._loop_call(process)
        if not done.wait(_DELIVERY_TIMEOUT_S):
            log.warning("the session took more than %g s over one note", _DELIVERY_TIMEOUT_S)

    def _loop_call(self, function: Callable[..., None], *arguments: object) -> None:
        def call() -> None:
            if not self._abandoned.is_set():
                function(*arguments)

        try:
            self._loop.call_soon_threadsafe(call)
        except RuntimeError:  # the loop is closed
            raise _LoopClosedError from None


class _LoopClosedError(Exception):
    """The loop was closed while the thread still listened."""
