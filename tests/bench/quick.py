"""Benchmark: the quick check, without sound. How often does it cry wolf, and how often is a drift found?

    python tests/bench/quick.py [SEEDS] [FIRST SEED]

Each guitar is set up (over fret 12, as ``closed_loop`` does), left as it is or put out on one string, and checked. Put
out means: the peg turned by a multiple of the tuning window, or the saddle moved by what makes so many tolerances at
fret 12 and the string brought back to pitch; of a screw-driven bridge, whose saddles move under the strings. A drift
that was not put there is a false alarm, also on the same guitar's other strings; half-way values are not counted
either way. Truth is the simulator's own mechanics.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from planted import Planted, drifted
from silent import SilentBench, quick_check, set_up

from oscservice.instrument.instrument_file import load_instrument
from oscservice.session.next_pluck import TUNING_WINDOW_CENTS
from oscservice.session.session_results import summary_of
from oscservice.session.vocabulary import Check, Drift
from oscservice.simulate.guitar_builder import rig_of

PRESET = "six-string-628"
PUT_OUT = (0.0, 1.0, 2.0, 3.0)
TOLERANCES_CENTS = (2.0, 1.0)


@dataclass(frozen=True)
class Checked:
    """A string that was checked: by what it was put out, in multiples of what matters, and what was said of it."""

    way: Drift
    times: float
    verdict: str
    what: str
    size_sd: float
    plucks: int


def one(job: tuple[int, float]) -> list[Checked]:
    """Every way of putting out one guitar, by its seed and the tolerance."""
    seed, tolerance_cents = job
    draw = random.Random(f"quick {seed}")
    instrument = load_instrument(PRESET)
    numbers = range(1, len(instrument.strings) + 1)
    astray, detuned = [draw.uniform(-3.0, 3.0) for _ in numbers], [draw.uniform(-25.0, 25.0) for _ in numbers]
    left = rig_of(instrument, saddle_error_mm=astray, detune_cents=detuned)
    against = summary_of(set_up(instrument, left, seed, tolerance_cents=tolerance_cents).state, "reference")
    found: list[Checked] = []
    for way in (Drift.TUNING, Drift.INTONATION):
        for times in PUT_OUT:
            string, sign = draw.choice(numbers), draw.choice((-1.0, 1.0))
            matters = TUNING_WINDOW_CENTS if way is Drift.TUNING else tolerance_cents
            rig = drifted(left, Planted(string, way, sign * times * matters))
            state, plucks = quick_check(instrument, against, SilentBench(rig, draw.getrandbits(32)))
            for number in numbers:
                said = state.string(number).check
                if said is None:
                    continue
                out = sign * times * matters if number == string else 0.0
                size, se = (
                    (said.tuning_cents, said.tuning_se_cents)
                    if way is Drift.TUNING
                    else (said.intonation_cents, said.intonation_se_cents)
                )
                own = times if number == string else 0.0
                found.append(Checked(way, own, said.verdict, said.what, (size - out) / se, plucks[number]))
    return found


def report(results: Iterable[Checked]) -> str:
    """Rates by way and size."""
    results = list(results)
    lines = [f"{'put out':>22}  strings  holds  unsure  drifted  in that way  plucks  size, sd off (RMS)"]
    for way in (Drift.TUNING, Drift.INTONATION):
        for times in PUT_OUT:
            of = [r for r in results if r.way is way and r.times == times]
            if not of:
                continue
            share = {word: sum(r.verdict == word for r in of) / len(of) for word in Check}
            right = sum(r.what == way for r in of) / len(of)
            rms = (sum(r.size_sd**2 for r in of) / len(of)) ** 0.5
            plucks = sum(r.plucks for r in of) / len(of)
            name = f"{way} {times:g} x"
            lines.append(
                f"{name:>22}  {len(of):7d}  {share[Check.HOLDS]:5.1%}  {share[Check.UNSURE]:6.1%}  "
                f"{share[Check.DRIFTED]:7.1%}  {right:11.1%}  {plucks:6.1f}  {rms:.2f}"
            )
    return "\n".join(lines)


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for tolerance_cents in TOLERANCES_CENTS:
        began = time.monotonic()
        with ProcessPoolExecutor() as pool:
            jobs = [(seed, tolerance_cents) for seed in range(first, first + seeds)]
            results = [result for some in pool.map(one, jobs) for result in some]
        took = f"{time.monotonic() - began:.0f} s"
        print(f"tolerance {tolerance_cents:g} cents, tuning window {TUNING_WINDOW_CENTS:g} cents ({took})")
        print(report(results), flush=True)


if __name__ == "__main__":
    main()
