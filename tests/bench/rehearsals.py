"""Benchmark: rehearsals with seeds 1 to 20. Every string should end within 1.0 cent of true in at most 3 moves.

    python tests/bench/rehearsals.py [FIRST LAST]
    python tests/bench/rehearsals.py presets       every preset once, to 2 cents, a locking nut locked in the end

True is what the simulated guitar's own geometry says at fret 12, not what the daemon read.
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ProcessPoolExecutor

from oscservice.daemon.rehearsal import Rehearsed, rehearse
from oscservice.instrument.instrument_file import load_instrument, preset_names

TOLERANCE_CENTS = 1.0
PRESETS_CENTS = 2.0
MOST_MOVES = 3


def one(seed: int) -> tuple[int, Rehearsed, float]:
    """One rehearsal and the seconds it took."""
    began = time.perf_counter()
    result = rehearse(seed, "six-string-648", TOLERANCE_CENTS)
    return seed, result, time.perf_counter() - began


def of_preset(name: str) -> tuple[str, Rehearsed]:
    """One rehearsal of a preset."""
    return name, rehearse(1, name, PRESETS_CENTS)


def presets() -> int:
    """Rehearse every preset; 1 if a string missed, or a locking nut was left open."""
    wrong = 0
    with ProcessPoolExecutor(max_workers=2) as pool:
        for name, result in pool.map(of_preset, preset_names()):
            instrument = load_instrument(name)
            worst = max(abs(s.after_cents) for s in result.strings)
            moves = sum(len(s.moves_mm) for s in result.strings)
            plucks = sum(s.plucks for s in result.strings)
            good = result.prompt == "hand_over" and result.nut_locked is not False and worst <= PRESETS_CENTS
            wrong += not good
            print(
                f"{name:26} {instrument.bridge.balance:16} {instrument.bridge.saddle:14} {instrument.nut.kind:12} "
                f"{result.prompt:16} worst {worst:5.2f}  moves {moves:2}  plucks {plucks:3}  "
                f"notices {len(result.notices)}{'' if good else '  WRONG'}",
                flush=True,
            )
    return int(wrong > 0)


def main() -> int:
    """Run them all; 1 if a string missed."""
    if sys.argv[1:] == ["presets"]:
        return presets()
    first, last = (int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (1, 20)
    missed = 0
    moves: list[int] = []
    plucks: list[int] = []
    print("seed  worst before  worst after  most moves  plucks  bench s  took s")
    with ProcessPoolExecutor(max_workers=2) as pool:
        for seed, result, took_s in pool.map(one, range(first, last + 1)):
            strings = result.strings
            moves += [len(s.moves_mm) for s in strings]
            plucks += [s.plucks for s in strings]
            worst = max(abs(s.after_cents) for s in strings)
            most = max(len(s.moves_mm) for s in strings)
            missed += sum(abs(s.after_cents) > TOLERANCE_CENTS or len(s.moves_mm) > MOST_MOVES for s in strings)
            print(
                f"{seed:4d}  {max(abs(s.before_cents) for s in strings):12.2f}  {worst:11.2f}  {most:10d}  "
                f"{sum(s.plucks for s in strings):6d}  {result.bench_s:7.0f}  {took_s:6.1f}",
                flush=True,
            )
    count = len(moves)
    print(f"{missed} of {count} strings missed; {sum(moves) / count:.2f} moves a string, at most {max(moves)};")
    print(f"{sum(plucks) / count:.1f} plucks a string")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
