"""The listener: the samples of one channel in, notes and live readings out.

Times are in seconds from the first sample of the stream. Hops and levels are those of ``hearing.note_buffer``.
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
    """Knowledge of the quiet between notes.

    Attributes
    ----------
    floor_dbfs : float
        Its level.
    hum : Hum | None
        The hum in it; None for none.
    """

    floor_dbfs: float = -80.0
    hum: Hum | None = None


@dataclass(frozen=True)
class NoteBegan:
    """A note began at ``time_s``."""

    time_s: float


@dataclass(frozen=True)
class LiveReading:
    """Pitch of the note while it sounds.

    Attributes
    ----------
    time_s : float
        Time that the pitch is for.
    hz : float
        Frequency of the first partial.
    se_cents : float
        Standard error (1 sd).
    level_dbfs : float
        Level.
    """

    time_s: float
    hz: float
    se_cents: float
    level_dbfs: float


@dataclass(frozen=True)
class NoteHeard:
    """A note has ended, or its longest time is over: its reading.

    A listener that starts with ``knew`` and gets the stream from ``from_s`` to ``until_s`` gives the same reading.

    Attributes
    ----------
    onset_s : float
        Time of the pluck.
    reading : Reading
        The reading; its times are from the first sample kept of the note.
    from_s, until_s : float
        The stretch of the stream that the reading depends on.
    knew : Quiet
        The quiet as known before ``from_s``; its hum counts samples from there.
    """

    onset_s: float
    reading: Reading
    from_s: float = 0.0
    until_s: float = 0.0
    knew: Quiet = Quiet()


@dataclass(frozen=True)
class NoteDismissed:
    """A sound that is no note, and why.

    Attributes
    ----------
    onset_s : float
        Time when it began.
    reason : str
        One line.
    """

    onset_s: float
    reason: str


ListenerEvent = NoteBegan | LiveReading | NoteHeard | NoteDismissed


_HOP = OnsetDetector.hop
_SMOOTH_S = 0.0435  # a level is the mean over at least this: a period of F#0, 23.1 Hz
_PRE_ROLL_S = 0.2
_QUIET_S = 1.0
_QUIETEST_DBFS = -55.0
_ABOVE_FLOOR_DB = 9.0
_RISE_DB = 8.0
_RISE_WITH_ONSET_DB = 3.0
_RELEASE_ABOVE_FLOOR_DB = 6.0
_AT_REST_ABOVE_FLOOR_DB = 3.0
_STEADY_S = 1.0
_STEADY_DB = 0.3  # a string that rings falls by more than this in that time
_FIRST_FLOOR_S = 0.3  # the floor of a stream that has just begun, or been switched on, is found more quickly
_SILENCE_DBFS = -110.0  # no input is that quiet: nothing is plugged in yet, or it is muted
_LIVE_EVERY_S = 0.04
_LEAD_S = 1.2  # what came before a pluck in this time holds all the quiet that the hum is learnt from
_CLIPPED_CENTS = 2.0  # the mixing products of a clipped string are beside its partials and pull them by about this much


class _HopCutter:
    """Cuts blocks of any size into whole hops.

    Parameters
    ----------
    frames : int
        Samples in a hop.
    """

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._waiting: list[npt.NDArray[np.float32]] = []
        self._count = 0

    @property
    def has_rest(self) -> bool:
        """True when samples wait for the rest of their hop."""
        return self._count > 0

    def feed(self, samples: npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
        """Return the whole hops there are with the next samples, shape (n,): shape (hops * frames,)."""
        self._waiting.append(np.array(samples, dtype=np.float32))
        self._count += len(samples)
        if self._count < self._frames:
            return np.empty(0, dtype=np.float32)
        joined = np.concatenate(self._waiting)
        whole = len(joined) // self._frames * self._frames
        self._waiting = [joined[whole:].copy()]
        self._count = len(joined) - whole
        return joined[:whole]


class _Clock:
    """Position in the stream, counted in hops of the working rate.

    Parameters
    ----------
    rate_hz : float
        Working rate.
    delay : int
        Delay of the decimator in samples.

    Attributes
    ----------
    hop
        Number of hops so far.
    begins_at
        Number of the hop after the last loss of samples.
    lost_s
        Time lost so far.
    """

    def __init__(self, rate_hz: float, delay: int) -> None:
        self._rate_hz = rate_hz
        self._delay = delay
        self.hop = 0
        self.begins_at = 0
        self.lost_s = 0.0

    def hops_in(self, seconds: float) -> int:
        """Return the number of hops that hold ``seconds``."""
        return math.ceil(seconds * self._rate_hz / _HOP)

    def sample_s(self, hop: int) -> float:
        """Return the time in the stream of the input sample after ``hop`` hops."""
        return hop * _HOP / self._rate_hz + self.lost_s

    def sound_s(self, hop: int) -> float:
        """Return the time in the stream of the sound that the decimator gives after ``hop`` hops."""
        return (hop * _HOP - self._delay) / self._rate_hz + self.lost_s


class _RecentHops:
    """The last hops of the signal, and their power.

    Parameters
    ----------
    smooth : int
        Hops that a level is the mean of.
    pre_roll : int
        Hops kept beyond those that the levels need.
    """

    def __init__(self, smooth: int, pre_roll: int) -> None:
        self.smooth = smooth
        self.signals: deque[Samples] = deque(maxlen=pre_roll + 3 * smooth)
        self._powers: deque[float] = deque([0.0] * (3 * smooth), maxlen=3 * smooth)

    def resume(self, floor_dbfs: float) -> None:
        """Start as if the noise floor had sounded before."""
        self._powers.extend([power_from_dbfs(floor_dbfs)] * len(self._powers))

    def append(self, signal: Samples) -> None:
        """Take one more hop, shape (hop,)."""
        self.signals.append(signal)
        self._powers.append(float(signal @ signal) / _HOP)

    def level_and_power_before(self) -> tuple[float, float]:
        """Return the level of the last ``smooth`` hops in dBFS, and the mean square of the ones before."""
        powers = list(self._powers)
        level = power_dbfs(sum(powers[-self.smooth :]) / self.smooth)
        return level, sum(powers[: 2 * self.smooth]) / (2 * self.smooth)


class _Background:
    """The sound between notes: its level, the hum in it, and whether an earlier string still rings.

    Parameters
    ----------
    clock : _Clock
        The position in the stream.
    rate_hz : float
        Working rate.
    smooth : int
        Hops that a level is the mean of.

    Attributes
    ----------
    floor_dbfs
        Noise floor.
    hum
        The hum; None when there is none, or nothing is known.
    learnt_from
        Number of the first hop of the quiet that the hum was looked for in.
    ringing
        An earlier sound may still be there.
    """

    def __init__(self, clock: _Clock, rate_hz: float, smooth: int) -> None:
        self._clock = clock
        self._rate_hz = rate_hz
        self._smooth = smooth
        self.floor_dbfs = Quiet().floor_dbfs
        self.hum: Hum | None = None
        self.learnt_from = 0
        self.ringing = False
        self._ringing_levels: deque[float] = deque(maxlen=clock.hops_in(_STEADY_S))
        self._switched_on_hop = 0
        self._quiet: deque[tuple[int, Samples]] = deque(maxlen=clock.hops_in(_QUIET_S) + 2 * smooth)

    def resume(self, known: Quiet) -> None:
        """Start from the middle of a stream."""
        self.floor_dbfs, self.hum = known.floor_dbfs, known.hum
        self._switched_on_hop = -self._clock.hops_in(_FIRST_FLOOR_S)
        self.ringing = True  # what is above the floor now may be an earlier note

    def keep_ringing(self) -> None:
        """A note ended while its string rings."""
        self.ringing = True
        self._ringing_levels.clear()

    def forget(self) -> None:
        """Samples were lost: the phase of the hum is unknown from here on."""
        self._quiet.clear()
        self.hum = None
        self.learnt_from = self._clock.begins_at

    def begin_note(self) -> None:
        """A pluck was found: measure the hum in the quiet before it, or keep the known one if that is too short."""
        # The last hops may hold the beginning of the pluck.
        quiet = [signal for number, signal in self._quiet if number < self._clock.hop - self._smooth]
        if len(quiet) * _HOP >= SHORTEST_S * self._rate_hz:
            first = self._quiet[0][0] - 1
            self.learnt_from = first
            self.hum = measure_hum(np.concatenate(quiet), self._rate_hz, first * _HOP)
        self._quiet.clear()
        self.ringing = False

    def take_as_quiet(self, note: NoteBuffer) -> None:
        """A supposed note was noise or hum that sounded when the stream began: it is the quiet here."""
        self.ringing = False
        self.floor_dbfs = note.mean_dbfs
        if note.hum is None:
            hops = note.hops_since_begin()[:-1]  # the last one is the current hop
            self._quiet.extend((note.begun_hop + n + 1, hop.copy()) for n, hop in enumerate(hops))

    def rest(self, signal: Samples, level: float) -> None:
        """Take one hop between notes: the floor follows the level, fast downward and slowly upward.

        It doesn't follow while a string rings.
        """
        if self.ringing and level > self.floor_dbfs + _RELEASE_ABOVE_FLOOR_DB:
            self._ringing_levels.append(level)
            levels = self._ringing_levels
            steady = len(levels) == levels.maxlen and max(levels) - min(levels) < 2.0
            if not steady or abs(levels[0] - level) > _STEADY_DB:
                return
            self.floor_dbfs = level  # no string is so steady: the room has become louder
        self.ringing = False
        if level <= _SILENCE_DBFS:
            self._switched_on_hop = self._clock.hop
        new = self._clock.hop - self._switched_on_hop < self._clock.hops_in(_FIRST_FLOOR_S)
        share = 0.3 if new or level < self.floor_dbfs else 0.02
        self.floor_dbfs += share * (max(level, _SILENCE_DBFS) - self.floor_dbfs)
        if level < self.floor_dbfs + _AT_REST_ABOVE_FLOOR_DB:
            # A gap in the quiet may have been the start of a pluck: begin again after it.
            if self._quiet and self._quiet[-1][0] < self._clock.hop - 1:
                self._quiet.clear()
            self._quiet.append((self._clock.hop, signal))


class Listener:
    """Finds the notes of one channel and reads them.

    Blocks of any size are cut into hops, so the same samples give the same result to the last bit however they arrive;
    a recording and a live input go through the same code. Everything that is kept is bounded: a note by the longest
    that is read, the quiet between notes by a second.

    Parameters
    ----------
    sample_rate_hz : float
        8000 to 192000.
    longest_s : float, optional
        A note is read at the latest this long after its pluck; the rest of it is ignored.
    live : bool, optional
        True to give live readings, at most 25 a second.
    known : Quiet | None, optional
        What is known of the quiet before the first sample, for a listener that starts in the middle of a stream.

    Raises
    ------
    ValueError
        The sample rate is not usable.
    """

    def __init__(
        self, sample_rate_hz: float, *, longest_s: float = 3.0, live: bool = True, known: Quiet | None = None
    ) -> None:
        factor = decimation(sample_rate_hz)
        self._rate_hz = sample_rate_hz / factor
        self._live = live
        self._decimator = Decimator(factor)
        self._cutter = _HopCutter(_HOP * factor)
        self._clock = _Clock(self._rate_hz, self._decimator.delay)
        self._smooth = self._clock.hops_in(_SMOOTH_S)
        self._recent = _RecentHops(self._smooth, self._clock.hops_in(_PRE_ROLL_S))
        self._background = _Background(self._clock, self._rate_hz, self._smooth)
        self._onsets = OnsetDetector(self._rate_hz)
        self._onset_hop = -self._smooth
        self._rearm_hop = 0  # no pluck is found before this hop
        self._longest = self._clock.hops_in(longest_s)
        self._note: NoteBuffer | None = None
        self._expected: tuple[float, ...] = ()
        if known is not None:
            self._background.resume(known)
            self._recent.resume(known.floor_dbfs)

    def expect(self, pitches_hz: Iterable[float]) -> None:
        """Set the pitches that the technician was asked for; they only decide near ties between octaves."""
        self._expected = tuple(pitches_hz)

    def feed(self, samples: npt.NDArray[np.floating]) -> list[ListenerEvent]:
        """Return the events in the next samples of the channel.

        Parameters
        ----------
        samples : ndarray of float, shape (n,)
            Full scale 1; any number of them. Samples that are not finite count as silence.

        Returns
        -------
        list[ListenerEvent]
            The events in order of time.
        """
        events: list[ListenerEvent] = []
        raw = self._cutter.feed(samples)
        if not len(raw):
            return events
        finite = np.isfinite(raw)
        if not finite.all():
            raw = np.where(finite, raw, np.float32(0.0))
        signal = self._decimator.feed(raw)
        raw_hop = _HOP * self._decimator.factor
        for number in range(len(raw) // raw_hop):
            of_raw = slice(number * raw_hop, (number + 1) * raw_hop)
            of_signal = slice(number * _HOP, (number + 1) * _HOP)
            events += self._hop(raw[of_raw], signal[of_signal], bad=not finite[of_raw].all())
        return events

    def lost(self, frames: int) -> list[ListenerEvent]:
        """Samples are missing here: dismiss the note that sounds, and start again.

        Parameters
        ----------
        frames : int
            Number of lost samples as far as known (0 if not); later times count them.
        """
        events: list[ListenerEvent] = []
        if self._note is not None:
            time_s = self._clock.sound_s(self._note.begun_hop)
            events.append(NoteDismissed(time_s, "samples were lost in the middle of the note"))
        self._note = None
        self._background.keep_ringing()
        self._clock.begins_at = self._clock.hop + self._cutter.has_rest
        self._background.forget()
        self._rearm_hop = self._clock.hop + 3 * self._smooth
        self._clock.lost_s += frames / (self._rate_hz * self._decimator.factor)
        return events

    def finish(self) -> list[ListenerEvent]:
        """End the stream: read the note that still sounds, if any."""
        # Silence pushes the last samples out of the decimator and out of a hop that was not full.
        rest = self._decimator.factor * (_HOP + self._decimator.delay)
        events = self.feed(np.zeros(rest, dtype=np.float32))
        if self._note is not None:
            events += self._close(self._note, damped=True)
        return events

    def _hop(self, raw: npt.NDArray[np.float32], signal: Samples, bad: bool) -> list[ListenerEvent]:
        """Take one hop: its raw samples, the decimated signal, and True if samples were not finite."""
        self._clock.hop += 1
        self._recent.append(signal)
        if self._onsets.feed(signal):
            self._onset_hop = self._clock.hop
        level, power_before = self._recent.level_and_power_before()
        events: list[ListenerEvent] = []
        if self._note is not None:
            events += self._continue(self._note, signal, raw, level, bad)
        if self._is_pluck(level, power_dbfs(power_before)):
            if self._note is not None:
                events += self._close(self._note, damped=False)
            events.append(NoteBegan(max(0.0, self._clock.sound_s(self._clock.hop - self._smooth))))
            self._begin(raw, bad, power_before)
        elif self._note is None:
            self._background.rest(signal, level)
        return events

    def _is_pluck(self, level: float, before: float) -> bool:
        """Return True when the level has risen from ``before`` as at a pluck, both in dBFS."""
        floor_dbfs = self._background.floor_dbfs
        if self._clock.hop < self._rearm_hop or level < max(floor_dbfs + _ABOVE_FLOOR_DB, _QUIETEST_DBFS):
            return False
        rise = level - max(before, floor_dbfs)
        sounding = self._note is not None or self._background.ringing
        onset = self._clock.hop - self._onset_hop < self._smooth and sounding
        return rise > _RISE_DB or (onset and rise > _RISE_WITH_ONSET_DB)

    def _begin(self, raw: npt.NDArray[np.float32], bad: bool, quiet_power: float) -> None:
        """Begin a note with the hops that were kept."""
        self._background.begin_note()
        kept = list(self._recent.signals)
        first_hop = self._clock.hop - len(kept)
        self._note = NoteBuffer(
            first_hop=first_hop,
            begun_hop=max(first_hop, self._clock.hop - self._smooth),
            hop=_HOP,
            rate_hz=self._rate_hz,
            smooth=self._smooth,
            capacity=(len(kept) + self._longest + 1) * _HOP,
            quiet_power=quiet_power,
            hum=self._background.hum,
            tracker=LivePitchTracker(self._rate_hz, self._expected) if self._live else None,
            began_before=self._clock.hop <= 3 * self._smooth,
            not_finite=bad,
            hum_from_hop=self._background.learnt_from,
            floor_dbfs=self._background.floor_dbfs,
        )
        for signal in kept:
            self._note.append(signal)
        self._note.clipping.feed(raw)
        self._rearm_hop = self._clock.hop + 3 * self._smooth

    def _continue(
        self, note: NoteBuffer, signal: Samples, raw: npt.NDArray[np.float32], level: float, bad: bool
    ) -> list[ListenerEvent]:
        """Add a hop to the note that sounds: a live reading, or the note's end."""
        note.append(signal)
        if not note.goes_on(raw, bad, level, self._background.floor_dbfs + _RELEASE_ABOVE_FLOOR_DB):
            return self._close(note, damped=True)
        if self._clock.hop - note.begun_hop >= self._longest or (note.began_before and note.steady()):
            return self._close(note, damped=False)
        if note.tracker is None or self._clock.hop < note.next_live_hop:
            return []
        now = note.tracker.update(note.since_begin(), note.quiet_power)
        if now is not None or not note.tracker.first_value_pending:
            note.next_live_hop = self._clock.hop + self._clock.hops_in(_LIVE_EVERY_S)
        if now is None or note.may_be_hum(now.hz):
            return []
        time_s = self._clock.sound_s(note.begun_hop) + now.at_sample / self._rate_hz
        se_cents = math.hypot(now.se_cents, _CLIPPED_CENTS if note.clipping.clipped else 0.0)
        return [LiveReading(time_s, now.hz, se_cents, level)]

    def _close(self, note: NoteBuffer, *, damped: bool) -> list[ListenerEvent]:
        """End a note and read it; ``damped`` is False when its string still rings."""
        self._note = None
        if not damped:
            self._background.keep_ringing()
        signal = note.trimmed(damped)
        refusal = STEADY if note.began_before and note.steady() else note.refusal(signal)
        if not refusal:
            try:
                reading = read_decimated(signal, self._rate_hz, self._expected, note.pluck_within_s(), note.hum)
                steady = STEADY if note.may_be_hum(reading.f1_hz) else ""
                refusal = steady or why_not_single_string(signal, self._rate_hz, reading)
            except NoNoteError as reason:
                refusal = str(reason)
        if refusal == STEADY:
            self._background.take_as_quiet(note)
        if refusal:
            return [NoteDismissed(self._clock.sound_s(note.begun_hop), refusal)]
        flags = (*(["not finite"] if note.not_finite else []), *(["clipped"] if note.clipping.clipped else []))
        onset_s = max(0.0, self._clock.sound_s(note.first_hop) + reading.onset_s)
        first = max(self._clock.begins_at, note.begun_hop - self._clock.hops_in(_LEAD_S))
        # A hum that was measured within the stretch will be measured again.
        before = None if note.hum is None or note.hum_from_hop >= first else note.hum.after(first * _HOP)
        stretch_s = self._clock.sample_s(first), self._clock.sample_s(self._clock.hop)
        return [NoteHeard(onset_s, with_flags(reading, flags), *stretch_s, Quiet(note.floor_dbfs, before))]
