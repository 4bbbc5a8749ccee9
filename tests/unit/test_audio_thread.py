"""The audio thread: it delivers the same events, bit for bit, whether sound is kept or not."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import pytest

from oscservice.audio.block import OVERFLOW, AudioSource, Block
from oscservice.daemon.audio_thread import AudioThread, Sounds
from oscservice.hearing.listener import ListenerEvent, NoteHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.record.kept_sound import Stretch, floats
from oscservice.record.remeasurement import heard_again
from oscservice.simulate.guitar import Guitar

RATE_HZ = 48000
Heards = list[tuple[int, ListenerEvent, Stretch | None]]


class Played(AudioSource):
    """Samples, shape (frames, channels), in blocks of 1000; before some of them frames were lost."""

    def __init__(self, samples: np.ndarray, lost: dict[int, int] | None = None, flags: tuple[str, ...] = ()) -> None:
        super().__init__(RATE_HZ, samples.shape[1], "a test")
        self._samples = samples
        self._lost = lost or {}
        self._lost_flags = flags

    def _blocks(self) -> Iterator[Block]:
        reused = np.empty((1000, self._samples.shape[1]), dtype=np.float32)
        for first, end in pairwise(range(0, len(self._samples) + 1, 1000)):
            lost = self._lost.get(first, 0)
            reused[:] = self._samples[first:end]
            yield self._block(reused, lost, self._lost_flags if first in self._lost else ())

    def _release(self) -> None:
        pass


def played(channels: int = 1) -> np.ndarray:
    guitar = Guitar.from_instrument(load_instrument("six-string-648"), seed=3, channels=channels)
    parts = [guitar.render(round(0.7 * RATE_HZ))]
    for number in (6, 4, 1):
        guitar.pluck(number, OPEN)
        parts.append(guitar.render(round(1.4 * RATE_HZ)))
        guitar.damp(None)
        parts.append(guitar.render(round(0.4 * RATE_HZ)))
    return np.concatenate(parts)


def delivered(source: AudioSource, channels: Sequence[int] = (0,), **how: bool) -> Heards:
    """Channel, event and sound of all that is heard."""
    found: Heards = []

    async def run() -> None:
        ended = asyncio.Event()

        def hear(channel: int, events: Sequence[ListenerEvent], sounds: Sounds) -> None:
            found.extend((channel, *one) for one in zip(events, sounds, strict=True))

        def end(fault: Exception | None) -> None:
            assert fault is None
            ended.set()

        AudioThread(source, asyncio.get_running_loop(), hear, end, lambda channel: (), channels, **how).start()
        await asyncio.wait_for(ended.wait(), 60)

    asyncio.run(run())
    return found


def test_keeping_sound_does_not_change_readings():
    samples = played()
    kept, without = delivered(Played(samples), keep=True), delivered(Played(samples))
    assert [one[:2] for one in kept] == [one[:2] for one in without]
    assert {one[2] for one in without} == {None}
    notes = [(event, sound) for _, event, sound in kept if isinstance(event, NoteHeard)]
    assert len(notes) == 3
    for event, sound in notes:
        assert sound is not None
        first = round((event.onset_s - sound.sound.onset_s) * RATE_HZ)
        there = samples[first : first + len(sound.samples), 0]
        assert floats(sound.samples, sound.sound) == pytest.approx(there, abs=2.0**-24), "as it came in"
        assert sound.sound.only_string is None
    assert all(sound is None for _, event, sound in kept if not isinstance(event, NoteHeard))


def test_each_channel_keeps_its_own():
    samples = played(channels=6)
    found = delivered(Played(samples), range(6), keep=True, string_a_channel=True)
    notes = [(channel, sound) for channel, event, sound in found if isinstance(event, NoteHeard)]
    assert {channel for channel, _ in notes} == {0, 3, 5}
    for channel, sound in notes:
        assert sound is not None
        assert sound.sound.only_string == channel + 1
        assert not isinstance(heard_again(sound.samples, sound.sound, ()), str)


@pytest.mark.parametrize(("frames", "flags"), [(4321, ()), (0, (OVERFLOW,))])
def test_nothing_is_kept_across_a_gap(frames, flags):
    samples, gap = played(), round(2.4 * RATE_HZ) // 1000 * 1000
    found = delivered(Played(samples, {gap: frames}, flags), keep=True)
    notes = [(event, sound) for _, event, sound in found if isinstance(event, NoteHeard)]
    after = [(event, sound) for event, sound in notes if event.onset_s > gap / RATE_HZ]
    assert after
    event, sound = after[0]
    assert sound is not None
    assert event.onset_s - sound.sound.onset_s >= (gap + frames) / RATE_HZ - 1e-9
    again = heard_again(sound.samples, sound.sound, ())
    assert not isinstance(again, str)
    assert again.f1_hz == pytest.approx(event.reading.f1_hz, rel=1e-4)
