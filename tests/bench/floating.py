"""Benchmark: a spring-balanced bridge brought to pitch, with the session's targets and without.

    python tests/bench/floating.py [SEEDS] [FIRST SEED]

Each seed draws a set of strings (six-string .009, .010 and .011, seven-string), 2 to 5 springs of 1.5 to 5 N/mm, cores
up to a tenth off what the file says, and how freely the strings slide over the nut. The guitar is the simulator's own
mechanics, which solve the balance of strings and springs directly. Pegs are turned as in ``silent.py`` (errors of 6 %
and half a cent), and a reading scatters by 0.15 cents. In a round each string that needs it is brought to its target
once, or without targets each string to its pitch until it is within the same window. It is done when every string is
truly within 2 cents.

Starts: all strings 100 cents flat, the guitar tuned a whole tone down from where it stood in tune, only the thickest
string a tone down, each string up to 30 cents astray, and a full set wound on anew from slack strings.
"""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from silent import PEG_CENTS, PEG_SHARE, SilentBench

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import NewGauge, tuned_by, with_gauges, with_notes
from oscservice.instrument.pitch import OPEN
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session.commands import Ignored
from oscservice.session.decide import decide
from oscservice.session.next_pluck import BROUGHT_CENTS
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.spring_bridge import BridgeBuild

DONE_CENTS = 2.0
MOST_ROUNDS = 15
STARTS = ("100 flat", "tone down", "one tone down", "astray", "slack")
_GAUGES_IN = {
    ".009": (0.009, 0.011, 0.016, 0.024, 0.032, 0.042),
    ".010": (0.010, 0.013, 0.017, 0.026, 0.036, 0.046),
    ".011": (0.011, 0.014, 0.018, 0.028, 0.038, 0.049),
}
_MOST_STEPS = 1000
_SLACK_CENTS = -700.0


@dataclass(frozen=True)
class Result:
    """The work on one guitar.

    Attributes:
        rounds: with targets, until every string was within DONE_CENTS; MOST_ROUNDS if it never was.
        rounds_without: the same without targets.
        after_two_cents: the worst string after two rounds.
        plucks: a string, until the session went on.
        end_cents: the worst string then.
        coupling_off: how far the learned coupling is off after one round: the rms of all pairs over the rms of the
            coupling.
        pairs_right: share of the pairs that are within a fifth.
    """

    rounds: int
    rounds_without: int
    after_two_cents: float
    plucks: float
    end_cents: float
    coupling_off: float
    pairs_right: float


def one(job: tuple[str, int]) -> Result:
    """Tune the guitar of a start and a seed, with targets and without."""
    start, seed = job
    instrument = _instrument(start, seed)
    hands = _Hands(instrument, _rig(start, seed, instrument), seed)
    hands.work()
    without = _Alone(instrument, _rig(start, seed, instrument), seed).rounds()
    true = true_coupling(_rig("", seed, instrument))
    learned = hands.learned
    off, others = learned - true, ~np.eye(len(true), dtype=bool)
    return Result(
        hands.rounds_done,
        without,
        hands.after[min(2, len(hands.after)) - 1],
        hands.plucks / len(true),
        hands.after[-1],
        float(np.sqrt(np.mean(off[others] ** 2) / np.mean(true[others] ** 2))),
        float(np.mean(np.abs(off[others]) <= 0.2 * np.abs(true[others]))),
    )


def true_coupling(rig: Rig) -> NDArray[np.float64]:
    """Shape (strings, strings): cents that row moves per cent that column is tuned, by turning each peg a little."""
    numbers = range(1, len(rig.builds) + 1)
    columns = []
    for turned in numbers:
        before = [rig.open_hz(n) for n in numbers]
        rig.turn_peg(turned, 2.0)
        moved = [1200.0 * math.log2(rig.open_hz(n) / hz) for n, hz in zip(numbers, before, strict=True)]
        rig.turn_peg(turned, -2.0)
        columns.append(np.array(moved) / moved[turned - 1])
    return np.array(columns).T


def _instrument(start: str, seed: int) -> Instrument:
    kinds = [*_GAUGES_IN, "seven"]
    kind = kinds[seed % len(kinds)]
    if kind == "seven":
        instrument = load_instrument("seven-string-648")
        bridge = load_instrument("six-string-648").bridge
        instrument = instrument.model_copy(
            update={"bridge": instrument.bridge.model_copy(update={"floating": True, "slacken": bridge.slacken})}
        )
    else:
        gauges = {n: NewGauge(inch * 25.4) for n, inch in enumerate(_GAUGES_IN[kind], start=1)}
        instrument = with_gauges(load_instrument("six-string-648"), gauges)
    if start == "tone down":
        return tuned_by(instrument, -2)
    if start == "one tone down":
        notes = [string.note for string in instrument.strings]
        return with_notes(instrument, [*notes[:-1], {"E2": "D2", "B1": "A1"}[notes[-1]]])
    return instrument


def _rig(start: str, seed: int, instrument: Instrument) -> Rig:
    draw = random.Random(f"floating {seed}")
    springs = BridgeBuild(True, draw.randint(2, 5), draw.uniform(1.5, 5.0))
    plain = rig_of(instrument)
    builds = [
        replace(
            build,
            slide=draw.uniform(0.2, 0.8),
            core_mm=build.core_mm * (1.0 + (draw.uniform(-0.1, 0.1) if spec.wound else 0.0)),
        )
        for build, spec in zip(plain.builds, instrument.strings, strict=True)
    ]
    count = len(builds)
    detune = {
        "100 flat": [-100.0] * count,
        "tone down": [200.0] * count,
        "one tone down": [0.0] * (count - 1) + [200.0],
        "astray": [draw.uniform(-30.0, 30.0) for _ in range(count)],
    }.get(start)
    saddles = [spec.setback_mm for spec in instrument.strings]
    rig = Rig(builds, springs, saddle_mm=saddles, detune_cents=detune)
    if start == "slack":
        for n in range(1, count + 1):
            rig.turn_peg(n, _SLACK_CENTS)
    return rig


class _Alone:
    """A technician who brings each string to its pitch, round after round."""

    def __init__(self, instrument: Instrument, rig: Rig, seed: int) -> None:
        self.rig = rig
        self.numbers = list(range(len(rig.builds), 0, -1))
        self.bench = SilentBench(rig, seed)
        self.hz = {n: instrument.open_hz(n) for n in self.numbers}
        self._random = random.Random(f"hands {seed}")

    def rounds(self) -> int:
        """Return the number of rounds until every string is within DONE_CENTS."""
        for count in range(1, MOST_ROUNDS):
            for n in self.numbers:
                while abs(off := self.cents(n, self.bench.reading(n, OPEN).f1_hz)) > BROUGHT_CENTS:
                    self.turn(n, -off)
            if self.worst() <= DONE_CENTS:
                return count
        return MOST_ROUNDS

    def cents(self, string: int, hz: float) -> float:
        """A pitch of an open string, from its nominal."""
        return 1200.0 * math.log2(hz / self.hz[string])

    def worst(self) -> float:
        """Return the true deviation of the worst string, in cents."""
        return max(abs(self.cents(n, self.rig.open_hz(n))) for n in self.numbers)

    def turn(self, string: int, cents: float) -> None:
        """Turn a peg by about so much."""
        astray = self._random.gauss(0.0, min(abs(cents) * PEG_SHARE, 25.0)) + self._random.gauss(0.0, PEG_CENTS)
        self.rig.turn_peg(string, cents + astray)


class _Hands(_Alone):
    """A technician who follows the prompts until all strings are in tune."""

    def __init__(self, instrument: Instrument, rig: Rig, seed: int) -> None:
        super().__init__(instrument, rig, seed)
        self.state = State()
        self.plucks = 0
        self.after: list[float] = []
        self.learned = np.zeros((0, 0))
        self._do(cm.Begin(instrument, "floating", DONE_CENTS))
        self._do(cm.Inspect("all", "passed"))

    @property
    def rounds_done(self) -> int:
        """Rounds until every string was within DONE_CENTS, and MOST_ROUNDS if it never was."""
        return next((n for n, worst in enumerate(self.after, start=1) if worst <= DONE_CENTS), MOST_ROUNDS)

    def work(self) -> None:
        """Tune until the session goes on to comparing."""
        for _ in range(_MOST_STEPS):
            under_way = any(string.awaits for string in self.state.strings)
            self._step()
            left = any(string.awaits for string in self.state.strings)
            if under_way and not left:
                self._round_done()
            if self.state.phase is not Phase.TUNING:
                if not self.after:
                    self._round_done()
                return
        raise AssertionError(f"no end to the tuning, at {prompt(self.state).text}")

    def _round_done(self) -> None:
        self.after.append(self.worst())
        if len(self.after) == 1:
            assert self.state.balance is not None
            self.learned = self.state.balance.coupling()

    def _step(self) -> None:
        number = self.state.focus
        string = self.state.string(number)
        if prompt(self.state).code in ("tune_up", "tune_down"):
            assert string.open_cents is not None
            self.turn(number, string.target_cents - string.open_cents)
        while string.open_cents is None and self.rig.is_slack(number):
            self.turn(number, min(1500.0, -self.cents(number, self.rig.open_hz(number))))
        self.plucks += 1
        try:
            self._do(cm.Hear(self.bench.reading(number, OPEN)))
        except Ignored as error:
            raise AssertionError(f"{error} ({prompt(self.state).text})") from None

    def _do(self, command: cm.Command) -> None:
        self.state = fold(decide(self.state, command).events, self.state)


def table(results: dict[str, list[Result]]) -> str:
    """Return a table of the results, a line for each start."""
    head = "start          within 2 cents after two rounds   rounds   without   plucks a string   worst at the end"
    lines = [head + "   coupling off   pairs within a fifth"]
    for start, found in results.items():
        right = sum(r.after_two_cents <= DONE_CENTS for r in found) / len(found)
        off = [r.coupling_off for r in found]
        without = [r.rounds_without for r in found]
        columns = (
            f"{start:<15}{right:>8.0%}",
            f"{np.mean([min(r.rounds, MOST_ROUNDS) for r in found]):>26.1f}",
            f"{np.mean(without):>9.1f} ({min(without)} to {max(without)})",
            f"{np.mean([r.plucks for r in found]):>9.1f}",
            f"{np.max([r.end_cents for r in found]):>16.1f}",
            f"{np.median(off):>17.0%} ({np.quantile(off, 0.95):.0%})",
            f"{np.mean([r.pairs_right for r in found]):>12.0%}",
        )
        lines.append(" ".join(columns))
    return "\n".join(lines)


def run(seeds: Iterable[int], starts: Iterable[str] = STARTS) -> dict[str, list[Result]]:
    """All starts with all seeds."""
    jobs = [(start, seed) for start in starts for seed in seeds]
    with ProcessPoolExecutor(2) as pool:
        done = list(pool.map(one, jobs, chunksize=5))
    return {start: [r for r, (of, _) in zip(done, jobs, strict=True) if of == start] for start, _ in jobs}


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    print(table(run(range(first, first + count))))


if __name__ == "__main__":
    main()
