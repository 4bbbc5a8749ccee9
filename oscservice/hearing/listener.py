"""The listener: a stream of samples in, notes and live values out. One listener a channel.

What a listener says of its stream. Times are seconds from the first sample of the stream.

The listener: a stream of samples in, what was heard out. One listener a channel.

Blocks of any size are cut into hops of their own, so the same samples give the same answer to the last bit however they
arrive; a recording and a live input go through the same code. Times are seconds from the first sample of the stream.
Everything kept is bounded: a note by the longest that is read, the quiet between notes by a second.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.errors import NoNoteError
from oscservice.hearing.coarse_pitch import OnsetDetector
from oscservice.hearing.hum import SHORTEST_S, Hum, measure_hum
from oscservice.hearing.level import power_dbfs, power_from_dbfs
from oscservice.hearing.live_pitch import LivePitchTracker
from oscservice.hearing.note_buffer import STEADY, NoteBuffer
from oscservice.hearing.reading import Reading, read_decimated, with_flags
from oscservice.hearing.resampling import Decimator, Samples, decimation
from oscservice.hearing.single_string import why_not_single_string


@dataclass(frozen=True)
class Quiet:
    """What is known of the quiet between notes: its level, and the hum in it."""

    floor_dbfs: float = -80.0
    hum: Hum | None = None


@dataclass(frozen=True)
class NoteBegan:
    """A note began at ``time_s``."""

    time_s: float


@dataclass(frozen=True)
class LiveReading:
    """Momentary pitch of the sounding note, its standard error in cents, and the level."""

    time_s: float
    hz: float
    se_cents: float
    level_dbfs: float


@dataclass(frozen=True)
class NoteHeard:
    """A note has ended (or has been heard long enough): its reading. ``onset_s`` is the pluck in the stream.

    A listener that starts from what this one ``knew`` of the quiet, and is given the stream from ``from_s`` to
    ``until_s``, hears this note so again: ``knew.hum`` counts samples from there.
    """

    onset_s: float
    reading: Reading
    from_s: float = 0.0
    until_s: float = 0.0
    knew: Quiet = Quiet()


@dataclass(frozen=True)
class NoteDismissed:
    """A sound that gave no reading, and why."""

    onset_s: float
    reason: str


ListenerEvent = NoteBegan | LiveReading | NoteHeard | NoteDismissed


_HOP = OnsetDetector.hop
_SMOOTH_S = 0.0435  # a level is taken over at least this: a period of F#0, 23.1 Hz
_PRE_ROLL_S = 0.2
_QUIET_S = 1.0
_QUIETEST_DBFS = -55.0
_ABOVE_FLOOR_DB = 9.0
_RISE_DB = 8.0
_RISE_WITH_ONSET_DB = 3.0
_RELEASE_ABOVE_FLOOR_DB = 6.0
_AT_REST_ABOVE_FLOOR_DB = 3.0
_STEADY_S = 1.0
_STEADY_DB = 0.3  # a string that rings on falls by more than this in that time
_FIRST_FLOOR_S = 0.3  # the floor of a stream that has just begun, or been switched on, is found more quickly
_SILENCE_DBFS = -110.0  # no input is that quiet: nothing is plugged in yet, or it is muted
_LIVE_EVERY_S = 0.04
_LEAD_S = 1.2  # so much of what came before a pluck holds all the quiet that is learnt from
_CLIPPED_CENTS = 2.0  # the mixing products of a clipped string lie beside its partials and pull by about this much


class Listener:
    """Finds notes in one channel and reads them.

    Args:
        sample_rate_hz: 8000 to 192000.
        longest_s: a note is read at the latest this long after its pluck; what rings on is left alone.
        live: whether to give momentary values, at most 25 a second.
        known: what is known of the quiet before the first sample, where a listener goes on from the middle of a stream.

    Raises:
        ValueError: the sample rate is not usable.
    """

    def __init__(
        self, sample_rate_hz: float, *, longest_s: float = 3.0, live: bool = True, known: Quiet | None = None
    ) -> None:
        self._factor = decimation(sample_rate_hz)
        self._rate_hz = sample_rate_hz / self._factor
        self._raw_hop = _HOP * self._factor
        self._live = live
        self._decimator = Decimator(self._factor)
        self._onsets = OnsetDetector(self._rate_hz)
        self._waiting: list[npt.NDArray[np.float32]] = []
        self._waiting_count = 0
        self._smooth = self._hops_in(_SMOOTH_S)
        self._longest = self._hops_in(longest_s)
        self._live_every = self._hops_in(_LIVE_EVERY_S)
        self._kept: deque[Samples] = deque(maxlen=self._hops_in(_PRE_ROLL_S) + 3 * self._smooth)
        self._powers: deque[float] = deque([0.0] * (3 * self._smooth), maxlen=3 * self._smooth)
        self._quiet: deque[tuple[int, Samples]] = deque(maxlen=self._hops_in(_QUIET_S) + 2 * self._smooth)
        self._hum: Hum | None = None
        self._begins_at = 0  # number of the hop after the last loss
        self._learnt_from = 0  # number of the first hop of the quiet that the hum was looked for in
        self._hops = 0
        self._floor_dbfs = Quiet().floor_dbfs
        self._switched_on_hop = 0
        self._note: NoteBuffer | None = None
        self._ringing = False
        self._ringing_levels: deque[float] = deque(maxlen=self._hops_in(_STEADY_S))
        self._rearm_hop = 0
        self._onset_hop = -self._smooth
        self._expected: tuple[float, ...] = ()
        self._lost_s = 0.0
        if known is not None:
            self._go_on_from(known)

    def expect(self, pitches_hz: Iterable[float]) -> None:
        """Say which pitches are asked for; they decide near ties between octaves, nothing more."""
        self._expected = tuple(pitches_hz)

    def feed(self, samples: npt.NDArray[np.floating]) -> list[ListenerEvent]:
        """Take the next samples of the channel, shape (n,), and give what was heard in them."""
        events: list[ListenerEvent] = []
        self._waiting.append(np.array(samples, dtype=np.float32))
        self._waiting_count += len(samples)
        if self._waiting_count < self._raw_hop:
            return events
        joined = np.concatenate(self._waiting)
        whole = len(joined) // self._raw_hop * self._raw_hop
        raw = joined[:whole]
        finite = np.isfinite(raw)
        if not finite.all():
            raw = np.where(finite, raw, np.float32(0.0))
        signal = self._decimator.feed(raw)
        for number in range(whole // self._raw_hop):
            of_raw = slice(number * self._raw_hop, (number + 1) * self._raw_hop)
            of_signal = slice(number * _HOP, (number + 1) * _HOP)
            events += self._hop(raw[of_raw], signal[of_signal], bad=not finite[of_raw].all())
        self._waiting = [joined[whole:].copy()]
        self._waiting_count = len(joined) - whole
        return events

    def lost(self, frames: int) -> list[ListenerEvent]:
        """Samples are missing here, ``frames`` of them as far as is known (0 if not): the note they were in is no note.

        What comes next is heard as a new beginning, its times right by ``frames``.
        """
        events: list[ListenerEvent] = []
        if self._note is not None:
            events.append(NoteDismissed(self._time_s(self._note.begun), "samples were lost in the middle of the note"))
        self._note = None
        self._rings_on()
        self._quiet.clear()
        self._hum = None  # nobody knows its phase from here on
        self._learnt_from = self._begins_at = self._hops + (self._waiting_count > 0)
        self._rearm_hop = self._hops + 3 * self._smooth
        self._lost_s += frames / (self._rate_hz * self._factor)
        return events

    def finish(self) -> list[ListenerEvent]:
        """End of the stream: read the note that is still sounding, if any."""
        # Silence pushes out what still stands in the decimator and in a hop that was not full.
        events = self.feed(np.zeros(self._raw_hop + self._decimator.delay * self._factor, dtype=np.float32))
        if self._note is not None:
            events += self._close(self._note, damped=True)
        return events

    def _go_on_from(self, known: Quiet) -> None:
        self._floor_dbfs, self._hum = known.floor_dbfs, known.hum
        self._powers.extend([power_from_dbfs(known.floor_dbfs)] * len(self._powers))
        self._switched_on_hop = -self._hops_in(_FIRST_FLOOR_S)
        self._ringing = True  # what stands above the floor now may be an earlier note

    def _hop(self, raw: npt.NDArray[np.float32], signal: Samples, bad: bool) -> list[ListenerEvent]:
        self._hops += 1
        self._kept.append(signal)
        self._powers.append(float(signal @ signal) / _HOP)
        if self._onsets.feed(signal):
            self._onset_hop = self._hops
        powers = list(self._powers)
        level = power_dbfs(sum(powers[-self._smooth :]) / self._smooth)
        before = sum(powers[: 2 * self._smooth]) / (2 * self._smooth)
        events: list[ListenerEvent] = []
        if self._note is not None:
            events += self._continue(self._note, signal, raw, level, bad)
        if self._is_pluck(level, power_dbfs(before)):
            if self._note is not None:
                events += self._close(self._note, damped=False)
            events.append(NoteBegan(max(0.0, self._time_s(self._hops - self._smooth))))
            self._begin(raw, bad, before)
        elif self._note is None:
            self._rest(signal, level)
        return events

    def _is_pluck(self, level: float, before: float) -> bool:
        if self._hops < self._rearm_hop or level < max(self._floor_dbfs + _ABOVE_FLOOR_DB, _QUIETEST_DBFS):
            return False
        rise = level - max(before, self._floor_dbfs)
        onset = self._hops - self._onset_hop < self._smooth and (self._note is not None or self._ringing)
        return rise > _RISE_DB or (onset and rise > _RISE_WITH_ONSET_DB)

    def _begin(self, raw: npt.NDArray[np.float32], bad: bool, quiet_power: float) -> None:
        self._hum = self._hum_now()
        self._quiet.clear()
        kept = list(self._kept)
        first_hop = self._hops - len(kept)
        self._note = NoteBuffer(
            first_hop=first_hop,
            begun=max(first_hop, self._hops - self._smooth),
            hop=_HOP,
            rate_hz=self._rate_hz,
            smooth=self._smooth,
            room=(len(kept) + self._longest + 1) * _HOP,
            quiet_power=quiet_power,
            hum=self._hum,
            follower=LivePitchTracker(self._rate_hz, self._expected) if self._live else None,
            headless=self._hops <= 3 * self._smooth,
            not_finite=bad,
            learnt_from=self._learnt_from,
            floor_dbfs=self._floor_dbfs,
        )
        for signal in kept:
            self._note.take(signal)
        self._note.clip.feed(raw)
        self._ringing = False
        self._rearm_hop = self._hops + 3 * self._smooth

    def _continue(
        self, note: NoteBuffer, signal: Samples, raw: npt.NDArray[np.float32], level: float, bad: bool
    ) -> list[ListenerEvent]:
        note.take(signal)
        if not note.goes_on(raw, bad, level, self._floor_dbfs + _RELEASE_ABOVE_FLOOR_DB):
            return self._close(note, damped=True)
        if self._hops - note.begun >= self._longest or (note.headless and note.steady()):
            return self._close(note, damped=False)
        if note.follower is None or self._hops < note.live_from:
            return []
        now = note.follower.follow(note.since_begun(), note.quiet_power)
        if now is not None or not note.follower.hurried:
            note.live_from = self._hops + self._live_every
        if now is None or note.may_be_hum(now.hz):
            return []
        time_s = self._time_s(note.begun) + now.at_sample / self._rate_hz
        se_cents = math.hypot(now.se_cents, _CLIPPED_CENTS if note.clip.clipped else 0.0)
        return [LiveReading(time_s, now.hz, se_cents, level)]

    def _close(self, note: NoteBuffer, *, damped: bool) -> list[ListenerEvent]:
        self._note = None
        if not damped:
            self._rings_on()
        whole = note.whole(damped)
        refusal = STEADY if note.headless and note.steady() else note.refusal(whole)
        if not refusal:
            try:
                reading = read_decimated(whole, self._rate_hz, self._expected, note.pluck_within_s(), note.hum)
                steady = STEADY if note.may_be_hum(reading.f1_hz) else ""
                refusal = steady or why_not_single_string(whole, self._rate_hz, reading)
            except NoNoteError as reason:
                refusal = str(reason)
        if refusal == STEADY:
            self._take_for_quiet(note)
        if refusal:
            return [NoteDismissed(self._time_s(note.begun), refusal)]
        flags = (*(["not finite"] if note.not_finite else []), *(["clipped"] if note.clip.clipped else []))
        onset_s = max(0.0, self._time_s(note.first_hop) + reading.onset_s)
        first = max(self._begins_at, note.begun - self._hops_in(_LEAD_S))
        # What was learnt within the stretch will be learnt again.
        before = None if note.hum is None or note.learnt_from >= first else note.hum.after(first * _HOP)
        knew = Quiet(note.floor_dbfs, before)
        return [NoteHeard(onset_s, with_flags(reading, flags), self._at_s(first), self._at_s(self._hops), knew)]

    def _rings_on(self) -> None:
        self._ringing = True
        self._ringing_levels.clear()

    def _take_for_quiet(self, note: NoteBuffer) -> None:
        """What was taken for a note is how quiet it gets here: noise or hum that stood there when the stream began."""
        self._ringing = False
        self._floor_dbfs = note.mean_dbfs
        if note.hum is None:
            hops = note.hops_since_begun()[:-1]  # the last one is the hop of now
            self._quiet.extend((note.begun + n + 1, hop.copy()) for n, hop in enumerate(hops))

    def _hum_now(self) -> Hum | None:
        """The hum as the quiet before now shows it, or what was known of it before when there was too little quiet."""
        # The last of it may hold the beginning of the pluck.
        quiet = [signal for number, signal in self._quiet if number < self._hops - self._smooth]
        if len(quiet) * _HOP < SHORTEST_S * self._rate_hz:
            return self._hum
        self._learnt_from = self._quiet[0][0] - 1
        return measure_hum(np.concatenate(quiet), self._rate_hz, (self._quiet[0][0] - 1) * _HOP)

    def _rest(self, signal: Samples, level: float) -> None:
        """Between notes the floor follows the level: at once downward, slowly upward; never while a note rings on."""
        if self._ringing and level > self._floor_dbfs + _RELEASE_ABOVE_FLOOR_DB:
            self._ringing_levels.append(level)
            levels = self._ringing_levels
            steady = len(levels) == levels.maxlen and max(levels) - min(levels) < 2.0
            if not steady or abs(levels[0] - level) > _STEADY_DB:
                return
            self._floor_dbfs = level  # no string rings like that: it's the room that has become louder
        self._ringing = False
        if level <= _SILENCE_DBFS:
            self._switched_on_hop = self._hops
        new = self._hops - self._switched_on_hop < self._hops_in(_FIRST_FLOOR_S)
        share = 0.3 if new or level < self._floor_dbfs else 0.02
        self._floor_dbfs += share * (max(level, _SILENCE_DBFS) - self._floor_dbfs)
        if level < self._floor_dbfs + _AT_REST_ABOVE_FLOOR_DB:
            # What broke the quiet may have been the first of a pluck: it ends when there is quiet again without one.
            if self._quiet and self._quiet[-1][0] < self._hops - 1:
                self._quiet.clear()
            self._quiet.append((self._hops, signal))

    def _hops_in(self, seconds: float) -> int:
        return math.ceil(seconds * self._rate_hz / _HOP)

    def _at_s(self, hop: int) -> float:
        """Where in the stream the sample is that comes after so many hops; `_time_s`: what is heard then."""
        return hop * _HOP / self._rate_hz + self._lost_s

    def _time_s(self, hop: int) -> float:
        return (hop * _HOP - self._decimator.delay) / self._rate_hz + self._lost_s
