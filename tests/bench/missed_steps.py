"""Mistakes at a silent bench: how many the session notices before they cost a comparison, and how many it imagines.

    python tests/bench/missed_steps.py [SET-UPS WITH A MISTAKE] [SET-UPS WITHOUT]

Every set-up is of the spring-balanced bridge with clamped saddles, a locking nut and fine tuners. A mistake is made
once. It is noticed in time if the session tells it before the string it concerns was judged more often than once after
it. A mistake without effect (fine tuners off the middle that still had room) counts as harmless, not as noticed. Ends
with 1 if fewer than 95 % of the others are noticed, or notices come in more than 2 % of set-ups without a mistake.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1]))

from bench.silent import LET_DOWN_CENTS, SilentBench, Work, run

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.decide import decide
from oscservice.session.replay import fold
from oscservice.session.vocabulary import MissedStep
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.mistakes import Mistake

INSTRUMENT = "six-string-648-locking"
LEAST_MOVE_MM = 1.2
"""Mistakes with a saddle are made at a move of at least this: one of a few tenths is no more than its own errors."""

TOLERANCE_CENTS = 2.0
WORST_MM = 3.0
WORST_CENTS = 25.0

_FITS: dict[Mistake, set[MissedStep]] = {
    Mistake.FINE_TUNERS: {MissedStep.FINE_TUNER_AT_END},
    Mistake.NUT_CLAMP: {MissedStep.NUT_STILL_CLOSED},
    Mistake.NUT_LOCK: {MissedStep.NUT_STILL_OPEN},
    Mistake.PEG_WHEN_LOCKED: {MissedStep.FINE_TUNER_AT_END},
    Mistake.WRONG_PEG: {MissedStep.NUT_STILL_CLOSED, MissedStep.WRONG_WAY},
    Mistake.WRONG_WAY: {MissedStep.WRONG_WAY},
    Mistake.SLACKENING: {MissedStep.NOT_SLACK},
    Mistake.WRONG_STRING: {MissedStep.WRONG_STRING_SLACK, MissedStep.NOT_SLACK},
    Mistake.SADDLE_MOVE: {MissedStep.SADDLE_NOT_MOVED, MissedStep.SADDLE_MOVED_OTHERWISE},
    Mistake.SADDLE_WAY: {MissedStep.SADDLE_MOVED_WRONG_WAY},
    Mistake.SADDLE_CLAMP: {
        MissedStep.SADDLE_NOT_MOVED,
        MissedStep.SADDLE_MOVED_WRONG_WAY,
        MissedStep.SADDLE_MOVED_OTHERWISE,
    },
    Mistake.STRETCHING: {MissedStep.STILL_STRETCHING},
}
"""The notices that tell a mistake."""


class Forgetful(Work):
    """Hands that make one mistake, once, and put it right when it is noticed."""

    def __init__(self, instrument: Instrument, rig: Rig, seed: int, mistake: Mistake | None) -> None:
        super().__init__(instrument, SilentBench(rig, seed), seed, 0.2, False)
        self.mistake = mistake
        self.made = False
        self.string = 0
        self.judged_after = 0
        self.notices: list[ev.MissedStepNoticed] = []
        self.noticed_after: int | None = None
        self._put_right: tuple[int, float] | None = None

    def do(self, command: cm.Command) -> None:
        events = decide(self.state, command).events
        self.state = fold(events, self.state)
        for event in events:
            if isinstance(event, ev.StringJudged) and self.made and event.string == self.string:
                self.judged_after += 1
            if isinstance(event, ev.MissedStepNoticed):
                self.notices.append(event)
                if self.made and self.noticed_after is None and event.what in _FITS[self.mistake or Mistake.WRONG_PEG]:
                    self.noticed_after = self.judged_after

    def step(self, code: str) -> None:
        self._undo_what_was_noticed()
        super().step(code)

    def _errs(self, mistake: Mistake, string: int) -> bool:
        """True once, for the mistake to be made."""
        if self.made or self.mistake is not mistake:
            return False
        self.made, self.string = True, string
        return True

    def _undo_what_was_noticed(self) -> None:
        if self._put_right is None or self.state.notice is None:
            return
        string, cents = self._put_right
        self.bench.rig.turn_peg(string, cents)
        self._put_right = None

    def _by_hand(self, code: str) -> None:
        mistake = {
            "centre_fine_tuners": Mistake.FINE_TUNERS,
            "open_nut": Mistake.NUT_CLAMP,
            "close_nut": Mistake.NUT_LOCK,
        }.get(code)
        if mistake is None or not self._errs(mistake, self.state.focus):
            super()._by_hand(code)

    def _turn_peg(self, string: int, cents: float, least_cents: float = 0.5) -> None:
        tuned = least_cents == 0.5 and abs(cents) > 8.0
        other = string % len(self.instrument.strings) + 1
        if tuned and self._errs(Mistake.WRONG_PEG, string):
            self.bench.rig.turn_peg(other, cents)
            self._put_right = other, -cents
        elif tuned and self._errs(Mistake.WRONG_WAY, string):
            super()._turn_peg(string, -cents)
        else:
            super()._turn_peg(string, cents, least_cents)

    def _tune(self, string: int, cents: float) -> None:
        locked = self.bench.rig.is_clamped(string) and bool(self.state.nut_closed)
        if locked and abs(cents) > 3.0 and self._errs(Mistake.PEG_WHEN_LOCKED, string):
            self.bench.rig.turn_peg(string, cents)
            self._put_right = string, -cents
            return
        if self.state.notice is not None and self.state.notice.what == MissedStep.STILL_STRETCHING:
            self.bench.rig.stretch(string)
        super()._tune(string, cents)

    def _bring_up(self, string: int, near_cents: float = 60.0) -> None:
        if self.state.notice is not None and self.state.notice.what == MissedStep.STILL_STRETCHING:
            self.bench.rig.stretch(string)
        super()._bring_up(string, near_cents)

    def _let_down(self, string: int, code: str) -> None:
        other = string % len(self.instrument.strings) + 1
        if self._errs(Mistake.SLACKENING, string):
            return
        if self._errs(Mistake.WRONG_STRING, string):
            self.bench.rig.turn_peg(other, LET_DOWN_CENTS * 2.0)
            self._put_right = other, -LET_DOWN_CENTS * 2.0
            return
        super()._let_down(string, code)

    def _move_saddle(self, string: int) -> None:
        advice = self.state.string(string).advice
        assert advice is not None
        if abs(advice.mm) >= LEAST_MOVE_MM:
            if self._errs(Mistake.SADDLE_MOVE, string):
                return
            if self._errs(Mistake.SADDLE_WAY, string):
                self.bench.rig.move_saddle(string, -advice.mm)
                return
            if self._errs(Mistake.SADDLE_CLAMP, string):
                self.bench.rig.move_saddle(string, advice.mm, clamp=False)
                return
        super()._move_saddle(string)


@dataclass(frozen=True)
class Outcome:
    """One set-up: whether the mistake was made, what was noticed, and by how many judgements too late."""

    made: bool
    in_time: bool
    notices: tuple[str, ...]
    worst_cents: float
    plucks: int


def rig_to_set_up(instrument: Instrument, seed: int, faults: Faults = SOUND) -> Rig:
    """A guitar as a technician finds it: the nut closed, fine tuners anywhere, saddles and tuning off."""
    draw = random.Random(f"guitar {seed}")
    numbers = range(len(instrument.strings))
    return rig_of(
        instrument,
        saddle_error_mm=[draw.uniform(-WORST_MM, WORST_MM) for _ in numbers],
        detune_cents=[draw.uniform(-WORST_CENTS, WORST_CENTS) for _ in numbers],
        faults=faults,
        as_found=True,
        seed=seed,
    )


def one(instrument: Instrument, seed: int, mistake: Mistake | None) -> Outcome:
    """One set-up."""
    faults = SOUND
    if mistake is Mistake.STRETCHING:
        faults = Faults(unstretched_mm={random.Random(f"string {seed}").randint(1, 6): 0.6})
    work = Forgetful(instrument, rig_to_set_up(instrument, seed, faults), seed, mistake)
    if mistake is Mistake.STRETCHING:
        work.made, work.string = True, next(iter(faults.unstretched_mm))
    account = run(work, TOLERANCE_CENTS)
    in_time = work.noticed_after is not None and work.noticed_after <= 1
    return Outcome(
        work.made,
        in_time,
        tuple(notice.what for notice in work.notices),
        max(abs(cents) for cents in account.errors_cents.values()),
        sum(account.plucks.values()),
    )


def main() -> int:
    """Run all; 0 if the goals are met."""
    wrong = int(sys.argv[1]) if len(sys.argv) > 1 else 204
    right = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    instrument = load_instrument(INSTRUMENT)
    made = noticed = harmless = 0
    for kind in Mistake:
        outcomes = [one(instrument, seed, kind) for seed in range(wrong // len(Mistake))]
        free = kind is Mistake.FINE_TUNERS
        idle = [o for o in outcomes if free and not o.notices and o.worst_cents <= TOLERANCE_CENTS]
        done = [o for o in outcomes if o.made and o not in idle]
        seen = sum(o.in_time for o in done)
        missed = Counter(what for o in done if not o.in_time for what in (o.notices or ("nothing",)))
        off = sum(o.worst_cents > TOLERANCE_CENTS for o in outcomes)
        print(f"{kind:16} made {len(done):3}, noticed in time {seen:3}, off in the end {off}; else: {dict(missed)}")
        made, noticed, harmless = made + len(done), noticed + seen, harmless + len(idle)
    sound = [one(instrument, 1000 + seed, None) for seed in range(right)]
    false = [o for o in sound if o.notices]
    print(f"noticed in time: {noticed} of {made} ({noticed / max(made, 1):.1%}); without effect: {harmless}")
    print(f"without a mistake: notices in {len(false)} of {right}: {Counter(w for o in false for w in o.notices)}")
    strings = sum(o.worst_cents > TOLERANCE_CENTS for o in sound)
    print(f"set-ups without a mistake with a string over 2 cents in the end: {strings} of {right}")
    return int(noticed < 0.95 * made or len(false) > 0.02 * right)


if __name__ == "__main__":
    sys.exit(main())
