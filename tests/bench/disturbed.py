"""A whole set-up in a noisy workshop: what was plucked, what was taken for a reading, what was refused and why.

The simulated guitar's sound and the workshop's noises go to the daemon together, and into a file on the way. The noises
keep no time with the plucks: they fall between them and over them. A neighbour string rings along with every pluck.
"""

from __future__ import annotations

import math
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from noises import Sound, kinds
from numpy.typing import NDArray

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.daemon.rehearsal import DaemonThread
from oscservice.daemon.simulated_source import SimulatedSource, rehearsal_guitar
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.record.journal import Journal
from oscservice.settings import ServeSettings
from oscservice.simulate.background import Background
from oscservice.simulate.guitar import Guitar
from oscservice.simulate.technician import Technician

RATE_HZ = 48000
EVERY_S = 7.0
"""Mean time from one noise to the next."""

RINGS_ALONG = (0.01, 0.04)
"""Level of the other strings that ring along, as a share of the pluck (assumed)."""

HUM_DBFS = -55.0

OFF_SE, OFF_CENTS = 5.0, 1.0
"""A reading is false if it is further off the truth than so many of its standard errors, and by so many cents."""

EARLY_S, LATE_S = 0.15, 0.12
"""A reading is of a pluck if its onset lies no further before or after it: a noise just before it may count as its
beginning, since what follows within 0.13 s belongs to one attack."""

LED_IN_S = 0.5
"""A noise up to so long before a pluck may have been taken for its beginning; then the pitch has to be the pluck's."""

PATIENCE = 8
"""A prompt is missed if it has to be answered more often than this before anything comes of it."""


@dataclass(frozen=True)
class Pluck:
    """A pluck as it was: when (seconds of the file), where, its first partial once it has settled, and whether the
    string was slack."""

    time_s: float
    string: int
    place: Place
    f1_hz: float
    slack: bool


@dataclass(frozen=True)
class Taken:
    """A reading of the record."""

    onset_s: float
    string: int
    place: Place
    f1_hz: float
    se_cents: float


@dataclass
class Account:
    """The result of a set-up.

    Attributes:
        plucks, readings: in order of time.
        noises: kind and time of each.
        slackened: how often a string was heard to be slack.
        refused: what was said of sounds that gave no reading, with how many plucks had been made by then.
        ending: how the session ended.
        repeats: the most answers that one prompt took.
        before_cents, after_cents: the guitar's own errors at fret 12, string 1 first.
    """

    plucks: list[Pluck] = field(default_factory=list)
    readings: list[Taken] = field(default_factory=list)
    noises: list[tuple[str, float]] = field(default_factory=list)
    slackened: int = 0
    refused: list[tuple[int, str]] = field(default_factory=list)
    ending: str = ""
    repeats: int = 0
    before_cents: tuple[float, ...] = ()
    after_cents: tuple[float, ...] = ()

    def pluck_of(self, taken: Taken) -> Pluck | None:
        """The pluck that a reading is of, or None."""
        near = [p for p in self.plucks if -EARLY_S <= taken.onset_s - p.time_s <= LATE_S]
        found = next((p for p in near if (p.string, p.place) == (taken.string, taken.place)), None)
        return found if found is not None else self.led_in(taken)

    def led_in(self, taken: Taken) -> Pluck | None:
        """The pluck that a reading is of by its pitch, string and place, though a noise before it began the note."""
        late = [p for p in self.plucks if EARLY_S < p.time_s - taken.onset_s <= LED_IN_S]
        same = [p for p in late if (p.string, p.place) == (taken.string, taken.place)]
        limit = max(OFF_CENTS, OFF_SE * taken.se_cents)
        return next((p for p in same if abs(cents_between(taken.f1_hz, p.f1_hz)) <= limit), None)

    def off(self, taken: Taken) -> float:
        """Cents by which a reading lies off its pluck's truth; infinite without a pluck."""
        pluck = self.pluck_of(taken)
        return cents_between(taken.f1_hz, pluck.f1_hz) if pluck is not None else math.inf

    @property
    def false(self) -> list[tuple[Taken, float]]:
        """Readings of no pluck, and readings that are further off than they say; with how far off."""
        found = [(taken, self.off(taken)) for taken in self.readings]
        return [(t, off) for t, off in found if abs(off) > max(OFF_CENTS, OFF_SE * t.se_cents)]

    @property
    def begun_by_noise(self) -> int:
        """Readings of plucks that a noise before them began."""
        begun = [(taken, self.led_in(taken)) for taken in self.readings]
        return sum(pluck is not None and pluck is self.pluck_of(taken) for taken, pluck in begun)

    @property
    def taken(self) -> set[int]:
        """Numbers, from 0, of the plucks that were used: as a reading, or to tell that their string is slack."""
        said = {count - 1 for count, _ in self.refused}
        slack = {number for number, pluck in enumerate(self.plucks) if pluck.slack and number not in said}
        return slack | {self.plucks.index(p) for p in map(self.pluck_of, self.readings) if p is not None}

    @property
    def share_taken(self) -> float:
        """The share of plucks that were used."""
        return len(self.taken) / max(1, len(self.plucks))

    def reasons(self) -> Counter[str]:
        """Return the reasons of plucks without readings: the reports between each of them and the next one."""
        taken = self.taken
        found: Counter[str] = Counter()
        for number in range(len(self.plucks)):
            if number not in taken:
                said = [reason for count, reason in self.refused if count == number + 1]
                found[said[0] if said else "nothing was said"] += 1
        return found


class Workshop:
    """A guitar in a workshop: does as the guitar does, and adds noises to its sound and both to a file."""

    def __init__(self, guitar: Guitar, instrument: Instrument, seed: int, program: str, path: Path | None) -> None:
        self._guitar = guitar
        self._draw = np.random.default_rng([seed, 77])
        self._kinds = kinds(instrument, program)
        self._coming: list[tuple[int, Sound]] = []
        self._next = round(0.5 * EVERY_S * RATE_HZ)
        self._hum = Background(
            seed=seed, sample_rate_hz=RATE_HZ, channels=1, noise_dbfs=None, hum_hz=50.0, hum_dbfs=HUM_DBFS
        )
        self._file = soundfile.SoundFile(path, "w", RATE_HZ, 1, "FLOAT") if path is not None else None
        self.account = Account()

    def __getattr__(self, name: str) -> object:
        return getattr(self._guitar, name)

    def close(self) -> None:
        if self._file is not None:
            self._file.close()

    def pluck(self, string: int, place: Place, strength_mm: float) -> None:
        """Pluck; the other strings ring along, open."""
        for other in range(1, len(self._guitar.rig.builds) + 1):
            if other != string:
                self._guitar.pluck(other, OPEN, strength_mm * self._draw.uniform(*RINGS_ALONG))
        self._guitar.pluck(string, place, strength_mm)
        slack = self._guitar.is_slack(string)
        first, second = self._guitar._voices[-1][1]._tones.frequencies_hz[:, 0].tolist()
        settled_hz = first * (second / first) ** 0.2  # the string's pitch: the polarisations as loud as they are
        self.account.plucks.append(Pluck(self._guitar.frame / RATE_HZ, string, place, settled_hz, slack))

    def render(self, frames: int) -> NDArray[np.float32]:
        """The next samples, noises added."""
        start, end = self._guitar.frame, self._guitar.frame + frames
        out = self._guitar.render(frames).astype(np.float64)
        self._hum.add_into(out, start)
        while self._next < end:
            kind = list(self._kinds)[self._draw.integers(len(self._kinds))]
            self._coming.append((self._next, self._kinds[kind](self._draw, RATE_HZ)))
            self.account.noises.append((kind, self._next / RATE_HZ))
            self._next += round(self._draw.exponential(EVERY_S) * RATE_HZ)
        for at, sound in self._coming:
            first, last = max(start, at), min(end, at + len(sound))
            if first < last:
                out[first - start : last - start, 0] += sound[first - at : last - at]
        self._coming = [(at, sound) for at, sound in self._coming if at + len(sound) > end]
        if self._file is not None:
            self._file.write(out.astype(np.float32))
        return out.astype(np.float32)


class NoisyTechnician(Technician):
    """Keeps what the daemon says of sounds that gave no reading."""

    workshop: Workshop

    def take(self, address: str, values: tuple[object, ...]) -> None:
        super().take(address, values)
        if address == "/reading/ignored":
            account = self.workshop.account
            account.refused.append((len(account.plucks), str(values[0])))


def set_up(
    instrument_name: str,
    seed: int,
    *,
    program: str = "espeak-ng",
    tolerance_cents: float = 2.0,
    wav: Path | None = None,
    journal: Path | None = None,
) -> Account:
    """Set a guitar up in a noisy workshop. ``wav``: where the sound goes, ``journal``: where the record goes."""
    instrument = load_instrument(instrument_name)
    guitar = rehearsal_guitar(instrument, seed, float(RATE_HZ))
    workshop = Workshop(guitar, instrument, seed, program, wav)
    account = workshop.account
    prompts: list[tuple[int, str]] = []

    with tempfile.TemporaryDirectory(prefix="oscservice-") as folder:
        path = journal or Path(folder) / "journal.sqlite3"
        source = SimulatedSource(workshop, free_running=False, paced=False)  # type: ignore[arg-type]
        stage = DaemonThread(ServeSettings(port=0, instrument=instrument_name), source, path, lambda line: None)
        port = stage.open()
        technician = NoisyTechnician(
            "127.0.0.1", port, seed=seed, watch=lambda done, seen: prompts.append((len(account.plucks), seen.text))
        )
        technician.workshop = workshop
        try:
            numbers = range(1, len(instrument.strings) + 1)
            technician.know_nominal({n: instrument.open_hz(n) for n in numbers})
            technician.know_bridge({n: tuple(strings_moved_together(instrument, n)) for n in numbers})
            technician.subscribe()
            account.before_cents = tuple(guitar.error_cents(n) for n in numbers)
            technician.begin(instrument_name, f"noisy {seed} (invented)", tolerance_cents)
            technician.work()
            account.after_cents = tuple(guitar.error_cents(n) for n in numbers)
        finally:
            technician.close()
            stage.close()
            workshop.close()
        account.readings, account.slackened, account.ending = recorded(path)
    account.repeats = _most_repeats(account)
    return account


def recorded(journal: Path) -> tuple[list[Taken], int, str]:
    """The readings of the newest session of a journal, how often a string was heard to be slack, how it ended."""
    with Journal.open(journal, readonly=True) as opened:
        events = opened.events(opened.sessions()[0].id)
    bodies = [body for _, _, kind, body in events if kind == "ReadingTaken"]
    taken = [Taken(b["onset_s"], b["string"], Place.parse(b["place"]), b["f1_hz"], b["se_cents"]) for b in bodies]
    ended = [body["outcome"] for _, _, kind, body in events if kind == "SessionClosed"]
    slackened = sum(kind == "StringSlackened" for _, _, kind, _ in events)
    return taken, slackened, ended[0] if ended else ""


def _most_repeats(account: Account) -> int:
    """The most plucks in a row of one string and place that nothing came of, and the one that something did."""
    taken = account.taken
    most = count = 0
    before: tuple[int, Place] | None = None
    for number, pluck in enumerate(account.plucks):
        same = (pluck.string, pluck.place) == before
        count = count + 1 if same and number - 1 not in taken else 1
        before, most = (pluck.string, pluck.place), max(most, count)
    return most


def told(accounts: Sequence[Account]) -> str:
    """Accounts in words."""
    plucks = sum(len(a.plucks) for a in accounts)
    readings = [taken for a in accounts for taken in a.readings]
    share = sum(a.share_taken * len(a.plucks) for a in accounts) / max(1, plucks)
    noises: Counter[str] = Counter(kind for a in accounts for kind, _ in a.noises)
    lines = [
        f"{plucks} plucks among {noises.total()} noises ({', '.join(f'{n} {kind}' for kind, n in noises.items())})",
        f"{100.0 * share:.0f} % of the plucks were taken; {sum(len(a.false) for a in accounts)} of {len(readings)} "
        f"readings false; one prompt took {max(a.repeats for a in accounts)} plucks at most",
        f"  {sum(a.begun_by_noise for a in accounts)} readings of plucks whose notes a noise before them began",
    ]
    reasons: Counter[str] = sum((a.reasons() for a in accounts), Counter())
    lines += [f"  {count:3d} refused: {reason}" for reason, count in reasons.most_common()]
    for a in accounts:
        lines += [f"  false: {taken} off by {off:+.2f} cents" for taken, off in a.false]
    return "\n".join(lines)
