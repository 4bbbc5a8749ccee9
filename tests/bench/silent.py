"""The bench without sound: a simulated guitar's pitches go straight into the session, and hands follow its prompts.

A whole set-up takes a fraction of a second, so thousands can be run to see how the advice does on average. The pitches
are the guitar's own mechanics with the scatter of hand and ear on them; no audio is made or heard.
"""

from __future__ import annotations

import math
import random
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).parents[1]))  # a script that imports this has only its own folder there

from saddle_travel import saddle_travel_mm

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.hearing.reading import Reading
from oscservice.instrument.pitch import OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session.commands import Ignored
from oscservice.session.decide import decide
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import State
from oscservice.session.vocabulary import MissedStep, Status
from oscservice.simulate.guitar_mechanics import Rig

STIFFNESS_SE = 0.03
STRENGTH_DB = -22.0
STRENGTH_SD_DB = 0.9

PEG_SHARE = 0.06
PEG_CENTS = 0.5
"""Error of a peg: as a share of the way, and at least."""

FINE_TUNER_CENTS = 0.3
"""Error of a fine tuner, at least: it is finer than a peg."""

SLACKEN_CENTS = 700.0
LET_DOWN_CENTS = -200.0

_NEAR_PITCH_CENTS = 60.0
_WIND_CENTS = 1500.0
_MOST_STEPS = 4000


class SilentBench:
    """A guitar with readings but without sound.

    Args:
        rig: the guitar's mechanics; its own ``scatter_cents`` go before the bench's.
        seed: of hand and ear.
        scatter_cents: how far re-fretting moves a pitch, 1 sd.
        open_sd_cents: how far two readings of one open string (or its harmonic) lie apart, 1 sd.
        reading_se_cents: the standard error a reading states.
    """

    def __init__(
        self,
        rig: Rig,
        seed: int,
        scatter_cents: float = 0.8,
        open_sd_cents: float = 0.15,
        reading_se_cents: float = 0.1,
    ) -> None:
        self.rig = rig
        self._random = random.Random(seed)
        self._scatter_cents = scatter_cents
        self._open_sd_cents = open_sd_cents
        self._reading_se_cents = reading_se_cents

    def reading(self, string: int, place: Place) -> Reading:
        """Pluck a string at a place and read it. Raises ValueError for a string that isn't there."""
        stopped = self.rig.stopped(string, place)
        own = stopped.build.scatter_cents
        fretted_cents = self._scatter_cents if own is None else own
        off_cents = self._random.gauss(0.0, fretted_cents if stopped.fretted else self._open_sd_cents)
        first_hz, *_, fourth_hz = (float(hz) for hz in stopped.partials_hz(4))
        squared = (fourth_hz / (4.0 * first_hz)) ** 2
        # f_k = k f0 sqrt(1 + B k^2) at k = 1 and 4. A worn string may not follow it at all: B is never below 0.
        stiffness = max((squared - 1.0) / (16.0 - squared), 0.0)
        stiffness_se = STIFFNESS_SE * max(stiffness, 1e-6)
        heard_stiffness = max(stiffness + self._random.gauss(0.0, stiffness_se), 0.0)
        f1_hz = first_hz * math.pow(2.0, off_cents / 1200.0)
        string_hz = f1_hz * math.pow(2.0, self._random.gauss(0.0, self._reading_se_cents) / 1200.0)
        strength_db = STRENGTH_DB + self._random.gauss(0.0, STRENGTH_SD_DB)
        return Reading(
            f1_hz=f1_hz,
            se_cents=self._reading_se_cents,
            f0_hz=string_hz / math.sqrt(1.0 + heard_stiffness),
            inharmonicity=heard_stiffness,
            inharmonicity_se=stiffness_se,
            string_hz=string_hz,
            string_se_cents=self._reading_se_cents,
            partials=(1, 2, 3, 4, 5, 6, 7, 8),
            level_dbfs=strength_db + 10.0 * math.log10(f1_hz / 100.0),
            strength_db=strength_db,
            beat_cents=0.0,
            attack_cents=2.0,
            onset_s=0.1,
            window_start_s=0.5,
            window_length_s=1.5,
        )


@dataclass(frozen=True)
class Account:
    """The result of a set-up, by string in dicts.

    Attributes:
        errors_cents: true errors at fret 12 in the end; + sharp.
        moves_mm: what each saddle was moved by, move by move; + away from the nut.
        plucks: how often each was plucked.
        ignored: how many of the plucks were no evidence to the session.
        statuses: where each string stands; the session's own word.
        outcome: how the session ended; its own word.
        state: the session's last state; its ``findings`` are the causes it named.
    """

    errors_cents: dict[int, float]
    moves_mm: dict[int, list[float]]
    plucks: dict[int, int]
    ignored: int
    statuses: dict[int, Status]
    outcome: str
    state: State


def set_up(
    instrument: Instrument,
    rig: Rig,
    seed: int,
    *,
    tolerance_cents: float = 2.0,
    placing_mm: float = 0.2,
    scatter_cents: float = 0.8,
    open_sd_cents: float = 0.15,
    reading_se_cents: float = 0.1,
    overrule: bool = False,
    **begin: Any,
) -> Account:
    """A whole set-up of a guitar, from inspection to the sealed record; the same seed gives the same.

    Args:
        instrument: what the session is told of the guitar, whatever the guitar is.
        rig: the guitar; the set-up changes it.
        seed: of hands and ear.
        tolerance_cents: what the session is told to settle for.
        placing_mm: a saddle lands within this of where it should, either way.
        scatter_cents, open_sd_cents, reading_se_cents: see ``SilentBench``.
        overrule: overrule the causes that the session stops for; otherwise go on past them.
        begin: more of what ``Begin`` takes.

    Raises:
        AssertionError: an unknown prompt, or no end to the prompts.
    """
    bench = SilentBench(rig, seed, scatter_cents, open_sd_cents, reading_se_cents)
    return run(Work(instrument, bench, seed, placing_mm, overrule), tolerance_cents, **begin)


def run(work: Work, tolerance_cents: float, **begin: Any) -> Account:
    """Do the work, from inspection to the sealed record. Raises as ``set_up``."""
    work.do(cm.Begin(work.instrument, "silent", tolerance_cents, **begin))
    work.do(cm.Inspect("all", "passed"))
    for _ in range(_MOST_STEPS):
        code = prompt(work.state).code
        if code in ("hand_over", "hand_over_partly", "abandoned"):
            return work.account()
        work.step(code)
    raise AssertionError(f"{_MOST_STEPS} steps and no end, at {prompt(work.state).code}")


def quick_check(instrument: Instrument, against: SetupSummary, bench: SilentBench) -> tuple[State, dict[int, int]]:
    """A quick check from beginning to end; gives the last state and the plucks of each string.

    Raises:
        AssertionError: it comes to no end.
    """
    state = fold(decide(State(), cm.Quick(instrument, against.to_json())).events)
    plucks: dict[int, int] = {}
    for _ in range(_MOST_STEPS):
        wanted = asked(state)
        if wanted is None:
            return state, plucks
        plucks[wanted[0]] = plucks.get(wanted[0], 0) + 1
        try:
            state = fold(decide(state, cm.Hear(bench.reading(*wanted))).events, state)
        except Ignored:
            continue
    raise AssertionError(f"{_MOST_STEPS} plucks and no end, at {prompt(state).code}")


class Work:
    """A session and the hands that follow it; they err as ``simulate.technician``'s do."""

    def __init__(
        self, instrument: Instrument, bench: SilentBench, seed: int, placing_mm: float, overrule: bool
    ) -> None:
        self.state = State()
        self.instrument = instrument
        self.bench = bench
        self._random = random.Random(f"hands {seed}")
        self._placing_mm = placing_mm
        self._overrule = overrule
        self._moves_mm: dict[int, list[float]] = {}
        self._plucks: dict[int, int] = {}
        self._ignored = 0

    def do(self, command: cm.Command) -> None:
        """Carry out a command."""
        self.state = fold(decide(self.state, command).events, self.state)

    def step(self, code: str) -> None:
        """Do what a prompt says."""
        string = self.state.focus
        match code:
            case code if code == "say_which" or code.startswith("pluck_"):
                wanted = asked(self.state)
                assert wanted is not None
                self.pluck(*wanted)
            case "centre_fine_tuners" | "open_nut" | "close_nut" | "check_action":
                self._by_hand(code)
                self.pluck(string, OPEN)
            case "tune_up" | "tune_down":
                tuned = self.state.string(string)
                assert tuned.open_cents is not None
                self._tune(string, tuned.target_cents - tuned.open_cents)
                self.pluck(string, OPEN)
            case "slacken" | "let_down":
                self._open_nut_before_a_move()
                self._let_down(string, code)
                self.pluck(string, OPEN)
            case "shift_saddle" | "turn_screw" | "shape_crown":
                self._open_nut_before_a_move()
                self._move_saddle(string)
                self._bring_up(string)
                self.pluck(string, OPEN)
            case "bring_up":
                self._bring_up(string)
                self.pluck(string, OPEN)
            case "look_into":
                self._look_into()
            case _:
                raise AssertionError(f"these hands do not know the prompt {code!r}")

    def account(self) -> Account:
        """Return the result."""
        numbers = self.state.numbers
        return Account(
            errors_cents={n: self.bench.rig.error_cents(n) for n in numbers},
            moves_mm={n: self._moves_mm.get(n, []) for n in numbers},
            plucks={n: self._plucks.get(n, 0) for n in numbers},
            ignored=self._ignored,
            statuses={n: self.state.string(n).status for n in numbers},
            outcome=self.state.outcome,
            state=self.state,
        )

    def _by_hand(self, code: str) -> None:
        """A step that can't be heard."""
        rig = self.bench.rig
        if code == "centre_fine_tuners":
            rig.centre_fine_tuners()
        elif code in ("open_nut", "close_nut"):
            rig.set_clamp(None, code == "close_nut")

    def _open_nut_before_a_move(self) -> None:
        if self.state.nut_closed:
            self.bench.rig.set_clamp(None, False)

    def _tune(self, string: int, cents: float) -> None:
        """Tune a string by its peg, or by its fine tuner while the nut is closed."""
        rig = self.bench.rig
        if not self.state.nut_closed:
            self._turn_peg(string, cents)
            return
        notice = self.state.notice
        if notice is not None and notice.what == MissedStep.FINE_TUNER_AT_END and notice.string == string:
            rig.set_clamp(string, False)
            rig.turn_fine_tuner(string, (0.5 - rig.fine_tuner_at(string)) * self._fine_range_cents)
            self._bring_up(string, near_cents=3.0)
            rig.set_clamp(string, True)
            return
        astray = self._random.gauss(0.0, abs(cents) * PEG_SHARE) + self._random.gauss(0.0, FINE_TUNER_CENTS)
        rig.turn_fine_tuner(string, cents + astray)

    @property
    def _fine_range_cents(self) -> float:
        tuners = self.instrument.fine_tuners
        return 0.0 if tuners is None else tuners.range_cents

    def _let_down(self, string: int, code: str) -> None:
        together = strings_moved_together(self.instrument, string)
        for number in together:
            if code == "slacken":
                self._slacken(number)
            else:
                self._turn_peg(number, LET_DOWN_CENTS)
        # On springs, slackening one tightens those before it again.
        while code == "slacken" and not all(self.bench.rig.is_slack(number) for number in together):
            for number in together:
                self._slacken_more(number)

    def _slacken(self, string: int) -> None:
        """Let a string down, and further while it is still tight: a bar that was moved may have stretched it."""
        self.bench.rig.turn_peg(string, -SLACKEN_CENTS)
        self._slacken_more(string)

    def _slacken_more(self, string: int) -> None:
        while not self.bench.rig.is_slack(string):
            self.bench.rig.turn_peg(string, -SLACKEN_CENTS)

    def pluck(self, string: int, place: Place) -> None:
        """Pluck a string at a place, and let the session hear it."""
        self._plucks[string] = self._plucks.get(string, 0) + 1
        try:
            self.do(cm.Hear(self.bench.reading(string, place)))
        except Ignored:
            self._ignored += 1
        self.bench.rig.plucked(string)

    def _move_saddle(self, string: int) -> None:
        advice = self.state.string(string).advice
        assert advice is not None
        toward_mm, away_mm = saddle_travel_mm(self.bench.rig, string)
        wanted_mm = advice.mm + self._random.uniform(-self._placing_mm, self._placing_mm)
        mm = min(max(wanted_mm, toward_mm), away_mm)
        self.bench.rig.move_saddle(string, mm)
        self._moves_mm.setdefault(string, []).append(mm)

    def _look_into(self) -> None:
        if not self._overrule:
            self.do(cm.Next())
            return
        for string in sorted({n for finding in self.state.findings for n in finding.strings}):
            if not self.state.string(string).overruled:
                self.do(cm.Overrule(string))

    def _bring_up(self, string: int, near_cents: float = _NEAR_PITCH_CENTS) -> None:
        """Wind a slack string up to about its pitch, as by a quick look at a meter."""
        for _ in range(12):
            cents = cents_between(self.instrument.open_hz(string), self.bench.rig.open_hz(string))
            if abs(cents) < near_cents:
                return
            self._turn_peg(string, max(-_WIND_CENTS, min(_WIND_CENTS, cents)), least_cents=10.0)
        raise AssertionError(f"string {string} can't be brought back to pitch")

    def _turn_peg(self, string: int, cents: float, least_cents: float = PEG_CENTS) -> None:
        astray = self._random.gauss(0.0, min(abs(cents) * PEG_SHARE, 25.0)) + self._random.gauss(0.0, least_cents)
        self.bench.rig.turn_peg(string, cents + astray)
