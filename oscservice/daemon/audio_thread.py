"""The ears: a thread that takes blocks from a source, listens, and hands what it hears to the loop.

The handing over waits until the loop has dealt with it. That keeps the order of things the same on every run, and a
source that is faster than real time never runs ahead of the session. A live device has a queue of its own, so nothing
is lost meanwhile.

Where sound is kept, the last seconds of each channel are held beside its listener, which is not touched by that.
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
"""What can be kept of each of the things heard."""

_PATIENCE_S = 30.0
_HELD_S = 5.0  # what comes before a note and the longest that is read, and a good deal more


class AudioThread:
    """Listens to a source in a thread of its own.

    Args:
        source: where blocks come from.
        loop: the loop that ``on_heard`` is called on.
        on_heard: takes a channel (from 0), what was heard in it, and the sound of each where it is kept.
        on_end: called on the loop when the source has ended, with what went wrong, or None.
        expected_hz: gives the pitches that are asked for now.
        channels: which channels are listened to, from 0.
        keep: whether sound is kept.
        string_a_channel: each channel is one string's.
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
        held = round(_HELD_S * source.sample_rate_hz)
        self._rings = {channel: SampleRing(held) for channel in channels} if keep else {}
        self._stopped = threading.Event()
        self._abandoned = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ears", daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Stop listening: a note that still sounds is not read. ``on_end`` comes when they have stopped."""
        self._stopped.set()
        self._source.close()

    def abandon(self) -> None:
        """Take nothing more of what they hear, and no word of their end."""
        self._abandoned.set()

    def _run(self) -> None:
        trouble: OscserviceError | None = None
        try:
            for block in self._source:
                for channel, listener in self._listeners.items():
                    listener.expect(self._expected_hz(channel))
                    if block.dropped_frames or OVERFLOW in block.flags:
                        self._hand_over(channel, listener.lost(block.dropped_frames))
                    self._hold(channel, block)
                    self._hand_over(channel, listener.feed(block.samples[:, channel]))
            if not self._stopped.is_set():
                for channel, listener in self._listeners.items():
                    self._hand_over(channel, listener.finish())
        except OscserviceError as error:
            trouble = error
        except _LoopGoneError:
            return
        except Exception:
            log.exception("listening failed")
            trouble = AudioInputError("listening failed inside; the log says why")
        with contextlib.suppress(_LoopGoneError):
            self._loop_call(self._on_end, trouble)

    def _hold(self, channel: int, block: Block) -> None:
        ring = self._rings.get(channel)
        if ring is not None:
            if OVERFLOW in block.flags:
                ring.clear()
            ring.take(block.samples[:, channel], block.start_frame)

    def _sound(self, channel: int, event: ListenerEvent) -> Stretch | None:
        """What can be kept of a note, or None."""
        ring = self._rings.get(channel)
        if ring is None or not isinstance(event, NoteHeard):
            return None
        rate_hz = self._source.sample_rate_hz
        first, samples = ring.stretch(round(event.from_s * rate_hz), round(event.until_s * rate_hz))
        only = channel + 1 if self._string_a_channel else None
        return stretch(samples, rate_hz, event.onset_s - first / rate_hz, event.knew, only)

    def _hand_over(self, channel: int, events: Sequence[ListenerEvent]) -> None:
        if not events:
            return
        sounds = [self._sound(channel, event) for event in events]
        done = threading.Event()

        def deal_with() -> None:
            try:
                self._on_heard(channel, events, sounds)
            finally:
                done.set()

        self._loop_call(deal_with)
        if not done.wait(_PATIENCE_S):
            log.warning("the session took more than %g s over one note", _PATIENCE_S)

    def _loop_call(self, function: Callable[..., None], *arguments: object) -> None:
        def call() -> None:
            if not self._abandoned.is_set():
                function(*arguments)

        try:
            self._loop.call_soon_threadsafe(call)
        except RuntimeError:  # the loop is closed
            raise _LoopGoneError from None


class _LoopGoneError(Exception):
    """The loop was closed while the ears still listened."""
