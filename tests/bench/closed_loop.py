"""Benchmark: whole set-ups on every kind of bridge, by hands that place a saddle within 0.2 mm.

    python tests/bench/closed_loop.py [SEEDS] [FIRST SEED]

The guitars are the simulator's own mechanics, saddles up to 4 mm astray (on a fixed one twice as far as its crown has
room), strings up to 25 cents out of tune. Where strings share saddles, these are 3 mm astray, and each string's part of
them 0.4 mm beside. The session is told to settle for 2 cents. A string is right if it ends within that at fret 12; if
it was declared out of travel, and its true saddle lies beyond the bridge's; or, where strings share saddles, if it ends
within what the best place of them all would leave, and half the tolerance: that place is searched for on the guitar
itself. Moves are counted for the string that an adjuster goes by.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from silent import saddle_travel_mm, set_up

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import Instrument
from oscservice.session.vocabulary import Status
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig

TOLERANCE_CENTS = 2.0
ASTRAY_MM = 4.0
SHARED_ASTRAY_MM = 3.0
OWN_ASTRAY_MM = 0.4
DETUNED_CENTS = 25.0
PRESETS = ("six-string-648", "six-string-628", "six-string-648-paired", "six-string-628-bar", "acoustic-645")


@dataclass(frozen=True)
class Result:
    """One string of one guitar."""

    needed_move: bool
    moves: int
    right: bool
    first_time: bool
    out_of_travel: bool
    error_cents: float
    plucks: int


def one(job: tuple[str, int]) -> list[Result]:
    """Set up the guitar of a preset and seed."""
    preset, seed = job
    draw = random.Random(f"closed loop {preset} {seed}")
    instrument = load_instrument(preset)
    adjusters = instrument.bridge.adjusters
    shared = any(len(adjuster.influence) > 1 for adjuster in adjusters)
    room_mm = min(min(a.toward_nut_mm, a.away_mm) for a in adjusters)
    numbers = range(1, len(instrument.strings) + 1)
    if shared:
        moved = [draw.uniform(-SHARED_ASTRAY_MM, SHARED_ASTRAY_MM) for _ in adjusters]
        together = [sum(a.influence.get(n, 0.0) * mm for a, mm in zip(adjusters, moved, strict=True)) for n in numbers]
        astray = [mm + draw.uniform(-OWN_ASTRAY_MM, OWN_ASTRAY_MM) for mm in together]
    else:
        astray_mm = min(ASTRAY_MM, 2.0 * room_mm)
        astray = [draw.uniform(-astray_mm, astray_mm) for _ in numbers]
    rig = rig_of(
        instrument,
        saddle_error_mm=astray,
        detune_cents=[draw.uniform(-DETUNED_CENTS, DETUNED_CENTS) for _ in numbers],
    )
    true_mm = {n: rig.find_saddle_in_tune_mm(n) - rig.saddle_mm(n) for n in numbers}
    reach = {n: saddle_travel_mm(rig, n) for n in numbers}
    best = _best(instrument, rig) if shared else dict.fromkeys(numbers, 0.0)
    started = {n: rig.error_cents(n) for n in numbers}
    done = set_up(instrument, rig, seed, tolerance_cents=TOLERANCE_CENTS)
    results = []
    for n in numbers:
        error, moves = abs(done.errors_cents[n]), len(done.moves_mm[n])
        beyond = not reach[n][0] - 0.1 <= true_mm[n] <= reach[n][1] + 0.1
        out = done.statuses[n] is Status.OUT_OF_TRAVEL
        limit = max(TOLERANCE_CENTS, abs(best[n]) + TOLERANCE_CENTS / 2.0)
        right = error <= limit or (out and (beyond or abs(best[n]) > TOLERANCE_CENTS))
        results.append(Result(abs(started[n]) > limit, moves, right, right and moves <= 1, out, error, done.plucks[n]))
    return results


def _best(instrument: Instrument, rig: Rig) -> dict[int, float]:
    """Errors that the best places of all adjusters leave, within their travel, by search on the guitar itself."""
    numbers = range(1, len(instrument.strings) + 1)
    # Errors are so nearly straight in mm that two points of each string's own saddle tell its line.
    start = np.array([rig.error_cents(n) for n in numbers])
    slope = -start / np.array([rig.find_saddle_in_tune_mm(n) - rig.saddle_mm(n) for n in numbers])
    influence = np.array([[a.influence.get(n, 0.0) for a in instrument.bridge.adjusters] for n in numbers])
    bounds = [(-a.toward_nut_mm, a.away_mm) for a in instrument.bridge.adjusters]

    def left(mm: np.ndarray) -> np.ndarray:
        return start + slope * (influence @ mm)

    found = minimize(lambda mm: float(np.sum(left(mm) ** 2)), np.zeros(len(bounds)), bounds=bounds)
    return dict(zip(numbers, left(found.x).tolist(), strict=True))


def main() -> int:
    """Run, print a row a kind of bridge; 1 if a goal is missed on one of them."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    missed = 0
    print("bridge                  strings  right  first time  moves a mover  out of travel  mean error  worst  plucks")
    for preset in PRESETS:
        began = time.perf_counter()
        with ProcessPoolExecutor(max_workers=2) as pool:
            found = [r for rs in pool.map(one, [(preset, s) for s in range(first, first + seeds)]) for r in rs]
        missed += _row(preset, found, time.perf_counter() - began)
    return 1 if missed else 0


def _row(preset: str, found: list[Result], took_s: float) -> int:
    movers = [r for r in found if r.needed_move and not r.out_of_travel]
    right = _share(r.right for r in found)
    first_time = _share(r.first_time for r in movers)
    moves = sum(r.moves for r in movers) / max(1, len(movers))
    errors = [r.error_cents for r in found if not r.out_of_travel]
    print(
        f"{preset:23s} {len(found):7d} {right:6.1%} {first_time:11.1%} {moves:14.2f} "
        f"{sum(r.out_of_travel for r in found):14d} {sum(errors) / len(errors):11.2f} {max(errors):6.2f} "
        f"{sum(r.plucks for r in found) / len(found):7.1f}   ({took_s:.0f} s)",
        flush=True,
    )
    return int(right < 1.0) + int(first_time < 0.9) + int(moves > 1.1)


def _share(flags: Iterable[bool]) -> float:
    told = list(flags)
    return sum(told) / len(told) if told else 1.0


if __name__ == "__main__":
    sys.exit(main())
