"""A note while it sounds: what is kept of it, when it is over, and how much of it counts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from oscservice.hearing.hum import MAINS_HZ, OFF_MAINS, Hum
from oscservice.hearing.level import ClipDetector
from oscservice.hearing.live_pitch import LivePitchTracker
from oscservice.hearing.resampling import Samples

SHORTEST_S = 0.15

_FALLEN_DB = 55.0
_FAINTEST_DBFS = -75.0
_QUIET_HOPS = 3
_DAMPING_DB_PER_S = 75.0  # no string dies that fast by itself
_HAND_DB = 15.0  # a fall this deep within _HAND_S is a hand laid on the string: the note is over
_HAND_S = 0.12
_STEADY_DB_PER_S = 0.3  # what falls by less than this is no plucked string
_STEADY_S = 1.0
_STEADY_HEADLESS_S = 0.4
_HUM_MULTIPLES = 6.5
STEADY = "a steady sound, not a plucked string"


@dataclass
class NoteBuffer:
    """One note from shortly before its pluck to now, at the working rate, the hum taken out.

    Attributes:
        first_hop: number in the stream of the first hop kept.
        begun: number of the hop from which on it may have been plucked.
        hop: samples in a hop.
        rate_hz: working rate.
        smooth: hops that a level is taken over.
        room: samples there is room for: at most so many are ever kept.
        quiet_power: mean square before the pluck.
        hum: the hum to take out.
        follower: gives the live values, if they are wanted.
        headless: its beginning was not heard: it sounded when the stream began.
        learnt_from: number of the first hop of the quiet that the hum was looked for in.
        floor_dbfs: how quiet it was before the pluck.
    """

    first_hop: int
    begun: int
    hop: int
    rate_hz: float
    smooth: int
    room: int
    quiet_power: float
    hum: Hum | None
    follower: LivePitchTracker | None
    headless: bool = False
    live_from: int = 0
    not_finite: bool = False
    learnt_from: int = 0
    floor_dbfs: float = -80.0
    clip: ClipDetector = field(default_factory=ClipDetector)

    def __post_init__(self) -> None:
        self._signal: Samples = np.empty(self.room)
        self._count = 0
        self._levels: list[float] = []
        self._peak_dbfs = -200.0
        self._quiet = 0

    def take(self, signal: Samples) -> None:
        """Keep one more hop, shape (hop,)."""
        if self.hum is not None:
            signal = signal - self.hum.signal(self.first_hop * self.hop + self._count, self.hop)
        self._signal[self._count : self._count + self.hop] = signal
        self._count += self.hop

    def goes_on(self, raw: npt.NDArray[np.float32], bad: bool, level_dbfs: float, release_dbfs: float) -> bool:
        """Whether the note goes on, after one more hop: its raw samples and the level of the signal.

        It's over when it has sunk to ``release_dbfs``, or far below its peak, or when a hand stopped it.
        """
        self.clip.feed(raw)
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

    def since_begun(self) -> Samples:
        """The signal from where it may have been plucked to now, shape (n,)."""
        return self._signal[self._lead : self._count]

    def hops_since_begun(self) -> Samples:
        """The same in hops, shape (hops, hop)."""
        return self.since_begun().reshape(-1, self.hop)

    @property
    def mean_dbfs(self) -> float:
        """Mean of its levels."""
        return sum(self._levels) / max(1, len(self._levels))

    def whole(self, damped: bool) -> Samples:
        """The note and what was kept from before it, shape (n,), without what a hand or the next pluck did last."""
        hops = self._count // self.hop
        end = hops - (self.smooth + 1 if hops - self._lead // self.hop > 3 * self.smooth else 0)
        levels, last, smooth = self._levels, len(self._levels) - 1, self.smooth
        while damped and last > smooth and levels[last - smooth] - levels[last] > self._damping_db(smooth):
            last -= 1
            end = min(end, hops - (len(levels) - last) - smooth)
        return self._signal[: max(0, end) * self.hop]

    def pluck_within_s(self) -> tuple[float, float]:
        """Where in ``whole`` the pluck must be, in seconds from its first sample."""
        smooth = self.smooth * self.hop
        return ((self._lead - smooth) / self.rate_hz, (self._lead + 2 * smooth) / self.rate_hz)

    def may_be_hum(self, hz: float) -> bool:
        """Whether that may be the hum that stood there when the stream began: then it will soon be known as steady."""
        multiples = [hz / mains for mains in MAINS_HZ]
        length_s = len(self._levels) * self.hop / self.rate_hz
        room = OFF_MAINS + 0.15 / max(1.0, length_s * hz)  # the shorter it is, the worse its pitch is known
        at_mains = any(0.5 < m < _HUM_MULTIPLES and abs(m / round(m) - 1.0) < room for m in multiples)
        return self.headless and at_mains and length_s < 2.0 * _STEADY_HEADLESS_S

    def refusal(self, whole: Samples) -> str:
        """Why this is no note, "" if it may be one."""
        length_s = (len(whole) - self._lead) / self.rate_hz
        if length_s < SHORTEST_S:
            return "too short for a note"
        return STEADY if self.steady(_STEADY_S) else ""

    def steady(self, least_s: float = _STEADY_HEADLESS_S) -> bool:
        """Whether it has sounded for ``least_s`` or longer and not fallen as every string does."""
        levels = self._levels[self.smooth : -self.smooth]  # the rise to its own level and to that of the next left out
        third = len(levels) // 3
        length_s = 3 * third * self.hop / self.rate_hz
        if not third or length_s < least_s:
            return False
        fallen = sum(levels[:third]) - sum(levels[-third:])
        return abs(fallen / third) < _STEADY_DB_PER_S * length_s * 2.0 / 3.0

    @property
    def _lead(self) -> int:
        return (self.begun - self.first_hop) * self.hop

    def _damping_db(self, hops: int) -> float:
        return _DAMPING_DB_PER_S * hops * self.hop / self.rate_hz
