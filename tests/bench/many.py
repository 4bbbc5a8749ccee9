"""An archive of notes: how many a second, beside the same loop around other estimators, and how soon the second time.

    python tests/bench/many.py            # 10,000 notes, half an hour on two cores that have nothing else to do
    python tests/bench/many.py --quick    # 200 notes

The notes are made up: 1.6 seconds each at 44.1 or 48 kHz, 16 bits, six strings open and at fret 12, each file with a
loudness and a noise of its own, so that no two files are the same. Everything is timed in slices that take turns (ours
on one core, ours on two, the others), so that a machine with other things to do does it to all alike. Two cores and the
others get a part of each slice. The others are told which note it is and where it was plucked, which ours finds out.
The time of each includes reading the file. Ctrl-C ends the slices early; the table is of what was done.
"""

from __future__ import annotations

import os

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ[threads] = "1"

import argparse  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable, Sequence  # noqa: E402
from dataclasses import dataclass, field  # noqa: E402
from functools import partial  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import TypeVar  # noqa: E402

import numpy as np  # noqa: E402
import soundfile  # noqa: E402

sys.path[1:1] = [str(Path(__file__).parent / "pitch"), str(Path(__file__).parents[1])]

from made_sound import synthetic_note  # noqa: E402
from peers import INSTALL, Peer, all_peers  # noqa: E402
from tables import Printer, machine  # noqa: E402

from oscservice.archive.measure_many import FileOutcome, Wanted, measure_many  # noqa: E402
from oscservice.archive.result_cache import Cache  # noqa: E402

STRINGS_HZ = (329.63, 246.94, 196.0, 146.83, 110.0, 82.41)
RATES_HZ = (44100, 48000)
SECONDS = 1.6
PLUCK_S = 0.2
SETTLED_S = 0.3
"""From here on after the pluck the others look, up to the end of the file."""

OTHERS = {"aubio yinfft": 20, "librosa pYIN": 100}
"""Names of the others, and which part of the notes each is timed on: every twentieth, every hundredth."""

TWO_CORES = 5
"""Ours on two cores is timed on a fifth of the notes."""


T = TypeVar("T")


@dataclass
class Timed:
    """A duration and the number of notes."""

    notes: int = 0
    seconds: float = 0.0

    def run(self, notes: int, work: Callable[[], T]) -> T:
        """Add a turn; gives what it gave."""
        began = time.perf_counter()
        done = work()
        self.seconds += time.perf_counter() - began
        self.notes += notes
        return done

    @property
    def rate(self) -> float:
        """Notes a second."""
        return self.notes / self.seconds


@dataclass
class Times:
    """Everything that is timed."""

    one: Timed = field(default_factory=Timed)
    two: Timed = field(default_factory=Timed)
    others: dict[str, Timed] = field(default_factory=dict)
    again: Timed = field(default_factory=Timed)
    again_two: Timed = field(default_factory=Timed)


def made(folder: Path, count: int, seed: int = 1) -> list[Wanted]:
    """So many notes as files, each with the pitch that would be asked for."""
    draw = np.random.default_rng(seed)
    plucks = []
    for number in range(2 * len(STRINGS_HZ) * len(RATES_HZ)):
        nominal_hz = STRINGS_HZ[number % 6] * (1 + number // 6 % 2)
        rate_hz = RATES_HZ[number // 12]
        samples, _ = synthetic_note(
            f1_hz=nominal_hz * 2.0 ** (float(draw.uniform(-30.0, 30.0)) / 1200.0),
            sample_rate_hz=float(rate_hz),
            seconds=SECONDS,
            pluck_s=PLUCK_S,
            glide_cents=float(draw.uniform(1.0, 8.0)),
            polarisation_split_cents=0.5,
            polarisation_decay=1.3,
            decay_s=2.0 * (nominal_hz / 82.4) ** -0.3,
            attack_noise=0.3,
            stray_cents=0.5,
            level_dbfs=-15.0,
            seed=seed * 1000 + number,
        )
        plucks.append((nominal_hz, rate_hz, samples))
    wanted = []
    for number in range(count):
        nominal_hz, rate_hz, samples = plucks[number % len(plucks)]
        own = samples * 10.0 ** (float(draw.uniform(-12.0, 0.0)) / 20.0) + 1e-4 * draw.standard_normal(len(samples))
        path = folder / f"{number:06}.wav"
        soundfile.write(path, own, rate_hz, subtype="PCM_16")
        wanted.append(Wanted(path, (nominal_hz,)))
    return wanted


def loop(peer: Peer, wanted: Sequence[Wanted]) -> None:
    """The loop around another estimator: read a file, and the pitch of its settled part."""
    for one in wanted:
        samples, rate_hz = soundfile.read(one.path)
        found_hz = peer.estimate(samples[round((PLUCK_S + SETTLED_S) * rate_hz) :], rate_hz, one.expected_hz[0])
        if found_hz is None or abs(np.log2(found_hz / one.expected_hz[0])) > 1.0 / 12.0:
            raise AssertionError(f"{peer.name} found {found_hz} Hz for {one.expected_hz[0]} Hz")


def checked(outcomes: Sequence[FileOutcome]) -> None:
    """Every file gave its note: otherwise the time says nothing."""
    for outcome in outcomes:
        if outcome.measured is None or len(outcome.measured.notes) != 1:
            raise AssertionError(f"a file gave no note: {outcome}")


def measure(wanted: Sequence[Wanted], others: Sequence[Peer], folder: Path, slices: int) -> Times:
    """Time everything in turns, then the second run over all."""
    times = Times(others={peer.name: Timed() for peer in others})
    measure_many(wanted[:1])  # loads what is loaded once
    measure_many(wanted[:4], jobs=2)
    for peer in others:
        loop(peer, wanted[: 2 * len(STRINGS_HZ) * len(RATES_HZ)])  # some compile themselves for each shape they meet
    first: list[FileOutcome] = []
    try:
        for number in range(slices):
            part = wanted[number * len(wanted) // slices : (number + 1) * len(wanted) // slices]
            with Cache.open(folder) as cache:
                ours = times.one.run(len(part), partial(measure_many, part, cache=cache))
            first += ours
            some = part[: -(-len(part) // TWO_CORES)]
            if times.two.run(len(some), partial(measure_many, some, jobs=2)) != ours[: len(some)]:
                raise AssertionError("two cores and one don't find the same")
            for peer in others:
                few = part[:: OTHERS[peer.name]]
                times.others[peer.name].run(len(few), partial(loop, peer, few))
            print(f"{len(first)} of {len(wanted)}", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        print("ended early", file=sys.stderr, flush=True)
    checked(first)
    for timed, jobs in ((times.again, 1), (times.again_two, 2)):
        again = timed.run(len(first), partial(second_run, wanted[: len(first)], folder, jobs))
        if not all(outcome.cached for outcome in again):
            raise AssertionError("the second run measured again")
        if [outcome.measured for outcome in again] != [outcome.measured for outcome in first]:
            raise AssertionError("the second run gave something else")
    return times


def second_run(wanted: Sequence[Wanted], folder: Path, jobs: int) -> list[FileOutcome]:
    """Everything again, with what is in the cache."""
    with Cache.open(folder) as cache:
        return measure_many(wanted, cache=cache, jobs=jobs)


def show(times: Times, printer: Printer) -> None:
    """The table."""
    rows = [
        ("oscservice, one core", times.one),
        ("oscservice, two cores", times.two),
        *((f"loop around {name}, one core", timed) for name, timed in times.others.items()),
        ("oscservice again, all looked up, one core", times.again),
        ("oscservice again, all looked up, two cores", times.again_two),
    ]
    printer.table(
        ("", "notes", "seconds", "notes a second", "times the first line"),
        [
            [name, str(t.notes), f"{t.seconds:.1f}", f"{t.rate:.1f}", f"{t.rate / times.one.rate:.2f}"]
            for name, t in rows
        ],
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark; prints a markdown table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notes", type=int, default=10_000)
    parser.add_argument("--slices", type=int, default=20, help="how often one has its turn after another")
    parser.add_argument("--quick", action="store_true", help="200 notes in 2 slices")
    options = parser.parse_args(argv)
    notes, slices = (200, 2) if options.quick else (options.notes, options.slices)
    if not 0 < slices <= notes:
        parser.error("--slices must be at least 1 and at most --notes")
    printer = Printer(markdown=True)
    printer.heading(f"An archive of {notes} notes")
    printer.remark(machine("one or two used") + ".")
    others = [peer for peer in all_peers() if peer.name in OTHERS and peer.installed]
    for name in sorted(set(OTHERS) - {peer.name for peer in others}):
        printer.remark(f"{name} is left out: {INSTALL}.")
    with tempfile.TemporaryDirectory() as folder:
        wanted = made(Path(folder), notes)
        show(measure(wanted, others, Path(folder) / "cache", slices), printer)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
