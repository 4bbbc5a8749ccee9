"""Benchmark: simulated guitars with one random fault each, or none. Is the right cause named, and nothing else?

    python tests/bench/recovery.py [GUITARS] [FIRST SEED]

The guitars are the simulator's own mechanics; nothing of what is measured here shares a formula with them. Every guitar
strays from its file as a sound one may; then one fault is drawn, between 5 and 15 cents at the worst of the frets
compared: beyond 5 cents is a fault, within 2 is good (Mottola, Savart Journal, second-hand). Of a magnet's pull any
strings that are named count as the right ones: it pulls all of them, more or less. A thorough session is held on each,
by hands that scatter, through the session itself, without sound.

A move is in vain if the string's fault is one that no saddle cures, and the worst of its errors was not halved by it.
(A string whose mass differs near the saddle can do just what a saddle does: then a saddle cures it.)
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

from silent import set_up

from oscservice.advice.causes import Cause
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar_builder import Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.pickup_magnet import PickupMagnet
from oscservice.simulate.uneven_string import Uneven

FRETS = (1, 3, 5, 7, 12, 17)
PRESETS = ("six-string-648", "six-string-628", "seven-string-648")
HEARD_CENTS = (5.0, 15.0)
NONE = "none"
KINDS = (NONE, *Cause)

NUT_SLOT_MM = (0.2, 1.0)
NUT_SHIFT_MM = (1.2, 3.0)
TAKEN_UP_MM = (0.006, 0.04)
FRET_SHIFT_MM = (0.5, 2.0)
ACTION_MM = (1.0, 2.2)
SADDLE_MM = (-4.5, 4.5)
SET_MM = 0.35
SCATTER_CENTS = (4.0, 7.0)
UNEVEN_MASS = (0.01, 0.12)
UNEVEN_LENGTH_MM = (10.0, 300.0)
POLE_SHARE = (0.235, 0.275)
PULL_N_PER_M = (1.0, 20.0)
PULL_GROWTH = (0.0, 5.0)
PULLED = 0.2  # of the largest pull: less is no fault of a string


@dataclass(frozen=True)
class Case:
    """A guitar: its file, its mechanics, what is wrong with it and where (strings, fret)."""

    instrument: Instrument
    rig: Rig
    kind: str
    strings: tuple[int, ...]
    fret: int


def case(seed: int) -> Case:
    """The guitar of a seed; kinds of fault come in turn."""
    draw = random.Random(f"recovery {seed}")
    instrument = load_instrument(draw.choice(PRESETS))
    numbers = tuple(range(1, len(instrument.strings) + 1))
    kind = KINDS[seed % len(KINDS)]
    sound = Faults(
        core_factor={n: draw.gauss(1.0, 0.05 if instrument.string(n).wound else 0.01) for n in numbers},
        nut_raised_mm={n: draw.gauss(0.0, 0.04) for n in numbers},
        nut_shift_mm=draw.gauss(0.0, 0.06),
        action_raised_mm=draw.gauss(0.0, 0.1),
        take_up_mm=abs(draw.gauss(0.0, 0.0015)),
        fret_shift_mm={fret: draw.gauss(0.0, 0.025) for fret in FRETS},
        groove_mm={(n, fret): draw.gauss(0.0, 0.03) for n in numbers for fret in FRETS},
    )
    # It was set up well before the fault came about, but for what is drawn.
    spread = SADDLE_MM[1] if kind == Cause.SADDLE else SET_MM
    true = [_true_mm(instrument, sound, n) for n in numbers]
    saddles = [mm + draw.uniform(-spread, spread) for mm in true]
    without = rig_of(instrument, saddle_error_mm=saddles, faults=sound)
    for _ in range(1000):
        strings, fret, faults = _fault(draw, kind, instrument, sound)
        faulty = rig_of(instrument, saddle_error_mm=saddles, faults=faults)
        if kind in (NONE, Cause.SADDLE, Cause.SCATTER) or _heard(without, faulty, strings):
            break
    # The file has the places of the saddles, as read from a ruler.
    told = [
        spec.model_copy(update={"setback_mm": round(faulty.saddle_mm(n) + draw.gauss(0.0, 0.2), 1)})
        for n, spec in enumerate(instrument.strings, start=1)
    ]
    return Case(instrument.model_copy(update={"strings": tuple(told)}), faulty, kind, strings, fret)


def _true_mm(instrument: Instrument, sound: Faults, number: int) -> float:
    """Return the saddle place at which the string's fret 12 is in tune, relative to that of the guitar as filed."""
    here = rig_of(instrument, saddle_error_mm=[0.0] * len(instrument.strings), faults=sound)
    return here.find_saddle_in_tune_mm(number) - here.saddle_mm(number)


def _heard(sound: Rig, faulty: Rig, strings: Iterable[int]) -> bool:
    worst = max(abs(faulty.error_cents(n, f) - sound.error_cents(n, f)) for n in strings for f in FRETS)
    return HEARD_CENTS[0] <= worst <= HEARD_CENTS[1]


def _magnets(draw: random.Random, instrument: Instrument) -> dict[int, PickupMagnet]:
    """One pickup under all strings: a pull as the square of the gauge, and poles that differ."""
    share, pull, growth = draw.uniform(*POLE_SHARE), draw.uniform(*PULL_N_PER_M), draw.uniform(*PULL_GROWTH)
    thickest_mm = max(spec.gauge_mm for spec in instrument.strings)
    return {
        n: PickupMagnet(
            share * spec.scale_mm, pull * (spec.gauge_mm / thickest_mm) ** 2 * draw.uniform(0.8, 1.2), growth
        )
        for n, spec in enumerate(instrument.strings, start=1)
    }


def _fault(
    draw: random.Random, kind: str, instrument: Instrument, sound: Faults
) -> tuple[tuple[int, ...], int, Faults]:
    numbers = tuple(range(1, len(instrument.strings) + 1))
    one = draw.choice(numbers)
    match kind:
        case Cause.NUT_SLOT:
            raised = dict(sound.nut_raised_mm) | {one: draw.uniform(*NUT_SLOT_MM)}
            return (one,), 0, replace(sound, nut_raised_mm=raised)
        case Cause.NUT_PLACE:
            return numbers, 0, replace(sound, nut_shift_mm=draw.choice((-1, 1)) * draw.uniform(*NUT_SHIFT_MM))
        case Cause.FINGER:
            return numbers, 0, replace(sound, take_up_mm=draw.uniform(*TAKEN_UP_MM))
        case Cause.UNEVEN:
            length_mm = draw.uniform(*UNEVEN_LENGTH_MM)
            mass = draw.choice((-1, 1)) * draw.uniform(*UNEVEN_MASS)
            return (one,), 0, replace(sound, uneven={one: Uneven(draw.uniform(0.0, 0.95), length_mm, mass)})
        case Cause.FRET:
            fret = draw.choice(FRETS)
            shift = draw.choice((-1, 1)) * draw.uniform(*FRET_SHIFT_MM)
            return numbers, fret, replace(sound, fret_shift_mm=dict(sound.fret_shift_mm) | {fret: shift})
        case Cause.ACTION:
            return numbers, 0, replace(sound, action_raised_mm=draw.uniform(*ACTION_MM))
        case Cause.MAGNET:
            magnets = _magnets(draw, instrument)
            least = PULLED * max(magnet.pull_n_per_m for magnet in magnets.values())
            pulled = tuple(n for n, magnet in magnets.items() if magnet.pull_n_per_m >= least)
            return pulled, 0, replace(sound, pickup_pull=magnets)
        case Cause.SCATTER:
            return (one,), 0, replace(sound, scatter_cents={one: draw.uniform(*SCATTER_CENTS)})
    return numbers, 0, sound


@dataclass(frozen=True)
class Verdict:
    """The result of a case: named causes, right and wrong ones, and the number of moves advised in vain."""

    kind: str
    named: str
    right: bool
    wrong: bool
    moved_in_vain: int


STOPPED = (Cause.NUT_SLOT, Cause.NUT_PLACE, Cause.FINGER, Cause.UNEVEN, Cause.MAGNET, Cause.SCATTER)


def judge(seed: int) -> Verdict:
    """Hold the session, and hold what it named against what was wrong."""
    this = case(seed)
    before = {n: _worst(this.rig, n) for n in this.strings}
    done = set_up(this.instrument, this.rig, seed, frets="thorough")
    named = [(f.cause, this.strings if f.cause == Cause.MAGNET else f.strings, f.fret) for f in done.state.findings]
    saddles = tuple(n for n, moves in done.moves_mm.items() if moves)
    true = (this.kind, this.strings, this.fret)
    if this.kind in (NONE, Cause.SADDLE):
        right = not named and (bool(saddles) == (this.kind == Cause.SADDLE))
        wrong = bool(named)
    else:
        right = true in named
        wrong = any(one != true for one in named)
    moved = set(saddles) & set(this.strings) if this.kind in STOPPED else set()
    vain = sum(_worst(this.rig, n) > 0.5 * before[n] for n in moved)
    told = named[0][0] if named else (str(Cause.SADDLE) if saddles else NONE)
    return Verdict(this.kind, told, right, wrong, vain)


def _worst(rig: Rig, string: int) -> float:
    return max(abs(rig.error_cents(string, fret)) for fret in FRETS)


def tally(verdicts: Iterable[Verdict]) -> str:
    """The confusion table: a row for what was wrong, a column for what was named first."""
    rows = Counter((v.kind, v.named) for v in verdicts)
    width = max(len(kind) for kind in KINDS)
    lines = [" " * width + "".join(f"{kind.split()[0]:>8}" for kind in KINDS)]
    for kind in KINDS:
        cells = (rows[kind, named] for named in KINDS)
        lines.append(f"{kind:<{width}}" + "".join(f"{cell or '.':>8}" for cell in cells))
    return "\n".join(lines)


def main() -> int:
    """Run, print the table; 1 if fewer than 90 in 100 are right, more than 3 wrong, or a move was advised in vain."""
    guitars = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    began = time.perf_counter()
    with ProcessPoolExecutor(max_workers=2) as pool:
        verdicts = list(pool.map(judge, range(first, first + guitars), chunksize=9))
    print("What was wrong (row) and what was named first (column):\n")
    print(tally(verdicts))
    right, wrong = (sum(getattr(v, what) for v in verdicts) / len(verdicts) for what in ("right", "wrong"))
    vain = sum(v.moved_in_vain for v in verdicts)
    print(f"\nright cause named: {right:.1%}; a wrong cause named: {wrong:.1%}; moves in vain: {vain}")
    print(f"{guitars} guitars in {time.perf_counter() - began:.0f} s")
    return 0 if right >= 0.9 and wrong <= 0.03 and vain == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
