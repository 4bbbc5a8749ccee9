"""An invented instrument over months: set-ups and quick checks of a simulated guitar, without sound.

Between sessions pitch follows the season by some cents and saddles creep; strings become stiffer as they age, and are
changed on given days. All of it is made up.
"""

from __future__ import annotations

import math
import random
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from pathlib import Path

from bench.silent import SilentBench, Work
from made_once import made_once

from oscservice.hearing.reading import Reading
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import with_strings_fitted
from oscservice.instrument.pitch import Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.record.event_chain import utc_text
from oscservice.record.journal import Journal
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Ignored, Refused
from oscservice.session.decide import decide
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import prompt
from oscservice.session.session_results import summary_of
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.vocabulary import Phase
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig

_MOST_STEPS = 4000
_OLDER_A_DAY = 0.0006  # B grows by so much of itself


@dataclass(frozen=True)
class Planned:
    """One session: its day, what it is, and whether strings were put on that day."""

    day: date
    quick: bool = False
    new_strings: bool = False


class HistoryTechnician(Work):
    """A technician of one session in a history, who keeps the session's events."""

    def __init__(
        self, instrument: Instrument, bench: SilentBench, seed: int, placing_mm: float = 0.2, overrule: bool = False
    ) -> None:
        self.events: list[ev.Event] = []
        super().__init__(instrument, bench, seed, placing_mm, overrule)

    def do(self, command: cm.Command) -> None:
        """Carry out a command."""
        self.events += decide(self.state, command).events
        super().do(command)


class Aged(SilentBench):
    """A bench whose strings have become stiffer by a factor."""

    def __init__(self, rig: Rig, seed: int, stiffer: float) -> None:
        super().__init__(rig, seed)
        self._stiffer = stiffer

    def reading(self, string: int, place: Place) -> Reading:
        """Pluck a string at a place and read it."""
        read = super().reading(string, place)
        return replace(read, inharmonicity=read.inharmonicity * self._stiffer)


def set_up(work: HistoryTechnician, begin: cm.Begin) -> None:
    """A whole set-up."""
    work.do(begin)
    try:
        work.do(cm.Inspect("all", "passed"))
    except Refused:  # by their age the strings should be changed
        work.do(cm.Inspect("strings", "waived", "they still sound (invented)"))
        work.do(cm.Inspect("all", "passed"))
    for _ in range(_MOST_STEPS):
        code = prompt(work.state).code
        if code in ("hand_over", "hand_over_partly", "abandoned"):
            return
        work.step(code)
    raise AssertionError(f"no end, at {prompt(work.state).code}")


def quick_check(work: HistoryTechnician, against: SetupSummary) -> None:
    """A whole quick check."""
    work.do(cm.Quick(work.instrument, against.to_json()))
    while work.state.phase is not Phase.CLOSED:
        wanted = asked(work.state)
        assert wanted is not None
        try:
            work.do(cm.Hear(work.bench.reading(*wanted)))
        except Ignored:
            continue


def live(path: Path, planned: Sequence[Planned], preset: str = "six-string-628", identity: str = "the red one") -> None:
    """Write a journal of such sessions, of an invented instrument; the first has to be a set-up."""
    for name, content in _lived(tuple(planned), preset, identity).items():
        file = Path(f"{path}{name}")
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(content)


@made_once
def _lived(planned: tuple[Planned, ...], preset: str, identity: str) -> dict[str, bytes]:
    """Return the files of a journal: what comes after the journal's own name -> content."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal"
        _live(path, planned, preset, identity)
        files = [file for file in Path(folder).rglob("*") if file.is_file()]
        return {str(file).removeprefix(str(path)): file.read_bytes() for file in files}


def _live(path: Path, planned: Sequence[Planned], preset: str, identity: str) -> None:
    instrument = load_instrument(preset).model_copy(update={"identity": identity})
    draw = random.Random(f"{preset} {len(planned)}")
    numbers = range(1, len(instrument.strings) + 1)
    saddles = [draw.uniform(-1.5, 1.5) for _ in numbers]
    rig = rig_of(instrument, saddle_error_mm=saddles, detune_cents=[4.0 for _ in numbers])
    fitted, before, against = planned[0].day, planned[0].day, None
    with Journal.open(path) as journal:
        for seed, plan in enumerate(planned, 1):
            months = (plan.day - before).days / 30.0
            for n in numbers:
                at_hz = rig.open_hz(n)
                rig.move_saddle(n, max(-0.4, min(0.4, draw.gauss(0.0, 0.15) * math.sqrt(months))))
                stretched = cents_between(rig.open_hz(n), at_hz)
                by_season = 4.0 * (_season(plan.day) - _season(before)) + draw.gauss(0.0, 1.5) * math.sqrt(months)
                rig.turn_peg(n, by_season - stretched - (8.0 + 10.0 * draw.random() if plan.new_strings else 0.0))
            if plan.new_strings:
                fitted = plan.day
            instrument = with_strings_fitted(instrument, fitted.isoformat())
            stiffer = (1.0 + _OLDER_A_DAY * (plan.day - fitted).days) * draw.gauss(1.0, 0.004)
            work = HistoryTechnician(instrument, Aged(rig, seed, stiffer), seed)
            if plan.quick:
                assert against is not None
                quick_check(work, against)
            else:
                set_up(work, cm.Begin(instrument, "set-up (invented)", 2.0, day=plan.day.isoformat()))
            name = put(journal, work, plan.day)
            against = against if plan.quick else summary_of(work.state, name)
            before = plan.day


def put(journal: Journal, work: HistoryTechnician, day: date) -> str:
    """Record a session of that day; gives its name."""
    at = datetime.combine(day, time(10, 30), UTC)
    name = journal.new_session(work.instrument.name, "invented", at, work.instrument.identity)
    journal.append(name, [ev.to_body(event) for event in work.events], utc_text(at))
    journal.seal(name, utc_text(at))
    return name


def _season(day: date) -> float:
    """From -1 in January to 1 in July."""
    return -math.cos(2.0 * math.pi * (day.timetuple().tm_yday - 15) / 365.25)


YEAR = (
    Planned(date(2025, 11, 20), new_strings=True),
    Planned(date(2025, 12, 4), quick=True),
    Planned(date(2025, 12, 19), quick=True),
    Planned(date(2026, 1, 15)),
    Planned(date(2026, 2, 10), quick=True),
    Planned(date(2026, 3, 3), new_strings=True),
    Planned(date(2026, 3, 20), quick=True),
    Planned(date(2026, 4, 25), quick=True),
    Planned(date(2026, 5, 30)),
    Planned(date(2026, 6, 28), quick=True),
    Planned(date(2026, 7, 20), new_strings=True),
    Planned(date(2026, 8, 6), quick=True),
    Planned(date(2026, 9, 12), quick=True),
    Planned(date(2026, 10, 10)),
    Planned(date(2026, 11, 19), quick=True),
)
"""Twelve months, fifteen sessions, strings put on three times."""
