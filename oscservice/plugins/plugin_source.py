"""A source of sound from another package: its blocks are checked, and its failure is an audio input that was lost."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from oscservice.audio.block import NOT_FINITE, AudioSource, Block, check_channels, check_rate, unfit_option
from oscservice.errors import AudioInputError, InputError
from oscservice.plugins.registry import Offer, PluginError, Registry, SourceMaker, guarded, one_line, reason_of


def open_plugin(
    registry: Registry, offer: Offer, rest: str, rate_hz: int | None = None, channels: int | None = None
) -> AudioSource:
    """Return the source that a plug-in makes of ``--source NAME:REST``.

    Raises:
        AudioInputError: the plug-in fails; it is disabled.
        InputError: it can't use ``rest``, or has another rate or number of channels than was asked for.
    """
    try:
        make: SourceMaker = registry.load(offer)
        source = guarded(lambda: _made(make, rest, rate_hz, channels))
        if isinstance(source, InputError):
            raise InputError(f"--source {offer.name}: {source}")
        if not isinstance(source, AudioSource):
            raise PluginError(f"it gave {type(source).__name__}, expected an AudioSource (oscservice.audio.block)")
        checked = PluginSource(registry, offer, source)
    except PluginError as error:
        registry.disable(offer, str(error))
        raise AudioInputError(f"{offer} is disabled: {error}") from None
    complaint = unfit_option(checked, rate_hz, channels, f"the source {offer.name}")
    if complaint:
        checked.close()
        raise InputError(f"{complaint}: leave it out")
    return checked


def _made(make: SourceMaker, rest: str, rate_hz: int | None, channels: int | None) -> Any:
    try:
        return make(rest, rate_hz, channels)
    except InputError as mistake:  # the user's mistake, not the plug-in's
        return mistake


class PluginSource(AudioSource):
    """A plug-in's source with its blocks checked. Raises PluginError for an unusable rate or number of channels."""

    def __init__(self, registry: Registry, offer: Offer, source: AudioSource) -> None:
        rate_hz = guarded(lambda: check_rate(source.sample_rate_hz, "it"))
        channels = guarded(lambda: check_channels(source.channels, "it"))
        super().__init__(rate_hz, channels, f"{offer.name} ({source.description})")
        self._registry = registry
        self._offer = offer
        self._source = source
        source.on_state = self._changed

    def _blocks(self) -> Iterator[Block]:
        try:
            for block in self._source:
                yield self._checked(block)
        except PluginError as error:
            raise self._lost(str(error)) from None
        except (Exception, SystemExit) as error:
            raise self._lost(reason_of(error)) from error

    def _checked(self, block: Any) -> Block:
        """Return a plug-in's block, counted on this source's time line. Raises PluginError for a wrong shape."""
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
        flags = tuple(one_line(str(flag)) for flag in block.flags)
        counts = [flag for flag in flags if flag.startswith(f"{NOT_FINITE}:")]
        found = self._block(
            np.asarray(samples, np.float32), dropped, tuple(flag for flag in flags if flag not in counts)
        )
        # Samples that the plug-in itself has found not finite, and replaced, are counted too.
        numbers = [flag.rpartition(" ")[2] for flag in counts]
        self._not_finite += sum(int(number) for number in numbers if number.isdecimal())
        return replace(found, flags=(*found.flags, *counts))

    def _changed(self, state: object) -> None:
        if state == "lost":  # perhaps only for a while: the next block sets it to running again
            self._set_state("lost")

    def _lost(self, reason: str) -> AudioInputError:
        self._registry.disable(self._offer, reason)
        self._set_state("lost")
        return AudioInputError(f"the source {self._offer.name} is lost: {reason}")

    def _wake(self) -> None:
        self._release()

    def _release(self) -> None:
        with contextlib.suppress(Exception):  # it has ended: a failure to close it changes nothing
            self._source.close()
