"""Any commands and any notes in any order: the session never breaks, never hangs, and its events tell all of it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from made_up_session import reading, two_equal_strings

from oscservice.api.address_table import lookup
from oscservice.api.event_text import sentence
from oscservice.api.topics import topics
from oscservice.instrument.instrument_file import load_instrument, preset_names
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.osc.packet import encode
from oscservice.sentences.sentence_table import ENGLISH
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.automatic_steps import advance
from oscservice.session.commands import Ignored, Refused
from oscservice.session.decide import decide
from oscservice.session.decide_reading import PITCH_RANGE_HZ
from oscservice.session.evolve import evolve
from oscservice.session.figures import NO_FIGURES, figures
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.session_results import summary_of
from oscservice.session.setup_summary import FretError
from oscservice.session.state import State
from oscservice.session.vocabulary import INSPECTION_ITEMS, Phase, Status

STRINGS = st.integers(0, 9)
WILD = st.floats(allow_nan=True, allow_infinity=True)
CENTS = st.one_of(st.floats(-12.0, 12.0), st.floats(-400.0, 400.0))
FRETS = st.one_of(st.integers(-1, 40).map(str), st.text("0123456789x. ,t", max_size=12), st.just("thorough"))
PLACES = st.one_of(st.just(OPEN), st.just(HARMONIC), st.integers(1, 30).map(lambda k: Place("fret", k)))


@cache
def instruments() -> list[Instrument]:
    """Every preset, and unusual builds: screws under clamps, no room to move, one string, two of one pitch."""
    given = [load_instrument(name) for name in preset_names()]
    paired = load_instrument("six-string-648-paired")
    clamped = paired.model_copy(update={"bridge": paired.bridge.model_copy(update={"slacken": True, "floating": True})})
    bass = load_instrument("bass-4-864")
    stuck = tuple(a.model_copy(update={"toward_nut_mm": 0.0, "away_mm": 0.3}) for a in bass.bridge.adjusters)
    jammed = bass.model_copy(update={"bridge": bass.bridge.model_copy(update={"adjusters": stuck})})
    single = bass.model_copy(
        update={
            "strings": bass.strings[:1],
            "bridge": bass.bridge.model_copy(update={"adjusters": bass.bridge.adjusters[:1]}),
        }
    )
    return [*given, clamped, jammed, single, two_equal_strings()]


@cache
def left(instrument: int) -> str:
    """The state after a set-up, the second string set aside; as JSON."""
    state = fold(decide(State(), cm.Begin(instruments()[instrument], "any")).events)
    heard = (FretError(12, 0.5, 0.4),)
    found = summary_of(state, "before")
    strings = [replace(one, open_cents=0.2, open_se_cents=0.6, errors=heard) for one in found.strings]
    strings[1:2] = [replace(one, status="set aside", left_out="rusty") for one in strings[1:2]]
    return replace(found, strings=tuple(strings)).to_json()


def check_topic(relative: str, values: tuple[int | float | str, ...]) -> None:
    """A topic is declared, and its values are as declared and can be sent."""
    found = lookup(relative)
    assert found is not None, relative
    address, _ = found
    assert not address.direction.incoming
    assert len(values) == len(address.arguments) or (address.rest and len(values) > len(address.arguments)), relative
    kinds = {"i": int, "f": float, "s": str}
    more = [address.arguments[-1]] * (len(values) - len(address.arguments))
    for value, argument in zip(values, [*address.arguments, *more], strict=True):
        assert type(value) is kinds[argument.tag] or (argument.tag == "s" and isinstance(value, str)), relative
        if isinstance(value, str):
            assert not argument.words or value in argument.words, (relative, value)
            assert "\n" not in value
        else:
            assert math.isfinite(value), relative
            assert argument.low is None or value >= argument.low, (relative, value)
            assert argument.high is None or value <= argument.high, (relative, value)
    encode("/bench" + relative, *values)


class Session(RuleBasedStateMachine):
    """A session driven at random, with a plain model of what taking back must give."""

    def __init__(self) -> None:
        super().__init__()
        self.state = State()
        self.figures = NO_FIGURES
        self.replayed = State()
        self.journal: list[str] = []
        self.earlier: list[State] = []

    def do(self, command: cm.Command) -> None:
        before = self.state
        refusal, reason = None, None
        events: list[ev.Event] = []
        try:
            events = decide(self.state, command).events
        except Refused as refused:
            refusal = refused
        except Ignored as ignored:
            reason = ignored
        if refusal is not None:
            assert refusal.code in ("phase", "missing", "range", "refused")
            assert refusal.text
            assert "\n" not in refusal.text
            assert not isinstance(command, cm.Undo) or not self.earlier
        if reason is not None:
            assert isinstance(command, cm.Hear)
            assert str(reason)
        if not events:
            return
        self.state = fold(events, before)
        if isinstance(command, cm.Begin | cm.Quick):
            self.journal, self.replayed, self.earlier = [], State(), []
        elif isinstance(command, cm.Undo):
            was = self.earlier.pop()
            assert replace(self.state, revision=0) == replace(was, revision=0)
        else:
            self.earlier.append(before)
        if self.state.phase is Phase.CLOSED:
            self.earlier = []
        assert self.state.revision == (1 if isinstance(command, cm.Begin | cm.Quick) else before.revision + 1)
        for event in events:
            kind, body = ev.to_body(event)
            text = json.dumps([kind, body], allow_nan=False)
            self.journal.append(text)
            again = ev.from_body(*json.loads(text))
            assert again == event
            self.replayed = evolve(self.replayed, again)
            line = sentence(event)
            assert line is None or (line and "\n" not in line)

    @initialize(
        instrument=st.sampled_from(range(len(instruments()))),
        tolerance=st.sampled_from([0.2, 1.0, 2.0, 20.0]),
        inspected=st.sampled_from([True, True, True, False]),
        tuned=st.booleans(),
        frets=st.sampled_from(["", "", "5", "5 12x2", "thorough"]),
        quick=st.sampled_from([False, False, False, True]),
    )
    def started(self, instrument: int, tolerance: float, inspected: bool, tuned: bool, frets: str, quick: bool) -> None:
        if quick:
            self.do(cm.Quick(instruments()[instrument], left(instrument), tolerance))
            return
        last = cm.LastTime(instruments()[0], instruments()[0])
        day = "2026-11-25" if tuned else ""
        self.do(cm.Begin(instruments()[instrument], "any", tolerance, frets, day, last if tuned else None))
        if inspected:
            self.do(cm.Inspect("all", "passed"))
        while tuned and self.state.phase is Phase.TUNING:
            self.do(cm.Next())

    @rule(instrument=st.sampled_from(range(len(instruments()))), tolerance=WILD, frets=FRETS)
    def begin(self, instrument: int, tolerance: float, frets: str) -> None:
        self.do(cm.Begin(instruments()[instrument], "any", tolerance, frets))

    @rule(instrument=st.sampled_from(range(len(instruments()))), frets=st.sampled_from(["1", "3", "12", "20"]))
    @precondition(lambda self: self.state.phase is Phase.CLOSED)
    def begin_another(self, instrument: int, frets: str) -> None:
        self.do(cm.Begin(instruments()[instrument], "another", 1.5, frets))

    @rule(
        instrument=st.sampled_from(range(len(instruments()))),
        before=st.sampled_from(range(len(instruments()))),
        same=st.booleans(),
        tolerance=st.one_of(st.none(), st.sampled_from([1.0, 2.0]), WILD),
    )
    def quick(self, instrument: int, before: int, same: bool, tolerance: float | None) -> None:
        self.do(cm.Quick(instruments()[instrument], left(instrument if same else before), tolerance))

    @rule(
        item=st.sampled_from(["all", "varnish", *INSPECTION_ITEMS]),
        verdict=st.sampled_from(["passed", "waived", "failed", "waiting", "fine"]),
        note=st.sampled_from(["", " ", "so"]),
    )
    @precondition(lambda self: self.state.phase is Phase.INSPECTING)
    def inspect(self, item: str, verdict: str, note: str) -> None:
        self.do(cm.Inspect(item, verdict, note))

    @rule(
        what=st.sampled_from(
            ["relief", "action/treble", "action/bass", "pickup/bass", "nut/1", "nut/6", "nut/13", "varnish"]
        ),
        mm=st.one_of(st.floats(-0.2, 3.0), st.floats(-3.0, 12.0), WILD),
    )
    def measured(self, what: str, mm: float) -> None:
        self.do(cm.Measured(what, mm))

    @rule(day=st.sampled_from(["2026-11-25", "2026-11-01", "2024-02-29", "2026-02-29", "2027-01-01", "", "today"]))
    @precondition(lambda self: self.state.phase is Phase.INSPECTING)
    def fitted(self, day: str) -> None:
        self.do(cm.Fitted(day))

    @rule(hours=st.one_of(st.floats(0.0, 60.0), WILD))
    @precondition(lambda self: self.state.phase is Phase.INSPECTING)
    def played(self, hours: float) -> None:
        self.do(cm.Played(hours))

    @rule(on=st.booleans())
    @precondition(lambda self: self.state.phase is Phase.INSPECTING)
    def stretched(self, on: bool) -> None:
        self.do(cm.Stretched(on))

    @rule()
    @precondition(lambda self: self.state.phase is Phase.INSPECTING)
    def inspect_all(self) -> None:
        for item in INSPECTION_ITEMS:
            self.do(cm.Inspect(item, "passed"))

    @rule(times=st.integers(1, 9))
    @precondition(lambda self: self.state.phase in (Phase.TUNING, Phase.RETUNING))
    def all_tuned(self, times: int) -> None:
        for _ in range(times):
            self.do(cm.Next())

    @rule()
    def next(self) -> None:
        self.do(cm.Next())

    @rule(times=st.sampled_from([1, 1, 1, 2, 12]))
    def undo(self, times: int) -> None:
        for _ in range(times):
            self.do(cm.Undo())

    @rule(abandon=st.integers(0, 15))
    def end(self, abandon: int) -> None:
        self.do(cm.Abandon() if abandon == 7 else cm.Finish())

    @rule(string=STRINGS, place=st.one_of(st.none(), PLACES))
    def focus(self, string: int, place: Place | None) -> None:
        self.do(cm.Focus(string, place))

    @rule(string=STRINGS)
    def slackened(self, string: int) -> None:
        self.do(cm.Slackened(string))

    @rule(string=STRINGS, mm=st.one_of(st.floats(-6.0, 6.0), st.floats(-60.0, 60.0), WILD), first=st.booleans())
    def moved(self, string: int, mm: float, first: bool) -> None:
        if first:
            self.do(cm.Slackened(string))
        self.do(cm.Moved(string, mm))

    @rule(string=STRINGS, turns=st.one_of(st.floats(-10.0, 10.0), WILD))
    def turned(self, string: int, turns: float) -> None:
        self.do(cm.Turned(string, turns))

    @rule(string=STRINGS, reason=st.sampled_from(["", "worn", "worn"]))
    def set_aside(self, string: int, reason: str) -> None:
        self.do(cm.SetAside(string, reason))

    @rule(string=STRINGS)
    def overrule(self, string: int) -> None:
        self.do(cm.Overrule(string))

    @rule(string=STRINGS, place=st.one_of(st.none(), PLACES))
    def plucked(self, string: int, place: Place | None) -> None:
        self.do(cm.Plucked(string, place))

    @rule()
    def discard(self) -> None:
        self.do(cm.Discard())

    @rule(on=st.sampled_from([True, True, False]))
    def listen(self, on: bool) -> None:
        self.do(cm.Listen(on))

    @rule(
        string=STRINGS,
        place=PLACES,
        cents=CENTS,
        se=st.floats(0.0, 6.0),
        only=st.one_of(st.none(), STRINGS),
        b=st.floats(1e-6, 1e-2),
        b_se=st.one_of(st.just(math.inf), st.floats(1e-7, 1e-3)),
    )
    def hear(self, string: int, place: Place, cents: float, se: float, only: int | None, b: float, b_se: float) -> None:
        if self.state.instrument is not None and string in self.state.numbers:
            nominal_hz = self.state.instrument.place_hz(string, place)
            note = reading(nominal_hz * 2.0 ** (cents / 1200.0), se, inharmonicity=b, inharmonicity_se=b_se)
            self.do(cm.Hear(note, only))

    @rule(hz=st.one_of(WILD, st.just(5e-324)), se=WILD, level=WILD)
    def hear_anything(self, hz: float, se: float, level: float) -> None:
        before = self.state
        self.do(cm.Hear(reading(hz, se, level)))
        low_hz, high_hz = PITCH_RANGE_HZ
        if not (low_hz <= hz <= high_hz and 0.0 <= se < math.inf and math.isfinite(level)):
            assert self.state is before, "no reading of a string"

    @rule(error=st.floats(-40.0, 40.0), scatter=st.sampled_from([0.0, 0.2, 0.2, 6.0]), notes=st.integers(4, 60))
    def do_as_asked(self, error: float, scatter: float, notes: int) -> None:
        for k in range(notes):
            self.pluck_what_is_asked(error + scatter * (-1) ** (k // 2))

    @rule(error=st.floats(-3.0, 3.0), until=st.sampled_from([Phase.PROVING, Phase.PROVING, Phase.MOVING, Phase.CLOSED]))
    @precondition(lambda self: self.state.phase not in (Phase.IDLE, Phase.INSPECTING, Phase.CLOSED))
    def work_on(self, error: float, until: Phase) -> None:
        for k in range(200):
            if self.state.phase is until:
                return
            self.pluck_what_is_asked(error + 0.1 * (-1) ** (k // 2))

    def pluck_what_is_asked(self, error: float) -> None:
        """The place that is waited for; a string that is to be let down sounds far below."""
        waited = asked(self.state)
        if waited is not None and self.state.instrument is not None:
            string, place = waited
            down = self.state.phase is Phase.MOVING and prompt(self.state).code == "slacken"
            cents = -450.0 if down else 0.0 if place == OPEN else error
            self.do(cm.Hear(reading(self.state.instrument.place_hz(string, place) * 2.0 ** (cents / 1200.0))))

    @invariant()
    def events_tell_all(self) -> None:
        assert self.replayed == self.state

    @invariant()
    def at_rest_with_work_in_hand(self) -> None:
        state = self.state
        assert advance(state) == []
        if state.phase in (Phase.IDLE, Phase.INSPECTING, Phase.CLOSED):
            assert state.focus == 0
            return
        string = state.string(state.focus)
        if state.phase is Phase.COMPARING and not state.unseen:
            assert string.status in (Status.COMPARING, Status.UNTRIED)
            assert not any(s.status in (Status.SLACK, Status.RETUNING) for s in state.strings)
        if state.phase is Phase.CHECKING:
            assert string.status is Status.COMPARING
            assert string.check is None
            assert state.against is not None
        if state.phase is Phase.PROVING:
            assert string.status is Status.SETTLED
            assert not string.proved
            assert all(s.ended for s in state.strings)
        if state.phase is Phase.MOVING:
            assert string.status in (Status.TO_MOVE, Status.SLACK)
        for s in state.strings:
            assert (s.status is Status.SET_ASIDE) == bool(s.reason)
            assert (s.status is Status.CHECKED) == (s.check is not None)
            assert not s.proved or s.status is Status.SETTLED
            assert s.advice is not None or s.status is not Status.TO_MOVE
            assert s.last is not None or s.status not in (Status.SETTLED, Status.OUT_OF_TRAVEL)

    @invariant()
    def there_is_always_a_prompt(self) -> None:
        now = prompt(self.state)
        assert now.code in ENGLISH.column("prompt", "text")
        assert now.text
        assert not set("{}\n") & set(now.text)

    @invariant()
    def topics_are_as_declared(self) -> None:
        self.figures = figures(self.state, self.figures)
        for relative, values in topics(self.state, known=self.figures).items():
            check_topic(relative, values)

    def teardown(self) -> None:
        assert fold(ev.from_body(*json.loads(text)) for text in self.journal) == self.state
        assert topics(self.state) == topics(self.state, known=self.figures)  # what was carried over still holds


Session.TestCase.settings = settings(max_examples=80, stateful_step_count=40, suppress_health_check=list(HealthCheck))
TestSession = Session.TestCase
