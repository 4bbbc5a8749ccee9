"""The listener: a stream of samples in, what was heard out. One listener a channel.

Blocks of any size are cut into hops of their own, so the same samples give the same answer to the last bit however they
arrive; a recording and a live input go through the same code. Times are seconds from the first sample of the stream.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.errors import NoNoteError
from oscservice.hearing.baseband import demodulate, frequency
from oscservice.hearing.fit import CENTS
from oscservice.hearing.reading import Reading, fundamental_of, is_clipped, power_dbfs, read_decimated, with_flags
from oscservice.hearing.resample import Decimator, Samples, decimation
from oscservice.hearing.rough import OnsetFinder

_HOP = OnsetFinder.hop
_SMOOTH = 5  # hops in a level: 40 ms at 16 kHz holds a period of every string down to B0
_PRE_ROLL_S = 0.2
_QUIETEST_DBFS = -55.0
_ABOVE_FLOOR_DB = 10.0
_RISE_DB = 9.0
_RISE_WITH_ONSET_DB = 3.0
_RELEASE_ABOVE_FLOOR_DB = 6.0
_SHORTEST_NOTE_S = 0.15
_DAMPING_DB_PER_HOP = 0.6  # 75 dB a second: no string dies that fast by itself
_HAND_DB = 15.0  # a fall this deep within _HAND_HOPS is a hand laid on the string: the note is over
_HAND_HOPS = 15
_LIVE_EVERY_S = 0.04
_LIVE_ROUGH_AFTER_S = (0.1, 0.3)


@dataclass(frozen=True)
class Began:
    """A note began at ``time_s``."""

    time_s: float


@dataclass(frozen=True)
class Live:
    """Momentary pitch of the sounding note, its standard error in cents, and the level."""

    time_s: float
    hz: float
    se_cents: float
    level_dbfs: float


@dataclass(frozen=True)
class Heard:
    """A note has ended (or has been heard long enough): its reading. ``onset_s`` is the pluck in the stream."""

    onset_s: float
    reading: Reading


@dataclass(frozen=True)
class Dismissed:
    """A sound that gave no reading, and why."""

    onset_s: float
    reason: str


Event = Began | Live | Heard | Dismissed


class Listener:
    """Finds notes in one channel and reads them.

    Args:
        sample_rate_hz: 8000 to 192000.
        longest_s: a note is read at the latest this long after its pluck; what rings on is left alone.
        live: whether to give momentary values, at most 25 a second.

    Raises:
        ValueError: the sample rate is not usable.
    """

    def __init__(self, sample_rate_hz: float, *, longest_s: float = 3.0, live: bool = True) -> None:
        self._factor = decimation(sample_rate_hz)
        self._rate_hz = sample_rate_hz / self._factor
        self._raw_hop = _HOP * self._factor
        self._longest_s = longest_s
        self._live = live
        self._decimator = Decimator(self._factor)
        self._onsets = OnsetFinder(self._rate_hz)
        self._waiting: list[npt.NDArray[np.float32]] = []
        self._waiting_count = 0
        self._pre_hops = math.ceil(_PRE_ROLL_S * self._rate_hz / _HOP)
        self._kept: deque[Samples] = deque(maxlen=self._pre_hops + 3 * _SMOOTH)
        self._powers: deque[float] = deque([0.0] * (3 * _SMOOTH), maxlen=3 * _SMOOTH)
        self._hops = 0
        self._floor_dbfs = -80.0
        self._note: _Note | None = None
        self._ringing = False
        self._rearm_hop = 0
        self._expected: tuple[float, ...] = ()
        self._lost_s = 0.0

    def expect(self, pitches_hz: Iterable[float]) -> None:
        """Say which pitches are asked for; they decide near ties between octaves, nothing more."""
        self._expected = tuple(pitches_hz)

    def feed(self, samples: npt.NDArray[np.floating]) -> list[Event]:
        """Take the next samples of the channel, shape (n,), and give what was heard in them."""
        events: list[Event] = []
        self._waiting.append(np.asarray(samples, dtype=np.float32))
        self._waiting_count += len(samples)
        if self._waiting_count < self._raw_hop:
            return events
        joined = np.concatenate(self._waiting)
        whole = len(joined) // self._raw_hop * self._raw_hop
        for start in range(0, whole, self._raw_hop):
            events += self._hop(joined[start : start + self._raw_hop])
        self._waiting = [joined[whole:]]
        self._waiting_count = len(joined) - whole
        return events

    def lost(self, frames: int) -> list[Event]:
        """Samples are missing here, ``frames`` of them as far as is known (0 if not): the note they were in is no note.

        What comes next is heard as a new beginning, its times right by ``frames``.
        """
        events: list[Event] = []
        if self._note is not None:
            events.append(Dismissed(self._time_s(self._note.begun), "samples were lost in the middle of the note"))
        self._note = None
        self._ringing = True
        self._rearm_hop = self._hops + 3 * _SMOOTH
        self._lost_s += frames / (self._rate_hz * self._factor)
        return events

    def finish(self) -> list[Event]:
        """End of the stream: read the note that is still sounding, if any."""
        # Silence pushes out what still stands in the decimator and in a hop that was not full.
        events = self.feed(np.zeros(self._raw_hop + self._decimator.delay * self._factor, dtype=np.float32))
        if self._note is not None:
            events += self._close(damped=True)
        return events

    def _hop(self, raw: npt.NDArray[np.float32]) -> list[Event]:
        finite = np.isfinite(raw)
        bad = not bool(finite.all())
        if bad:
            raw = np.where(finite, raw, np.float32(0.0))
        signal = self._decimator.feed(raw)
        self._hops += 1
        self._kept.append(signal)
        self._powers.append(float(np.mean(signal**2)))
        onset = self._onsets.feed(signal)
        powers = list(self._powers)
        level = power_dbfs(sum(powers[-_SMOOTH:]) / _SMOOTH)
        before = power_dbfs(sum(powers[: 2 * _SMOOTH]) / (2 * _SMOOTH))
        events: list[Event] = []
        if self._note is not None:
            events += self._continue(self._note, signal, raw, level, bad)
        if self._is_pluck(level, before, onset):
            if self._note is not None:
                events += self._close(damped=False)
            self._begin(raw, bad)
            events.append(Began(max(0.0, self._time_s(self._hops - _SMOOTH))))
        elif self._note is None:
            self._rest(level)
        return events

    def _is_pluck(self, level: float, before: float, onset: bool) -> bool:
        if self._hops < self._rearm_hop or level < max(self._floor_dbfs + _ABOVE_FLOOR_DB, _QUIETEST_DBFS):
            return False
        rise = level - max(before, self._floor_dbfs)
        sounding = self._note is not None or self._ringing
        return rise > _RISE_DB or (sounding and onset and rise > _RISE_WITH_ONSET_DB)

    def _begin(self, raw: npt.NDArray[np.float32], bad: bool) -> None:
        kept = list(self._kept)
        first_hop = self._hops - len(kept)
        begun = max(first_hop, self._hops - _SMOOTH)
        self._note = _Note(first_hop, begun, kept, [raw], bad, level_peak=-200.0)
        self._ringing = False
        self._rearm_hop = self._hops + 3 * _SMOOTH

    def _continue(
        self, note: _Note, signal: Samples, raw: npt.NDArray[np.float32], level: float, bad: bool
    ) -> list[Event]:
        note.hops.append(signal)
        note.raw.append(raw)
        note.levels.append(level)
        note.not_finite |= bad
        note.level_peak = max(note.level_peak, level)
        age = (self._hops - note.begun) * _HOP / self._rate_hz
        fallen = note.levels[-_HAND_HOPS] - level if len(note.levels) > _HAND_HOPS else 0.0
        if fallen > _HAND_DB and note.levels[-2] - level < _DAMPING_DB_PER_HOP:
            return self._close(damped=True)
        if level < self._floor_dbfs + _RELEASE_ABOVE_FLOOR_DB or level < note.level_peak - 55.0 or level < -75.0:
            note.quiet += 1
            if note.quiet >= 3:
                return self._close(damped=True)
        else:
            note.quiet = 0
        if age >= self._longest_s:
            events = self._close(damped=False)
            self._ringing = True
            return events
        return self._momentary(note, age, level) if self._live else []

    def _momentary(self, note: _Note, age: float, level: float) -> list[Event]:
        due = next((t for t in reversed(_LIVE_ROUGH_AFTER_S) if age >= t), None)
        if due is not None and due > note.rough_at:
            note.rough_at = due
            start = (note.begun - note.first_hop + 1) * _HOP
            try:
                note.rough_hz = fundamental_of(np.concatenate(note.hops)[start:], self._rate_hz, self._expected)
            except NoNoteError:
                note.rough_hz = 0.0
        if note.rough_hz <= 0.0 or age - note.live_at < _LIVE_EVERY_S:
            return []
        length = max(6.5 / note.rough_hz, 0.06)
        hops = math.ceil(length * self._rate_hz / _HOP)
        if hops > self._hops - note.begun:
            return []
        note.live_at = age
        tail = np.concatenate(note.hops[-hops:])
        band = demodulate(tail, self._rate_hz, note.rough_hz, note.rough_hz)
        if len(band.values) < 3:
            return []
        hz, se_hz = frequency(band)
        if not 0.8 < hz / note.rough_hz < 1.25:
            return []
        time_s = self._time_s(self._hops) - len(tail) / self._rate_hz / 2.0
        return [Live(time_s, hz, CENTS * se_hz / hz, level)]

    def _close(self, *, damped: bool) -> list[Event]:
        note = self._note
        assert note is not None
        self._note = None
        self._ringing = not damped
        onset_s = self._time_s(note.begun)
        # What a hand or the next pluck did to the end of the note is no part of it.
        end = len(note.hops) - (_SMOOTH + 1 if self._hops - note.begun > 3 * _SMOOTH else 0)
        last = len(note.levels) - 1
        damping = _DAMPING_DB_PER_HOP * _SMOOTH
        while damped and last > _SMOOTH and note.levels[last - _SMOOTH] - note.levels[last] > damping:
            last -= 1
            end = min(end, len(note.hops) - (len(note.levels) - last) - _SMOOTH)
        lead = note.begun - note.first_hop
        if (end - lead) * _HOP / self._rate_hz < _SHORTEST_NOTE_S:
            return [Dismissed(onset_s, "too short for a note")]
        flags = ("not finite",) if note.not_finite else ()
        if is_clipped(np.concatenate(note.raw)):
            flags = (*flags, "clipped")
        signal = np.concatenate(note.hops[:end])
        pluck_within = ((lead - _SMOOTH) * _HOP / self._rate_hz, (lead + 2 * _SMOOTH) * _HOP / self._rate_hz)
        try:
            reading = read_decimated(signal, self._rate_hz, self._expected, onset_within_s=pluck_within)
        except NoNoteError as reason:
            return [Dismissed(onset_s, str(reason))]
        onset_s = max(0.0, self._time_s(note.first_hop) + reading.onset_s)
        return [Heard(onset_s, with_flags(reading, flags))]

    def _rest(self, level: float) -> None:
        """Between notes the floor follows the level: at once downward, slowly upward; never while a note rings on."""
        if self._ringing and level > self._floor_dbfs + _RELEASE_ABOVE_FLOOR_DB:
            return
        self._ringing = False
        share = 0.3 if level < self._floor_dbfs else 0.02
        self._floor_dbfs += share * (max(level, -110.0) - self._floor_dbfs)

    def _time_s(self, hop: int) -> float:
        return (hop * _HOP - self._decimator.delay) / self._rate_hz + self._lost_s


@dataclass
class _Note:
    """A note while it sounds. Hops are counted from the start of the stream."""

    first_hop: int
    begun: int
    hops: list[Samples]
    raw: list[npt.NDArray[np.float32]]
    not_finite: bool
    level_peak: float
    quiet: int = 0
    rough_hz: float = 0.0
    rough_at: float = -1.0
    live_at: float = -1.0

    def __post_init__(self) -> None:
        self.levels: list[float] = []
