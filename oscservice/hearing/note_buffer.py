"""The buffer of a note while it sounds: its samples, when it is over, and which part of it is read.

A hop is a short piece of the signal at the working rate (``hearing.resampling``); hops are counted from the start of
the stream. Levels are in dBFS (a sine of full scale is 0), times in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from oscservice.hearing.hum import MAINS_HZ, OFF_MAINS, Hum
from oscservice.hearing.level import ClipDetector
from oscservice.hearing.live_pitch import LivePitchTracker
from oscservice.hearing.resampling import Samples

SHORTEST_S = 0.15
"""Shortest note that is read."""

STEADY = "a steady sound, not a plucked string"
"""Why a sound that doesn't decay is refused."""

_FALLEN_DB = 55.0  # a note is over when its level is so far below its peak
_FAINTEST_DBFS = -75.0  # or below this
_QUIET_HOPS = 3  # for so many hops
_DAMPING_DB_PER_S = 75.0  # no string decays that fast by itself
_HAND_DB = 15.0  # a fall of this within _HAND_S is a hand on the string: the note is over
_HAND_S = 0.12
_STEADY_DB_PER_S = 0.3  # every plucked string falls by more than this
_STEADY_S = 1.0
_STEADY_AT_START_S = 0.4  # the same for a sound that was there when the stream began
_HUM_MULTIPLES = 6.5
_HUM_HOPS = 16  # the hum is predicted for so many hops at once: one at a time takes three times as long


@dataclass
class NoteBuffer:
    """One note from shortly before its pluck to now, at the working rate, with the hum subtracted.

    Attributes
    ----------
    first_hop : int
        Number in the stream of the first hop kept.
    begun_hop : int
        Number of the earliest hop that may hold the pluck.
    hop : int
        Samples in a hop.
    rate_hz : float
        Working rate.
    smooth : int
        Hops that a level is the mean of.
    capacity : int
        Largest number of samples.
    quiet_power : float
        Mean square before the pluck.
    hum : Hum | None
        The hum to subtract.
    tracker : LivePitchTracker | None
        Gives the live pitch; None when it is not wanted.
    began_before : bool
        The sound was there when the stream began.
    next_live_hop : int
        Number of the hop of the next live reading.
    not_finite : bool
        Some samples were not finite.
    hum_from_hop : int
        Number of the first hop of the quiet that the hum was looked for in.
    floor_dbfs : float
        Noise floor before the pluck.
    clipping : ClipDetector
        Detects clipping.
    """

    first_hop: int
    begun_hop: int
    hop: int
    rate_hz: float
    smooth: int
    capacity: int
    quiet_power: float
    hum: Hum | None
    tracker: LivePitchTracker | None
    began_before: bool = False
    next_live_hop: int = 0
    not_finite: bool = False
    hum_from_hop: int = 0
    floor_dbfs: float = -80.0
    clipping: ClipDetector = field(default_factory=ClipDetector)

    def __post_init__(self) -> None:
        self._signal: Samples = np.empty(self.capacity)
        self._count = 0
        self._hum_ahead: Samples = np.empty(0)
        self._levels: list[float] = []
        self._peak_dbfs = -200.0
        self._quiet = 0

    def append(self, signal: Samples) -> None:
        """Add one hop, less the hum expected in it.

        Parameters
        ----------
        signal : ndarray of float64, shape (hop,)
            The hop at the working rate, full scale 1.
        """
        if self.hum is not None:
            signal = signal - self._next_hop_of(self.hum)
        self._signal[self._count : self._count + self.hop] = signal
        self._count += self.hop

    def goes_on(self, raw: npt.NDArray[np.float32], bad: bool, level_dbfs: float, release_dbfs: float) -> bool:
        """Return False when the note is over: at ``release_dbfs``, far below its peak, or stopped by a hand.

        Parameters
        ----------
        raw : ndarray of float32, shape (n,)
            Samples of the hop before resampling, full scale 1.
        bad : bool
            True if some of them were not finite.
        level_dbfs : float
            Level of the signal.
        release_dbfs : float
            Level at which a note is over.

        Returns
        -------
        bool
            True while the note goes on.
        """
        self.clipping.feed(raw)
        self.not_finite |= bad
        levels = self._levels
        levels.append(level_dbfs)
        self._peak_dbfs = max(self._peak_dbfs, level_dbfs)
        hand = round(_HAND_S * self.rate_hz / self.hop)
        fallen = levels[-hand] - level_dbfs if len(levels) > hand else 0.0
        if fallen > _HAND_DB and levels[-2] - level_dbfs < self._damping_db(1):
            return False
        gone = level_dbfs < max(release_dbfs, self._peak_dbfs - _FALLEN_DB, _FAINTEST_DBFS)
        self._quiet = self._quiet + 1 if gone else 0
        return self._quiet < _QUIET_HOPS

    def since_begin(self) -> Samples:
        """Return the signal from the earliest time of the pluck to now.

        Returns
        -------
        ndarray of float64
            A view of the buffer, shape (n,), full scale 1.
        """
        return self._signal[self._lead : self._count]

    def hops_since_begin(self) -> Samples:
        """Return the same signal as ``since_begin``, in hops.

        Returns
        -------
        ndarray of float64
            A view of the buffer, shape (hops, hop), full scale 1.
        """
        return self.since_begin().reshape(-1, self.hop)

    @property
    def mean_dbfs(self) -> float:
        """Mean of the levels in dB."""
        return sum(self._levels) / max(1, len(self._levels))

    def trimmed(self, damped: bool) -> Samples:
        """Return the note with what was kept from before it, without its last part.

        The last part holds the next pluck, or with ``damped`` the hand that stopped the note.

        Returns
        -------
        ndarray of float64
            A view of the buffer from the first sample kept on, shape (n,), full scale 1.
        """
        hops = self._count // self.hop
        end = hops - (self.smooth + 1 if hops - self._lead // self.hop > 3 * self.smooth else 0)
        levels, last, smooth = self._levels, len(self._levels) - 1, self.smooth
        while damped and last > smooth and levels[last - smooth] - levels[last] > self._damping_db(smooth):
            last -= 1
            end = min(end, hops - (len(levels) - last) - smooth)
        return self._signal[: max(0, end) * self.hop]

    def pluck_within_s(self) -> tuple[float, float]:
        """Return the earliest and latest time of the pluck, in seconds from the first sample kept."""
        smooth = self.smooth * self.hop
        return ((self._lead - smooth) / self.rate_hz, (self._lead + 2 * smooth) / self.rate_hz)

    def may_be_hum(self, hz: float) -> bool:
        """Return True when this pitch may be hum that was there when the stream began.

        A little later such a sound is known to be steady.
        """
        multiples = [hz / mains for mains in MAINS_HZ]
        length_s = len(self._levels) * self.hop / self.rate_hz
        room = OFF_MAINS + 0.15 / max(1.0, length_s * hz)  # the pitch of a short sound is less certain
        at_mains = any(0.5 < m < _HUM_MULTIPLES and abs(m / round(m) - 1.0) < room for m in multiples)
        return self.began_before and at_mains and length_s < 2.0 * _STEADY_AT_START_S

    def refusal(self, trimmed: Samples) -> str:
        """Return the reason why a sound is no note.

        Parameters
        ----------
        trimmed : ndarray of float64, shape (n,)
            The sound, as ``trimmed`` returns it.

        Returns
        -------
        str
            One line; "" if it may be a note.
        """
        length_s = (len(trimmed) - self._lead) / self.rate_hz
        if length_s < SHORTEST_S:
            return "too short for a note"
        return STEADY if self.steady(_STEADY_S) else ""

    def steady(self, least_s: float = _STEADY_AT_START_S) -> bool:
        """Return True when the sound has lasted ``least_s`` or longer and does not decay as a string does."""
        levels = self._levels[self.smooth : -self.smooth]  # without the rise at its begin, and at the next pluck
        third = len(levels) // 3
        length_s = 3 * third * self.hop / self.rate_hz
        if not third or length_s < least_s:
            return False
        fallen = sum(levels[:third]) - sum(levels[-third:])
        return abs(fallen / third) < _STEADY_DB_PER_S * length_s * 2.0 / 3.0

    @property
    def _lead(self) -> int:
        """Number of samples kept before the earliest time of the pluck."""
        return (self.begun_hop - self.first_hop) * self.hop

    def _next_hop_of(self, hum: Hum) -> Samples:
        """Return the hum expected in the next hop, shape (hop,)."""
        at = self._count % (_HUM_HOPS * self.hop)
        if not at:
            self._hum_ahead = hum.signal(self.first_hop * self.hop + self._count, _HUM_HOPS * self.hop)
        return self._hum_ahead[at : at + self.hop]

    def _damping_db(self, hops: int) -> float:
        """Return the fall over ``hops`` beyond which a hand damps the string."""
        return _DAMPING_DB_PER_S * hops * self.hop / self.rate_hz
