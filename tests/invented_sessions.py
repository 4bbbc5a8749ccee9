"""Invented sessions for reports: guitars out of true, set up without sound, and the records they leave."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

from bench.silent import SilentBench, Work
from made_once import made_once

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import NewGauge, with_gauges
from oscservice.instrument.pitch import OPEN
from oscservice.instrument.spec import Instrument
from oscservice.record.event_chain import Record, SessionRow, body_text, chained, first_link, seal_of, utc_text
from oscservice.record.job_entries import JobEntry, next_entry
from oscservice.record.job_sheet import JobChange, Photograph
from oscservice.record.journal import Journal
from oscservice.report.facts import Facts, PitchTrackFact, PitchTrackFacts
from oscservice.report.gather_facts import gather_facts
from oscservice.report.gather_set_up import job_of
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.decide import decide
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import prompt
from oscservice.session.replay import effective_events, fold
from oscservice.session.session_results import summary_of
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.uneven_string import Uneven

BEGUN = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
STEP_S = 4.25
FLOATING, SCREWS, EIGHT, BASS = "six-string-648", "six-string-628", "eight-string-multi-scale", "bass-4-864"
ENDS = ("hand_over", "hand_over_partly", "abandoned", "check_holds", "check_drifted", "check_unsure")
VERSION = "0.0.test"
_MOST_STEPS = 4000


class StepRecorder(Work):
    """A technician who keeps the events of each step; see ``silent.Work``.

    Args:
        further_mm: added to the first advised move of each saddle, and reported.
    """

    def __init__(
        self, instrument: Instrument, rig: Rig, seed: int, overrule: bool = False, further_mm: float = 0.0
    ) -> None:
        super().__init__(instrument, SilentBench(rig, seed), seed, 0.2, overrule)
        self.steps: list[list[ev.Event]] = []
        self._further_mm = further_mm

    def do(self, command: cm.Command) -> None:
        events = decide(self.state, command).events
        self.steps.append(events)
        self.state = fold(events, self.state)

    def step(self, code: str) -> None:
        """Do what a prompt says. The first move of a saddle goes further than advised by ``further_mm``."""
        string = self.state.focus
        advice = self.state.string(string).advice if string else None
        if code != "turn_screw" or not self._further_mm or self.state.string(string).moves or advice is None:
            super().step(code)
            return
        self.bench.rig.move_saddle(string, advice.mm + self._further_mm)
        self.do(cm.Moved(string, advice.mm + self._further_mm))

    def follow(self, until: Sequence[str] = ENDS) -> None:
        """Do what the prompts say until one of these."""
        for _ in range(_MOST_STEPS):
            code = prompt(self.state).code
            if code in until:
                return
            self.step(code)
        raise AssertionError(f"{_MOST_STEPS} steps and no end, at {prompt(self.state).code}")


@dataclass(frozen=True)
class Invented:
    """An invented session: its instrument, its events step by step, and its record in the journal."""

    name: str
    instrument: Instrument | None
    steps: tuple[tuple[ev.Event, ...], ...]
    label: str

    @cached_property
    def record(self) -> Record:
        """As the journal holds it: a step every few seconds."""
        timed = []
        for number, step in enumerate(self.steps):
            at_utc = utc_text(BEGUN + timedelta(seconds=STEP_S * number))
            for event in step:
                kind, body = ev.to_body(event)
                timed.append((at_utc, kind, body_text(kind, body)))
        rows = chained(first_link(self.name), 1, timed)
        made = "" if self.instrument is None else self.instrument.name
        identity = "" if self.instrument is None else self.instrument.identity
        begun, closed, seal = utc_text(BEGUN), None, None
        if rows and rows[-1].kind == ev.SessionClosed.__name__:
            closed = timed[-1][0]
            seal = seal_of(rows[-1].hash, len(rows), made, self.label, begun, closed)
        row = SessionRow(self.name, made, self.label, begun, closed, len(rows), identity, origin=self.name, seal=seal)
        return Record(row, tuple(rows))

    @property
    def timed(self) -> list[tuple[str, ev.Event]]:
        """Its events with their times."""
        at = [row.at_utc for row in self.record.events]
        return list(zip(at, (event for step in self.steps for event in step), strict=True))

    @cached_property
    def facts(self) -> Facts:
        """The facts of its report."""
        return gather_facts(self.record, effective_events(self.timed), VERSION)


def out_of_tune(instrument: Instrument, seed: int, worst_mm: float = 4.0, faults: Faults = SOUND) -> Rig:
    """Return a guitar like this one with misplaced saddles and wrong tuning."""
    draw = random.Random(seed)
    count = len(instrument.strings)
    return rig_of(
        instrument,
        saddle_error_mm=[draw.uniform(-worst_mm, worst_mm) for _ in range(count)],
        detune_cents=[draw.uniform(-25.0, 25.0) for _ in range(count)],
        faults=faults,
    )


def begun(
    instrument: Instrument,
    rig: Rig,
    seed: int,
    *,
    label: str = "first set-up (invented)",
    tolerance_cents: float = 1.0,
    hands: dict[str, Any] | None = None,
    **begin: Any,
) -> StepRecorder:
    """A session begun and inspected, relief measured, strings fresh, a fret left as it is."""
    work = StepRecorder(instrument, rig, seed, **(hands or {}))
    work.do(cm.Begin(instrument, label, tolerance_cents, day="2026-11-25", **begin))
    work.do(cm.Measured("relief", 0.2))
    work.do(cm.Fitted("2026-11-20"))
    work.do(cm.Inspect("frets", "waived", "fret 14 a little worn; the player is told"))
    work.do(cm.Inspect("all", "passed"))
    return work


def kept(work: StepRecorder, name: str, label: str = "first set-up (invented)") -> Invented:
    """Return the session that some work leaves."""
    return Invented(name, work.instrument, tuple(tuple(step) for step in work.steps), label)


@made_once
def normal() -> Invented:
    """A six-string with a spring-balanced bridge set up at fret 12, with a step taken back and a pluck dropped."""
    instrument = load_instrument(FLOATING)
    work = begun(instrument, out_of_tune(instrument, 1), 1)
    work.follow(until=("pluck_fretted",))
    work.step("pluck_fretted")
    work.do(cm.Undo())
    work.step("pluck_fretted")
    work.do(cm.Discard())
    work.follow()
    return kept(work, "2026-11-25-1")


@made_once
def thorough() -> Invented:
    """Six frets compared on a guitar with a worn string and a misplaced fret: causes are named, a string set aside."""
    instrument = load_instrument(SCREWS)
    faults = Faults(uneven={4: Uneven(0.47, 30.0, 0.06)}, fret_shift_mm={5: 0.35}, nut_raised_mm={2: 0.45})
    work = begun(instrument, out_of_tune(instrument, 5, 3.0, faults), 5, frets="thorough", tolerance_cents=2.0)
    work.follow()
    return kept(work, "2026-11-25-2")


@made_once
def eight() -> Invented:
    """An eight-string of several scales."""
    instrument = load_instrument(EIGHT)
    work = begun(instrument, out_of_tune(instrument, 3, 3.0), 3)
    work.follow()
    return kept(work, "2026-11-25-3")


@made_once
def bass() -> Invented:
    """A four-string bass."""
    instrument = load_instrument(BASS)
    work = begun(instrument, out_of_tune(instrument, 4, 3.0), 4, tolerance_cents=2.0)
    work.follow()
    return kept(work, "2026-11-25-4")


@made_once
def still_open() -> Invented:
    """A set-up left in the middle: two strings settled, one to move, the others not compared."""
    instrument = load_instrument(FLOATING).model_copy(update={"identity": "the red one"})
    work = begun(instrument, out_of_tune(instrument, 6), 6)
    for _ in range(3):
        work.follow(until=("slacken",))
        work.step("slacken")
    return kept(work, "2026-11-25-5")


@made_once
def quick() -> Invented:
    """A quick check after a set-up: one string's saddle crept, another went out of tune."""
    instrument = load_instrument(SCREWS)
    rig = out_of_tune(instrument, 7, 3.0)
    work = begun(instrument, rig, 7)
    work.follow()
    against = summary_of(work.state, "2026-11-25-6")
    rig.move_saddle(5, 1.2)
    rig.turn_peg(2, -9.0)
    for number in (1, 3, 4, 5, 6):
        rig.turn_peg(number, -1200.0 * math.log2(rig.open_hz(number) / instrument.open_hz(number)))
    check = StepRecorder(instrument, rig, 8)
    check.do(cm.Quick(instrument, against.to_json()))
    while (wanted := asked(check.state)) is not None:
        check.pluck(*wanted)
    return kept(check, "2026-11-25-7", "quick check against session 2026-11-25-6")


@made_once
def returned() -> Invented:
    """An instrument that comes back with other strings on it: a worn string is advised on all the same, and saddles are
    moved further than advised."""
    instrument = load_instrument(SCREWS)
    before = with_gauges(instrument, {1: NewGauge(0.229), 6: NewGauge(1.24)})
    rig = out_of_tune(instrument, 11, 3.0, Faults(uneven={4: Uneven(0.47, 30.0, 0.06)}))
    last_time = cm.LastTime(before, before)
    hands = {"overrule": True, "further_mm": 0.6}
    how = {"label": "back again (invented)", "frets": "thorough", "tolerance_cents": 2.0}
    work = begun(instrument, rig, 11, hands=hands, last_time=last_time, **how)
    work.follow()
    return kept(work, "2026-11-25-10", "back again (invented)")


@made_once
def abandoned() -> Invented:
    """A session given up while strings were tuned, its texts full of marks."""
    instrument = load_instrument(SCREWS).model_copy(
        update={"title": '<b>bold</b> & "quoted"', "identity": "<script>alert(1)</script>" + "wide" * 8}
    )
    rig = out_of_tune(instrument, 9)
    work = StepRecorder(instrument, rig, 9)
    label = '<img src=x onerror="alert(1)"> =1+1 ' + "label" * 24
    work.do(cm.Begin(instrument, label, 1.0))
    work.do(cm.Inspect("nut", "waived", "</td></table><h1>&amp;"))
    work.do(cm.Inspect("frets", "waived", "abcdefghij" * 12))
    work.do(cm.Inspect("all", "passed"))
    work.pluck(6, OPEN)
    work.do(cm.SetAside(3, "<i>no such</i> & other"))
    work.do(cm.SetAside(4, f"a word without end: {'abcdefghij' * 12}"))
    work.do(cm.Abandon())
    return kept(work, "2026-11-25-8", label)


@made_once
def empty() -> Invented:
    """A session in which nothing was begun."""
    return Invented("2026-11-25-9", None, (), "nothing yet")


@made_once
def strings_of(count: int, frets: int) -> Invented:
    """An instrument of so many strings and frets, compared at the last one and set up."""
    given = load_instrument(SCREWS)
    strings = tuple(given.strings[number * len(given.strings) // count] for number in range(count))
    first = given.bridge.adjusters[0]
    adjusters = tuple(
        first.model_copy(update={"name": f"saddle {n}", "influence": {n: 1.0}}) for n in range(1, count + 1)
    )
    bridge = given.bridge.model_copy(update={"adjusters": adjusters})
    made = {"name": f"{count}-string", "identity": f"{count}-string", "frets": frets, "strings": strings}
    instrument = given.model_copy(update=made | {"bridge": bridge})
    work = begun(instrument, out_of_tune(instrument, count, 2.0), count, tolerance_cents=2.0, frets=str(min(12, frets)))
    work.follow()
    return kept(work, f"2026-11-26-{count}")


def with_pitch_tracks() -> Facts:
    """The facts of ``normal`` as if the sound of its plucks had been kept, all but two."""
    facts, at_s = normal().facts, (0.06, 0.11, 0.17, 0.25, 0.35, 0.48, 0.63, 0.83, 1.07, 1.37, 1.75)
    tracks = [
        PitchTrackFact(
            number=pluck.number,
            string=pluck.string,
            place=pluck.place,
            at_s=at_s,
            cents=tuple((2.0 + pluck.string) * math.exp(-2.0 * time_s) for time_s in at_s),
            se_cents=(0.1,) * len(at_s),
        )
        for pluck in facts.plucks
    ]
    return replace(facts, falls=PitchTrackFacts(tuple(tracks[2:]), missing=1, altered=1))


AMENDED = "2026-12-01T08:00:00.000+00:00"


def job_sheet_of(one: Invented) -> list[JobEntry]:
    """Return an invented job sheet of a sealed session, its texts long and full of marks; amended after the seal."""
    row = one.record.session
    photographs = tuple(
        Photograph(name, f"/invented/{name}", f"{n:064x}", 3_000_000 + n)
        for n, name in enumerate(("as-found.jpg", "<i>bridge</i> " + "abcdefghij" * 8 + ".jpg"), start=10)
    )
    changes = (
        JobChange(
            {
                "customer": "An Invented Customer <b>&</b> Co.",
                "number": "INV-0042",
                "job": "2026-117",
                "technician": "An Invented Technician",
                "string_set": "nickel: .010 .013 .017 .026w .036w .046w",
                "tuning": "as it is",
                "message": "Thank you.\n</p><script>alert(1)</script> The strap button was loose: it is tight now.",
            },
            ("rattle at fret 9 </li></ul><h1>, " + "abcdefghij" * 12,),
            photographs[:1],
        ),
        JobChange({"job": "2026-118"}, ("=1+1 paid in cash",), photographs[1:]),
    )
    entries: list[JobEntry] = []
    for change, at_utc, seal in zip(changes, (row.started_utc, AMENDED), ("", row.seal or ""), strict=True):
        entries.append(next_entry(row, entries, change.to_body(), at_utc, "somebody (invented)", seal))
    return entries


def with_job_sheet(one: Invented) -> Facts:
    """Return the facts of a session with an invented job sheet."""
    return replace(one.facts, job=job_of(one.record.session, job_sheet_of(one)))


@made_once
def out_of_travel() -> Invented:
    """A guitar with a fixed saddle whose crown has too little room."""
    instrument = load_instrument("acoustic-645")
    work = begun(instrument, out_of_tune(instrument, 21, 5.0), 21, frets="5 12")
    work.follow()
    return kept(work, "2026-11-25-11")


SESSIONS = {
    "2026-11-25-1": normal,
    "2026-11-25-2": thorough,
    "2026-11-25-3": eight,
    "2026-11-25-4": bass,
    "2026-11-25-5": still_open,
    "2026-11-25-7": quick,
    "2026-11-25-10": returned,
    "2026-11-25-11": out_of_travel,
    "2026-11-25-8": abandoned,
    "2026-11-25-9": empty,
    "2026-11-26-1": lambda: strings_of(1, 36),
    "2026-11-26-12": lambda: strings_of(12, 24),
}
"""Functions that make the sessions, by name. A session is made when a test first asks for it."""


def everything() -> tuple[Invented, ...]:
    """All of them."""
    return tuple(make() for make in SESSIONS.values())


def journal_of(path: Path, sessions: Sequence[Invented]) -> Path:
    """A journal that holds them, in this order."""
    with Journal.open(path) as journal:
        for one in sessions:
            journal.put(one.record)
    return path
