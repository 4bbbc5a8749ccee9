"""Benchmark: drifts planted between two takes of a guitar's strings. How often does a check find them, and how often
does it cry wolf?

    python tests/bench/regress.py [SESSIONS WITHOUT SOUND] [SESSIONS WITH SOUND]

A session is a guitar of its own: a take that is accepted as the baseline, one in which nothing has changed, and one
for each drift, on a random string, sharper or flatter. A drift of tuning is a peg that has given; one of intonation a
saddle that has slipped, the string brought back to pitch. Found means: the string planted on is said to have drifted in
that way. With sound each take is written as recordings (a file a note, or a file a string) and goes through the command
itself; without, the guitar's own pitches with the scatter of hand and ear go to what judges. Limits are the default
ones.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import sys
import tempfile
import time
import unittest.mock
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from planted import NAMES, PLACES, PRESET, SCATTER_CENTS, Planted, Studio, drifted, studio_rig
from scipy.stats import binomtest
from silent import SilentBench

from oscservice.check.judge import default_limits, judge
from oscservice.check.verdicts import Case, Note, RecordingHeard
from oscservice.cli import main as oscservice
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import note_number
from oscservice.session.vocabulary import Drift

PLUCKS = 12
"""Plucks of each place in a take by default."""

SIZES_CENTS = (0.5, 1.0, 2.0, 5.0)
WAYS = (Drift.TUNING, Drift.INTONATION)
FINDINGS = {Drift.TUNING: "pitch drift", Drift.INTONATION: "error drift"}

COUNTS = (1, 2, 3, 5, 8, 12, 16)


@dataclass(frozen=True)
class Hand:
    """Scatter of a hand's plucks, 1 sd in cents, fretted and open, and its plucks of each place for a baseline; 0: as
    many as later."""

    fretted_cents: float = SCATTER_CENTS
    open_cents: float = 0.15
    baseline_plucks: int = 0

    def __str__(self) -> str:
        more = f", baseline of {self.baseline_plucks}" if self.baseline_plucks else ""
        return f"{self.fretted_cents:g} / {self.open_cents:g}{more}"


USUAL = Hand()
HANDS = (Hand(0.6), USUAL, Hand(0.8, 0.6), Hand(1.2, 0.6), Hand(baseline_plucks=24))
WANTED_CENTS = 2.0
WANTED_SHARE = 0.95
"""A drift that a check should find: its size and frequency."""

_MOST_ATTEMPTS = 5

INSTRUMENT = load_instrument(PRESET)
NUMBERS = tuple(range(1, len(INSTRUMENT.strings) + 1))


@dataclass(frozen=True)
class Seen:
    """One take that was checked: what was planted, what was said (string, finding, verdict), and how many of its files
    were refused."""

    planted: Planted | None
    said: tuple[tuple[int, str, str], ...]
    refused: int = 0

    @property
    def found(self) -> bool:
        """Return whether the drift was found in its place and of its kind."""
        assert self.planted is not None
        return (self.planted.string, FINDINGS[self.planted.way], "drifted") in self.said

    @property
    def alarmed(self) -> set[int]:
        """Strings that are said to have drifted and have not."""
        own = 0 if self.planted is None else self.planted.string
        return {string for string, _, verdict in self.said if verdict == "drifted" and string != own}

    def verdict(self, string: int) -> str:
        """The gravest word on a string."""
        words = {verdict for number, _, verdict in self.said if number == string}
        return next(word for word in ("drifted", "unsure", "holds") if word in words)


def plan(seed: int, sizes_cents: Iterable[float], ways: Iterable[Drift], strings: Sequence[int]) -> list[Planted]:
    """The drifts of a session."""
    draw = random.Random(f"planted {seed}")
    return [Planted(draw.choice(strings), way, draw.choice((-1.0, 1.0)) * size) for way in ways for size in sizes_cents]


# Without sound


def silent_session(
    seed: int,
    plucks: int = PLUCKS,
    hand: Hand = USUAL,
    sizes_cents: Sequence[float] = SIZES_CENTS,
    ways: Sequence[Drift] = WAYS,
) -> list[Seen]:
    """A session whose readings are made up from the guitar's pitches."""
    rig = studio_rig(INSTRUMENT, seed)
    bench = SilentBench(rig, seed, hand.fretted_cents, hand.open_cents)
    baseline, now = (_take(bench, NUMBERS, count) for count in (hand.baseline_plucks or plucks, plucks))
    seen = [Seen(None, _judged(now, baseline))]
    for planted in plan(seed, sizes_cents, ways, NUMBERS):
        bench.rig = drifted(rig, planted)
        seen.append(Seen(planted, _judged({**now, **_take(bench, [planted.string], plucks)}, baseline)))
    return seen


Take = dict[Case, tuple[Note, ...]]


def _take(bench: SilentBench, strings: Iterable[int], plucks: int) -> Take:
    found = {}
    for string in strings:
        for place in PLACES:
            case = Case(string, place, note_number(INSTRUMENT.string(string).note) + place.semitones)
            readings = [bench.reading(string, place) for _ in range(plucks)]
            found[case] = tuple(
                Note(r.f1_hz, r.se_cents, r.strength_db, r.inharmonicity, r.inharmonicity_se) for r in readings
            )
    return found


def _judged(now: Take, baseline: Take) -> tuple[tuple[int, str, str], ...]:
    heard = (RecordingHeard(INSTRUMENT, INSTRUMENT.reference_hz, take) for take in (now, baseline))
    cases, _ = judge(*heard, default_limits(INSTRUMENT, baseline=True))
    return tuple((c.case.string, str(f.what), str(f.verdict)) for c in cases for f in c.findings)


# With sound


def sound_session(
    seed: int,
    plucks: int = PLUCKS,
    sizes_cents: Sequence[float] = SIZES_CENTS,
    ways: Sequence[Drift] = WAYS,
    strings: Sequence[int] = NUMBERS,
) -> list[Seen]:
    """A session recorded and checked by the command: odd seeds have a file a string, even ones a file a note."""
    rig = studio_rig(INSTRUMENT, seed)
    studio = Studio(INSTRUMENT, rig, seed)
    with tempfile.TemporaryDirectory(prefix="oscservice-planted-") as name:
        folder = Path(name)
        with unittest.mock.patch.dict(os.environ, XDG_CACHE_HOME=str(folder / "cache")):
            session = _Recorded(studio, folder, plucks, strings, string_a_file=bool(seed % 2))
            session.accept()
            session.record("now", strings)
            seen = [Seen(None, *session.check({}))]
            for number, planted in enumerate(plan(seed, sizes_cents, ways, strings)):
                studio.bring(drifted(rig, planted))
                session.record(f"drift{number}", [planted.string])
                seen.append(Seen(planted, *session.check({planted.string: f"drift{number}"})))
    return seen


class _Recorded:
    """Takes of a guitar in a folder, and checks of them."""

    def __init__(
        self, studio: Studio, folder: Path, plucks: int, strings: Sequence[int], *, string_a_file: bool
    ) -> None:
        self._studio = studio
        self._folder = folder
        self._plucks = plucks
        self._strings = strings
        self._string_a_file = string_a_file

    def record(self, take: str, strings: Iterable[int]) -> None:
        """Record a take into a folder of its own."""
        record = self._studio.strings_a_file if self._string_a_file else self._studio.notes_a_file
        record(self._folder / take, strings, self._plucks)

    def accept(self) -> None:
        """Record the baseline; again, as a studio would, if something in it could not be read."""
        manifest = self._manifest(dict.fromkeys(self._strings, "accepted"))
        for _ in range(_MOST_ATTEMPTS):
            self.record("accepted", self._strings)
            code, told = _command("check", "--manifest", manifest, "--accept", "--jobs", "1")
            if code == 0:
                return
        raise AssertionError(told)

    def check(self, elsewhere: dict[int, str]) -> tuple[tuple[tuple[int, str, str], ...], int]:
        """Check the newest take of each string: that in ``now``, or in another folder. Gives what is said of each
        string, and how many files were refused."""
        takes = dict.fromkeys(self._strings, "now") | elsewhere
        code, told = _command("check", "--manifest", self._manifest(takes), "--json", "-", "--jobs", "1")
        result: dict[str, Any] = json.loads(told)
        assert code == result["exit_code"], told
        said = tuple((c["string"], f["what"], f["verdict"]) for c in result["cases"] for f in c["found"])
        return said, len(result["refused"])

    def _manifest(self, takes: dict[int, str]) -> Path:
        lines = [f'instrument = "{PRESET}"', 'baseline = "baseline.json"']
        for string, take in takes.items():
            lines += ["[[recording]]", f'files = "{take}/string{string}*.flac"']
            if self._string_a_file:
                places = [f'"{place}"' for place in PLACES for _ in range(self._plucks)]
                lines += [f"string = {string}", f"places = [{', '.join(places)}]"]
            else:
                lines.append(f'names = "{NAMES}"')
        path = self._folder / "manifest.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path


def _command(*words: str | Path) -> tuple[int, str]:
    """Run ``oscservice``; gives its exit code and what it printed."""
    out, code = io.StringIO(), 0
    with (
        unittest.mock.patch.object(sys, "argv", ["oscservice", *map(str, words)]),
        contextlib.redirect_stdout(out),
    ):
        try:
            oscservice()
        except SystemExit as end:
            code = int(end.code or 0)
    return code, out.getvalue()


# Results


def share(part: int, of: int) -> str:
    """A share with its 95 % interval (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    if not of:
        return "–"
    low, high = binomtest(part, of).proportion_ci(0.95, method="exact")
    return f"{part / of:.1%} ({low:.1%} to {high:.1%})"


def report(seen: Sequence[Seen]) -> str:
    """Rates by what was planted."""
    lines = ["| planted | takes | found | unsure | holds |", "|---|---|---|---|---|"]
    for way in WAYS:
        for size in sorted({abs(s.planted.cents) for s in seen if s.planted is not None}):
            of = [s for s in seen if s.planted is not None and (s.planted.way, abs(s.planted.cents)) == (way, size)]
            words = [s.verdict(s.planted.string) for s in of if s.planted is not None]
            rest = " | ".join(f"{words.count(word) / max(1, len(of)):.1%}" for word in ("unsure", "holds"))
            lines.append(f"| {way} {size:g} cents | {len(of)} | {share(sum(s.found for s in of), len(of))} | {rest} |")
    nothing = [s for s in seen if s.planted is None]
    strings = [string for s in seen for string in {n for n, _, _ in s.said} - _planted_on(s)]
    alarms = sum(len(s.alarmed) for s in seen)
    unsure = sum("unsure" in {s.verdict(n) for n in {n for n, _, _ in s.said}} for s in nothing)
    return "\n".join(
        [
            *lines,
            "",
            f"nothing planted: {share(sum(bool(s.alarmed) for s in nothing), len(nothing))} of {len(nothing)} sessions "
            f"alarm; of {unsure / max(1, len(nothing)):.1%} something can't be told",
            f"strings not planted on: {share(alarms, len(strings))} of {len(strings)} alarm",
            f"takes with a file refused: {sum(bool(s.refused) for s in seen)} of {len(seen)}",
        ]
    )


def _planted_on(seen: Seen) -> set[int]:
    return set() if seen.planted is None else {seen.planted.string}


def needed(rates: dict[tuple[int, Hand, Drift], float]) -> str:
    """Return a table of the shares of drifts found, by plucks of a place and by hand."""
    heads = [f"{way}, {hand}" for way in WAYS for hand in HANDS]
    lines = [f"| plucks | {' | '.join(heads)} |", "|---" * (len(heads) + 1) + "|"]
    for count in COUNTS:
        cells = [rates[count, hand, way] for way in WAYS for hand in HANDS]
        lines.append(f"| {count} | {' | '.join(f'{cell:.0%}' for cell in cells)} |")
    return "\n".join(lines)


def found_share(seen: Iterable[Seen], way: Drift) -> float:
    """Return the number of found drifts of a kind."""
    of = [s.found for s in seen if s.planted is not None and s.planted.way is way]
    return sum(of) / len(of)


def without_sound(pool: ProcessPoolExecutor, sessions: int) -> None:
    """Print rates, and how many plucks are needed."""
    began = time.monotonic()
    seen = [one for some in pool.map(silent_session, range(sessions), chunksize=8) for one in some]
    print(f"{sessions} sessions without sound, {PLUCKS} plucks a place ({time.monotonic() - began:.0f} s)\n")
    print(report(seen), flush=True)
    began, fewer = time.monotonic(), max(1, sessions // 5)
    rates: dict[tuple[int, Hand, Drift], float] = {}
    for count in COUNTS:
        for hand in HANDS:
            session = partial(silent_session, plucks=count, hand=hand, sizes_cents=(WANTED_CENTS,))
            some = [one for found in pool.map(session, range(fewer), chunksize=8) for one in found]
            rates |= {(count, hand, way): found_share(some, way) for way in WAYS}
    took = f"{fewer} sessions each, {time.monotonic() - began:.0f} s"
    print(f"\n{WANTED_CENTS:g} cents found, by the hand's scatter in cents, fretted / open ({took})\n")
    print(needed(rates), flush=True)


def with_sound(pool: ProcessPoolExecutor, sessions: int) -> None:
    """Print rates."""
    began = time.monotonic()
    seen = [one for some in pool.map(sound_session, range(sessions)) for one in some]
    print(f"\n{sessions} sessions recorded, {PLUCKS} plucks a place ({time.monotonic() - began:.0f} s)\n")
    print(report(seen))


def main() -> None:
    silent, sound = (int(sys.argv[n]) if len(sys.argv) > n else usual for n, usual in ((1, 500), (2, 10)))
    with ProcessPoolExecutor() as pool:
        if silent:
            without_sound(pool, silent)
        if sound:
            with_sound(pool, sound)


if __name__ == "__main__":
    main()
