"""Recorded notes of one guitar, each plucked at four dynamics, twice: what a reading makes of hard and soft plucks.

Files are called ``NOTE_DYNAMIC_TAKE.flac``; the dynamics are ``p``, ``mp``, ``mf``, ``f``. Each note is taken as one
string stopped at one place. There is no reference pitch: what is measured is how well the eight plucks of a note agree.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from one_strength import at_strength
from tables import Printer, number

from oscservice import Reading, read_note, window_pitch
from oscservice.advice.pluck_strength import Pluck, learn_slope
from oscservice.errors import NoNoteError
from oscservice.hearing.listener import Listener, NoteHeard
from oscservice.instrument.pitch import cents_between, note_hz, note_number

DYNAMICS = ("p", "mp", "mf", "f")
PLAIN_S = (0.5, 1.5)
"""The window of a plain reading, seconds after the pluck."""

BLOCK = 1024
WRONG_CENTS = 50.0


@dataclass(frozen=True)
class Take:
    """One recorded pluck and what was read from it; cents are against equal temperament."""

    note: str
    dynamic: str
    take: str
    plain_cents: float
    reading: Reading

    @property
    def settled_cents(self) -> float:
        """Settled pitch against equal temperament."""
        return cents_between(self.reading.f1_hz, named_hz(self.note))

    @property
    def string_cents(self) -> float:
        """String pitch against equal temperament."""
        return cents_between(self.reading.string_hz, named_hz(self.note))

    def pluck(self, *, string: bool = False) -> Pluck:
        """Return it as a pluck from which the effect of strength is learnt."""
        cents = self.string_cents if string else self.settled_cents
        se = self.reading.string_se_cents if string else self.reading.se_cents
        return Pluck("here", cents, se, self.reading.strength_db)


def named_hz(note: str) -> float:
    """Pitch of a note's name in equal temperament at A4 = 440 Hz."""
    return note_hz(note_number(note))


def heard_in(samples: NDArray[np.float64], rate_hz: float) -> Reading:
    """The one reading the listener gives of a recording. Raises NoNoteError when there is none, or more than one."""
    listener = Listener(rate_hz, live=False)
    events = []
    for start in range(0, len(samples), BLOCK):
        events += listener.feed(samples[start : start + BLOCK])
    readings = [event.reading for event in [*events, *listener.finish()] if isinstance(event, NoteHeard)]
    if len(readings) != 1:
        raise NoNoteError(f"{len(readings)} readings")
    return readings[0]


def takes_in(folder: Path, printer: Printer, *, whole: bool = False) -> list[Take]:
    """Every recording of the folder, read; those that could not be are named. ``whole``: by ``read_note``."""
    found: list[Take] = []
    for path in sorted(folder.glob("*_*_*.flac")):
        note, dynamic, take = path.stem.split("_")
        samples, rate_hz = soundfile.read(path)
        try:
            reading = read_note(samples, rate_hz) if whole else heard_in(samples, rate_hz)
            first, last = (round((reading.onset_s + s) * rate_hz) for s in PLAIN_S)
            plain_hz = window_pitch(samples[first:last], rate_hz).f1_hz
        except NoNoteError as reason:
            printer.remark(f"{path.stem}: not read: {reason}")
            continue
        found.append(Take(note, dynamic, take, cents_between(plain_hz, named_hz(note)), reading))
        for what, cents in (("settled", found[-1].settled_cents), ("plain", found[-1].plain_cents)):
            if abs(cents) > WRONG_CENTS:
                printer.remark(f"{path.stem}: {what} reading is {cents:+.0f} cents off its name")
    return found


def levelled(takes: list[Take], *, string: bool = False) -> list[float]:
    """Settled pitch of a note's takes, all taken to their median strength by the slope that the *others* taught.

    The slope for a take is learnt from the plucks of the other take number, so that nothing is fitted to itself.
    """
    middle = float(np.median([t.reading.strength_db for t in takes]))
    found = []
    for t in takes:
        teachers = [other.pluck(string=string) for other in takes if other.take != t.take]
        slope = learn_slope(teachers)
        plucks = [t.pluck(string=string)]
        found.append((at_strength(plucks, middle, slope) if slope is not None else plucks)[0].cents)
    return found


def spread(takes: list[Take], cents: Iterable[float]) -> float:
    """Highest less lowest of the dynamics' means, cents."""
    values = list(cents)
    means = [
        np.mean([c for t, c in zip(takes, values, strict=True) if t.dynamic == dynamic])
        for dynamic in {t.dynamic for t in takes}
    ]
    return float(max(means) - min(means))


def pairs(takes: list[Take]) -> list[tuple[Take, Take]]:
    """The two takes of each note and dynamic."""
    first = {(t.note, t.dynamic): t for t in takes if t.take == "1"}
    return [(first[key], t) for t in takes if t.take == "2" and (key := (t.note, t.dynamic)) in first]


def stiffness_chi_square(takes: list[Take]) -> tuple[float, int]:
    """Chi-square of B's being one number in all of a note's takes, and its degrees of freedom."""
    known = [t.reading for t in takes if math.isfinite(t.reading.inharmonicity_se)]
    if len(known) < 2:
        return 0.0, 0
    b = np.array([r.inharmonicity for r in known])
    weight = np.array([r.inharmonicity_se for r in known]) ** -2.0
    mean = float((weight * b).sum() / weight.sum())
    return float((weight * (b - mean) ** 2).sum()), len(known) - 1


@dataclass(frozen=True)
class Agreement:
    """Spread of the differences between two takes at one dynamic, in cents and in units of their standard errors.

    ``robust_sd`` is the median over 0.6745 (what it is for a normal spread): one pair that was tuned otherwise doesn't
    rule it. ``over_se``: root mean square of differences over combined standard errors; shares within 1 and 2 of them.
    """

    median: float
    ninetieth: float
    rms: float
    over_se: float = math.nan
    within_1: float = math.nan
    within_2: float = math.nan

    @property
    def robust_sd(self) -> float:
        """Standard deviation of a difference, by the median."""
        return self.median / 0.6745

    @classmethod
    def of(cls, cents: list[float], se_cents: list[float] | None = None) -> Agreement:
        """From differences and their combined standard errors."""
        size = np.abs(cents)
        measures = float(np.median(size)), float(np.percentile(size, 90.0)), float(np.sqrt(np.mean(np.square(size))))
        if se_cents is None:
            return cls(*measures)
        z = size / np.array(se_cents)
        return cls(*measures, float(np.sqrt(np.mean(z**2))), float(np.mean(z < 1.0)), float(np.mean(z < 2.0)))

    def row(self, name: str) -> list[str]:
        """Its line in the table."""
        values = (self.median, self.ninetieth, self.rms, self.robust_sd, self.over_se, self.within_1, self.within_2)
        return [name, *(number(v, 2) for v in values)]


def agreements(takes: list[Take]) -> dict[str, Agreement]:
    """Take against take at one dynamic, by each way of reading."""
    both = pairs(takes)
    level = {}
    for note in {t.note for t in takes}:
        mine = [t for t in takes if t.note == note]
        level |= {id(t): c for t, c in zip(mine, levelled(mine), strict=True)}

    def apart(read: Callable[[Take], float], se: Callable[[Take], float] | None = None) -> Agreement:
        errors = None if se is None else [math.hypot(se(a), se(b)) for a, b in both]
        return Agreement.of([read(b) - read(a) for a, b in both], errors)

    return {
        "plain": apart(lambda t: t.plain_cents),
        "settled": apart(lambda t: t.settled_cents, lambda t: t.reading.se_cents),
        "settled, equal strength": apart(lambda t: level[id(t)], lambda t: t.reading.se_cents),
        "string pitch": apart(lambda t: t.string_cents, lambda t: t.reading.string_se_cents),
    }


def list_each(takes: list[Take], printer: Printer) -> None:
    """One line a recording."""
    rows = []
    for t in sorted(takes, key=lambda t: (note_number(t.note), DYNAMICS.index(t.dynamic), t.take)):
        r = t.reading
        rows.append(
            [
                f"{t.note}_{t.dynamic}_{t.take}",
                *(number(v, 2) for v in (t.plain_cents, t.settled_cents, r.se_cents)),
                *(number(v, 2) for v in (t.string_cents, r.string_se_cents)),
                *(number(1e6 * v, 1) for v in (r.inharmonicity, r.inharmonicity_se)),
                number(r.strength_db, 1),
                number(r.attack_cents, 1),
                f"{r.window_start_s:.2f}+{r.window_length_s:.2f}",
                ",".join(map(str, r.partials)),
                ", ".join(r.flags),
            ]
        )
    printer.heading("Each recording; cents against equal temperament at A4 = 440 Hz")
    columns = ("file", "plain", "settled", "se", "string", "se", "B 1e-6", "se", "dB", "attack", "window", "k", "flags")
    printer.table(columns, rows)


def report(folder: Path, printer: Printer, *, whole: bool, summary: bool, each: bool) -> None:
    """Read every recording and print the tables, or one line each with ``summary``."""
    takes = takes_in(folder, printer, whole=whole)
    if not takes:
        printer.remark(f"no recordings in {folder}")
        return
    if each:
        list_each(takes, printer)
    notes = sorted({t.note for t in takes}, key=note_number)
    rows, chi_all, degrees_all = [], 0.0, 0
    spreads: list[tuple[float, ...]] = []
    for note in notes:
        mine = [t for t in takes if t.note == note]
        spreads.append(
            (
                spread(mine, [t.plain_cents for t in mine]),
                spread(mine, [t.settled_cents for t in mine]),
                spread(mine, levelled(mine)),
                spread(mine, levelled(mine, string=True)),
            )
        )
        chi, degrees = stiffness_chi_square(mine)
        chi_all, degrees_all = chi_all + chi, degrees_all + degrees
        strengths = [t.reading.strength_db for t in mine]
        b = [t.reading.inharmonicity for t in mine if math.isfinite(t.reading.inharmonicity_se)]
        rows.append(
            [
                note,
                *(number(s, 2) for s in spreads[-1]),
                number(max(strengths) - min(strengths), 1),
                number(float(np.median([t.reading.se_cents for t in mine])), 2),
                number(1e6 * float(np.median(b)), 1) if b else "-",
                number(chi / degrees, 2) if degrees else "-",
                str(sum(len(t.reading.partials) for t in mine) // len(mine)),
            ]
        )
    apart = agreements(takes)
    overall = [f"{np.median(s):.2f}/{max(s):.2f}" for s in zip(*spreads, strict=True)]
    chi_mean = chi_all / max(degrees_all, 1)
    if summary:
        plain, settled, level, string = overall
        ours = apart["settled"]
        print(
            f"spread (median/worst): plain {plain}, settled {settled}, equal strength {level}, string {string}; "
            f"takes settled: median {ours.median:.2f}, 90 % {ours.ninetieth:.2f}, rms {ours.rms:.2f}, "
            f"over se {ours.over_se:.2f}, in 1 se {ours.within_1:.2f}, in 2 se {ours.within_2:.2f}; "
            f"B chi2/dof {chi_mean:.2f}; {len(takes)} read"
        )
        return
    printer.heading(f"{len(takes)} recordings: spread across the dynamics of a note, cents (highest less lowest mean)")
    columns = ("note", "plain", "settled", "equal strength", "string, eq.", "dB range", "se", "B 1e-6", "chi2/dof", "k")
    printer.table(columns, [*rows, ["median/worst", *overall, "", "", "", number(chi_mean, 2), ""]])
    printer.remark(
        f"Plain: window_pitch, {PLAIN_S[0]} to {PLAIN_S[1]} s after the pluck. Equal strength: settled, each "
        "taken to the note's median strength by the slope learnt from the note's other four. chi2/dof: of B's "
        "being one number in the plucks of a note."
    )
    printer.heading("The two takes at one dynamic: differences in cents")
    printer.table(
        ("reading", "median", "90 %", "rms", "robust sd", "over se", "in 1 se", "in 2 se"),
        [a.row(name) for name, a in apart.items()],
    )
