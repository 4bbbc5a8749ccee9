"""Benchmark: the number of plucks of a set-up, by phase.

    python tests/bench/plucks.py [SET-UPS]

Without sound; saddles misplaced by up to 4 mm, strings up to 25 cents out of tune, a scatter of fretted plucks of 0.6
cents.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import silent

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import Place
from oscservice.simulate.guitar_builder import rig_of

PRESETS = ("six-string-648", "six-string-628")
TOLERANCES_CENTS = (1.0, 2.0)
SCATTER_CENTS = 0.6
ASTRAY_MM = 4.0
DETUNED_CENTS = 25.0
PHASES = ("tuning", "comparing", "moving", "retuning", "proving")


@dataclass(frozen=True)
class Result:
    """One set-up: plucks by phase, strings that ended outside the tolerance, moves."""

    plucks: Counter[str]
    missed: int
    moves: int
    strings: int


class _Counted(silent.Work):
    """Work whose plucks are counted by phase."""

    def pluck(self, string: int, place: Place) -> None:
        self.by_phase[str(self.state.phase)] += 1
        super().pluck(string, place)

    by_phase: Counter[str]


def one(job: tuple[str, float, int]) -> Result:
    """Set up the guitar of a preset and seed to a tolerance in cents."""
    preset, tolerance_cents, seed = job
    instrument = load_instrument(preset)
    draw = random.Random(seed)
    count = len(instrument.strings)
    rig = rig_of(
        instrument,
        saddle_error_mm=[draw.uniform(-ASTRAY_MM, ASTRAY_MM) for _ in range(count)],
        detune_cents=[draw.uniform(-DETUNED_CENTS, DETUNED_CENTS) for _ in range(count)],
    )
    work = _Counted(instrument, silent.SilentBench(rig, seed, SCATTER_CENTS), seed, 0.2, False)
    work.by_phase = Counter()
    done = silent.run(work, tolerance_cents)
    missed = sum(abs(error) > tolerance_cents for error in done.errors_cents.values())
    return Result(work.by_phase, missed, sum(map(len, done.moves_mm.values())), count)


def main() -> int:
    """Run, print a row each."""
    set_ups = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    print(f"bridge          tolerance  plucks a string  {'  '.join(PHASES)}  moves  missed")
    with ProcessPoolExecutor(max_workers=2) as pool:
        for preset in PRESETS:
            for tolerance in TOLERANCES_CENTS:
                found = list(pool.map(one, [(preset, tolerance, seed) for seed in range(1, set_ups + 1)]))
                strings = sum(result.strings for result in found)
                total: Counter[str] = sum((result.plucks for result in found), Counter())
                phases = "  ".join(f"{total[phase] / strings:{len(phase)}.1f}" for phase in PHASES)
                moves = sum(result.moves for result in found) / strings
                missed = sum(result.missed for result in found)
                each = total.total() / strings
                print(
                    f"{preset:15s} {tolerance:9.1f} {each:16.1f}  {phases}  {moves:5.2f}  {missed} of {strings}",
                    flush=True,
                )
    return 0


if __name__ == "__main__":
    sys.exit(main())
