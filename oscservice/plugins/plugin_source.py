"""A source of sound from another package, so held that it can't harm the daemon.

It is walked in a thread of its own, a few blocks ahead at most. What it gives is checked; an exception, a block of the
wrong shape, or no block for too long ends it as an audio input that was lost.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from oscservice.audio.block import NOT_FINITE, AudioSource, Block, Samples, check_channels, check_rate
from oscservice.errors import AudioInputError, InputError
from oscservice.plugins.registry import (
    LOADING_S,
    Offer,
    PluginError,
    Registry,
    SourceMaker,
    one_line,
    reason_of,
    within,
)

SILENT_S = 10.0
"""A source that gives no block for so long is lost. One that hears nothing gives blocks of silence."""

_AHEAD_BLOCKS = 8
_POLL_S = 0.1
_END = object()


def open_plugin(
    registry: Registry, offer: Offer, rest: str, rate_hz: int | None = None, channels: int | None = None
) -> AudioSource:
    """The source that a plug-in makes of ``--source NAME:REST``.

    Raises:
        AudioInputError: the plug-in fails; it is put away.
        InputError: it can't use ``rest``, or has another rate or number of channels than was asked for.
    """
    try:
        make: SourceMaker = registry.load(offer)
        source = within(lambda: _made(make, rest, rate_hz, channels), LOADING_S)
        if isinstance(source, InputError):
            raise InputError(f"--source {offer.name}: {source}")
        if not isinstance(source, AudioSource):
            raise PluginError(f"it gave {type(source).__name__}, expected an AudioSource (oscservice.audio.block)")
        held = PluggedSource(registry, offer, source)
    except PluginError as error:
        registry.disable(offer, str(error))
        raise AudioInputError(f"{offer} is disabled: {error}") from None
    for option, asked, real in (("--rate", rate_hz, held.sample_rate_hz), ("--channels", channels, held.channels)):
        if asked is not None and asked != real:
            held.close()
            raise InputError(f"{option} {asked} does not fit the source {offer.name}, which has {real}: leave it out")
    return held


def _made(make: SourceMaker, rest: str, rate_hz: int | None, channels: int | None) -> Any:
    try:
        return make(rest, rate_hz, channels)
    except InputError as mistake:  # the person's, not the plug-in's
        return mistake


class PluggedSource(AudioSource):
    """A plug-in's source, walked at arm's length.

    Raises PluginError for one whose rate or channels can't be.
    """

    def __init__(self, registry: Registry, offer: Offer, source: AudioSource, silent_s: float = SILENT_S) -> None:
        try:
            rate_hz = check_rate(source.sample_rate_hz, "it")
            channels = check_channels(source.channels, "it")
            description = f"{offer.name} ({source.description})"
        except Exception as error:
            raise PluginError(reason_of(error)) from None
        super().__init__(rate_hz, channels, description)
        self._registry = registry
        self._offer = offer
        self._source = source
        self._silent_s = silent_s
        self._ahead: queue.Queue[Any] = queue.Queue(_AHEAD_BLOCKS)
        self._let_go = False
        source.on_state = self._changed

    def _blocks(self) -> Iterator[Block]:
        threading.Thread(target=self._walk, name=f"plug-in {self._offer.name}", daemon=True).start()
        waited_s = time.monotonic()
        while not self._closed.is_set():
            try:
                given = self._ahead.get(timeout=_POLL_S)
            except queue.Empty:
                if time.monotonic() - waited_s > self._silent_s:
                    raise self._lost(f"too slow: no samples for {self._silent_s:g} s") from None
                continue
            if given is _END:
                return
            if isinstance(given, BaseException):
                raise self._lost(str(given) if isinstance(given, PluginError) else reason_of(given))
            yield self._counted(*given)
            waited_s = time.monotonic()

    def _counted(self, samples: Samples, dropped_frames: int, flags: tuple[str, ...]) -> Block:
        """The next block; what the plug-in has found not finite, and replaced, counts with what is found here."""
        counts = [flag for flag in flags if flag.startswith(f"{NOT_FINITE}:")]
        found = self._block(samples, dropped_frames, tuple(flag for flag in flags if flag not in counts))
        numbers = [flag.rpartition(" ")[2] for flag in counts]
        self._not_finite += sum(int(number) for number in numbers if number.isdecimal())
        return replace(found, flags=(*found.flags, *counts))

    def _walk(self) -> None:
        """In a thread of its own: take the plug-in's blocks one after another."""
        last: Any = _END
        try:
            for block in self._source:
                if not self._hand_on(self._checked(block)):
                    return
        except BaseException as error:
            last = error
        self._hand_on(last)

    def _hand_on(self, given: Any) -> bool:
        """Whether it was taken; not once the source is closed."""
        while not self._closed.is_set():
            try:
                self._ahead.put(given, timeout=_POLL_S)
            except queue.Full:
                continue
            return True
        return False

    def _checked(self, block: Any) -> tuple[Any, int, tuple[str, ...]]:
        if not isinstance(block, Block):
            raise PluginError(f"it gave {type(block).__name__}, expected a Block (oscservice.audio.block)")
        samples = block.samples
        if not isinstance(samples, np.ndarray) or not np.issubdtype(samples.dtype, np.floating):
            raise PluginError("its samples are no floating-point array")
        if samples.ndim != 2 or samples.shape[1] != self.channels or not len(samples):
            raise PluginError(f"samples of shape {samples.shape}; expected (frames, {self.channels})")
        dropped = block.dropped_frames
        if type(dropped) is not int or dropped < 0:
            raise PluginError(f"dropped_frames {dropped!r:.20}; expected a count")
        return np.array(samples, np.float32), dropped, tuple(one_line(str(flag)) for flag in block.flags)

    def _changed(self, state: object) -> None:
        if state == "lost":  # for a while, it may be: the next block says that it runs again
            self._set_state("lost")

    def _lost(self, reason: str) -> AudioInputError:
        self._registry.disable(self._offer, reason)
        self._set_state("lost")
        return AudioInputError(f"the source {self._offer.name} is lost: {reason}")

    def _release(self) -> None:
        if not self._let_go:
            self._let_go = True
            # It may hang, or fail: that is nobody's concern any more.
            threading.Thread(target=_close, args=(self._source,), name="plug-in ends", daemon=True).start()


def _close(source: AudioSource) -> None:
    try:
        source.close()
    except BaseException:
        return
