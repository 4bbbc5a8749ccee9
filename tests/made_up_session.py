"""A made-up bench for tests of the session: strings whose pitches are simply said, and hands that follow the prompts.

Cents + sharp, mm + away from the nut. Nothing here sounds; a note is a ``Reading`` at the pitch wanted.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from datetime import UTC, datetime

import pytest

from oscservice.hearing.reading import Reading
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Refused
from oscservice.session.decide import decide
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import Prompt, prompt
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.string_state import StringState
from oscservice.session.vocabulary import Phase

LOCKING, FLOATING, SCREWS, PAIRED, BAR, FIXED = (
    "six-string-648-locking",
    "six-string-648",
    "six-string-628",
    "six-string-648-paired",
    "six-string-628-bar",
    "six-string-628-fixed",
)
FRET = Place("fret", 12)
HARMONIC_CENTS = 0.26
"""Rise of the harmonic by a stiffness of 1e-4: 600 log2((1 + 4B) / (1 + B))."""


def reading(
    f1_hz: float,
    se_cents: float = 0.1,
    level_dbfs: float = -20.0,
    *,
    inharmonicity: float = 1e-4,
    inharmonicity_se: float = math.inf,
) -> Reading:
    """A settled note at a pitch, plucked with one force wherever it is stopped; its B is no evidence unless a standard
    error is given."""
    return Reading(
        f1_hz=f1_hz,
        se_cents=se_cents,
        f0_hz=f1_hz,
        inharmonicity=inharmonicity,
        inharmonicity_se=inharmonicity_se,
        string_hz=f1_hz,
        string_se_cents=se_cents,
        partials=(1, 2, 3, 4, 5, 6, 7, 8),
        level_dbfs=level_dbfs,
        strength_db=level_dbfs,
        attack_cents=2.0,
        beat_cents=0.0,
        onset_s=0.1,
        window_start_s=0.5,
        window_length_s=1.0,
    )


def clock() -> datetime:
    """The time at which made-up sessions are recorded."""
    return datetime(2026, 11, 25, 9, 30, tzinfo=UTC)


def two_equal_strings() -> Instrument:
    """Two strings of one pitch and one build: only the requested place distinguishes them."""
    given = load_instrument(SCREWS)
    first = given.bridge.adjusters[0]
    adjusters = tuple(first.model_copy(update={"name": f"saddle {n}", "influence": {n: 1.0}}) for n in (1, 2))
    bridge = given.bridge.model_copy(update={"adjusters": adjusters})
    return given.model_copy(update={"name": "course", "strings": given.strings[:1] * 2, "bridge": bridge})


class MadeUpSession:
    """A session, its events as they come, and what has been said to the person."""

    def __init__(
        self, instrument: str | Instrument = FLOATING, tolerance_cents: float = 2.0, frets: str = "12"
    ) -> None:
        self.instrument = load_instrument(instrument) if isinstance(instrument, str) else instrument
        self.state = State()
        self.events: list[ev.Event] = []
        self.prompts: dict[str, Prompt] = {}
        self.do(cm.Begin(self.instrument, "made up", tolerance_cents, frets))

    def do(self, command: cm.Command) -> list[ev.Event]:
        """Carry out a command; gives its events."""
        events = decide(self.state, command).events
        self.state = fold(events, self.state)
        self.events += events
        now = prompt(self.state)
        self.prompts[now.code] = now
        return events

    def hear(self, string: int, place: Place = OPEN, cents: float = 0.0, se_cents: float = 0.1) -> list[ev.Event]:
        """A note so many cents from the place's nominal pitch."""
        nominal_hz = self.instrument.place_hz(string, place)
        return self.do(cm.Hear(reading(nominal_hz * 2.0 ** (cents / 1200.0), se_cents)))

    def inspected(self) -> MadeUpSession:
        """All in order."""
        self.do(cm.Inspect("all", "passed"))
        return self

    def tuned(self, cents: float = 0.0) -> MadeUpSession:
        """Inspected, and every string in tune."""
        self.inspected()
        for number in reversed(self.state.numbers):
            self.hear(number, OPEN, cents)
        assert self.state.phase is Phase.COMPARING
        return self

    def bracket(self, string: int, error_cents: float, plucks: int = 6, scatter: Iterable[float] = ()) -> None:
        """Open and fretted notes in turn, at most so many fretted, until the session decides something; the harmonic
        where it is asked for."""
        scatters = [*scatter, *[0.1 * (-1) ** k for k in range(plucks)]]
        before = self.state.string(string).last, self.state.phase, self.state.string(string).scattered
        self.hear(string)
        for k in range(plucks):
            if asked(self.state) == (string, HARMONIC):
                self.hear(string, HARMONIC, HARMONIC_CENTS)
            self.hear(string, FRET, error_cents + scatters[k])
            self.hear(string)
            if (self.state.string(string).last, self.state.phase, self.state.string(string).scattered) != before:
                return
            if self.state.focus != string:
                return

    def string(self, number: int) -> StringState:
        """State of a string."""
        return self.state.string(number)

    def phase(self) -> Phase:
        """The phase now."""
        return self.state.phase

    @property
    def prompt(self) -> str:
        """Code of the prompt now."""
        return prompt(self.state).code


def refused(job: MadeUpSession, command: cm.Command, code: str) -> str:
    """The one line with which a command is refused; nothing has changed."""
    before = job.state
    with pytest.raises(Refused) as refusal:
        job.do(command)
    assert refusal.value.code == code
    assert job.state is before
    assert "\n" not in refusal.value.text
    return refusal.value.text


class MadeUpTechnician:
    """A made-up guitar with known errors, and a technician who follows the prompts.

    Args:
        job: the session, inspected.
        errors_cents: true error of each string at fret 12, by string number; at other frets as a saddle makes it.
        commands: say what was done by commands, and never let the session hear it.
        harmonics_cents: how far a string's 12th-fret harmonic is off, beyond what its stiffness makes it.
        response: what a move does, over what it should.
    """

    def __init__(
        self,
        job: MadeUpSession,
        errors_cents: dict[int, float],
        *,
        commands: bool = False,
        seed: int = 1,
        harmonics_cents: dict[int, float] | None = None,
        response: float = 1.0,
    ) -> None:
        self.job = job
        self._harmonics = harmonics_cents or {}
        self._response = response
        self.commands = commands
        self._start = dict(errors_cents)
        self._random = random.Random(seed)
        self._moved = dict.fromkeys(job.state.numbers, 0.0)
        self._open = {n: self._random.uniform(-15.0, 15.0) for n in job.state.numbers}

    def error(self, number: int, fret: int = FRET.fret) -> float:
        """The true error at a fret: the ratio of the two lengths, which the saddle changes."""
        spec = self.job.instrument.string(number)
        nut_mm = spec.scale_mm + spec.setback_mm
        fret_mm = nut_mm - spec.scale_mm * (1.0 - 2.0 ** (-fret / 12.0))
        moved = self._moved[number]
        start = self._start[number] * (2.0 ** (fret / 12.0) - 1.0)
        return start + 1200.0 * math.log2((nut_mm + moved) / nut_mm * fret_mm / (fret_mm + moved))

    def work(self, most: int = 3000) -> None:
        """Follow prompts until the record is sealed."""
        for _ in range(most):
            if self.job.state.phase is Phase.CLOSED:
                return
            self.step()
        raise AssertionError(f"{most} steps and no end, at {self.job.prompt} in {self.job.state.phase}")

    def step(self) -> None:
        """Do what the prompt says now."""
        job, near = self.job, self._random.gauss(0.0, 0.5)
        code, number = job.prompt, job.state.focus
        match code:
            case "pluck_open" | "pluck_again" if self._tuning and self.commands:
                job.do(cm.Next())
            case "pluck_open" | "pluck_again":
                job.hear(number, OPEN, self._open[number])
            case "pluck_fretted":
                waited = asked(job.state)
                assert waited is not None
                error = self.error(number, waited[1].fret) + self._random.gauss(0.0, 0.4)
                job.hear(number, waited[1], self._open[number] + error)
            case "pluck_harmonic":
                stiff = 600.0 * math.log2((1.0 + 4e-4) / (1.0 + 1e-4))
                job.hear(number, HARMONIC, self._open[number] + stiff + self._harmonics.get(number, 0.0))
            case "look_into" | "go_on":
                job.do(cm.Next())
            case "say_which" if self.commands:
                job.do(cm.Plucked(number))
            case "say_which":
                assert job.state.doubt is not None
                job.do(cm.Hear(reading(job.state.doubt.first.f1_hz)))
            case "tune_up" | "tune_down" | "bring_up":
                self._open[number] = near = job.string(number).target_cents + near
                job.do(cm.Next()) if self.commands else job.hear(number, OPEN, near)
            case "slacken":
                job.do(cm.Slackened(number)) if self.commands else job.hear(number, OPEN, -700.0)
            case "let_down":
                job.do(cm.Slackened(number)) if self.commands else job.hear(number, OPEN, -200.0)
            case "centre_fine_tuners" | "open_nut" | "close_nut" | "check_action":
                if code == "close_nut":
                    self._open = {n: cents + self._random.uniform(-6.0, 6.0) for n, cents in self._open.items()}
                job.do(cm.Next()) if self.commands else job.hear(number, OPEN, self._open[number])
            case "shift_saddle" | "turn_screw" | "shape_crown":
                self._move(number, code)
            case _:
                raise AssertionError(f"unknown prompt {code}")

    @property
    def _tuning(self) -> bool:
        return self.job.state.phase in (Phase.TUNING, Phase.RETUNING)

    def _move(self, number: int, code: str) -> None:
        job, advice = self.job, self.job.string(number).advice
        assert advice is not None
        placed = advice.mm + self._random.gauss(0.0, 0.08)
        adjuster = job.instrument.adjuster_of(number)
        assert adjuster is not None
        for n, share in adjuster.influence.items():
            self._moved[n] += self._response * placed * share / adjuster.influence[number]
            self._open[n] = self._random.uniform(-40.0, 40.0)
        if not self.commands:
            job.hear(number, OPEN, self._open[number])
        elif code == "turn_screw":
            assert advice.turns is not None
            job.do(cm.Turned(number, advice.turns))
        else:
            job.do(cm.Moved(number, advice.mm))
