"""The state of a session: plain frozen data, the fold of its events.

Cents + sharp, mm + away from the nut, strings numbered from 1 (the thinnest).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from oscservice.advice.causes import Finding
from oscservice.advice.compared_frets import ComparedFrets
from oscservice.advice.comparison import Comparison, PluckReading
from oscservice.advice.expected_errors import Survey
from oscservice.advice.floating_bridge import Balance
from oscservice.advice.pluck_scatter import UNKNOWN_SCATTER, PluckScatter
from oscservice.advice.pluck_strength import Slope
from oscservice.advice.remaining_errors import StringRemains
from oscservice.advice.saddle_response import Response
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.session.events import ItemMeasured, ReadingTaken, StringChecked
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.vocabulary import INSPECTION_ITEMS, InspectionVerdict, Phase, Status


@dataclass(frozen=True)
class JudgedError:
    """A judged comparison of one string: error at the compared fret and its standard error in cents, and by how much
    the string pitches put it sharper than the first partials do."""

    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    ambiguity_cents: float | None = None
    ambiguity_se_cents: float = 0.0

    def as_comparison(self) -> Comparison:
        """The same as a comparison without flags."""
        found = (self.error_cents, self.se_cents, self.plucks, self.scatter_cents)
        return Comparison(*found, (), self.ambiguity_cents, self.ambiguity_se_cents)


@dataclass(frozen=True)
class Advice:
    """The advised move of a string's saddle.

    Attributes:
        mm: the move, + away from the nut; se_mm its standard error.
        turns: of the screw that moves it, sign as ``mm``; None without a screw.
        direction: in words.
        room_mm: travel left that way; missing_mm: what is needed beyond that.
        left_cents: the error that it should leave, as far as it can be made; None if unknown.
    """

    mm: float
    se_mm: float
    turns: float | None
    direction: str
    room_mm: float
    missing_mm: float
    left_cents: float | None = None


@dataclass(frozen=True)
class LastMove:
    """The last move of a saddle, in cents at the compared fret: the expected change of the error by geometry, the error
    and its standard error before it, and the standard deviation of placing the saddle."""

    geometric_cents: float
    before_cents: float
    before_se_cents: float
    placing_cents: float


@dataclass(frozen=True)
class StringState:
    """One string.

    Attributes:
        status: see Status.
        open_pluck, open_cents: the last open reading, and its cents from its nominal; None until heard. On a floating
            bridge, ``open_cents`` includes what tuning the others has done since.
        stiffness: B of the open string as last heard.
        learnt_stiffness: B as estimated from its open readings; None before the first with a B.
        unsure_cents: standard deviation of ``open_cents`` on a floating bridge; 0 on a fixed one.
        target_cents: where the open string should be now, from its nominal; not 0 while a floating bridge is being
            tuned, since strings tuned later pull it.
        goal_cents: where it should be after this round of tuning; awaits: it waits to be brought to its target in it.
        in_tune_by_hand: the technician said it is in tune.
        plucks: readings of the comparison under way, in order.
        slope: pitch against strength, learnt from earlier comparisons; None before the first.
        first, last: the first and the latest judged comparison.
        expected: the error that the last move should have left, before plucks after it.
        survey: its errors over the frets when last judged or surveyed; None before.
        last_move: the last move, until a comparison after it; None otherwise.
        response: its cents per millimetre over those of geometry, as learnt from moves.
        oddity: why its response may differ from geometry; empty if it does not.
        overruled: it gets advice although a cause was named.
        judged_here: the saddle was not moved since ``last``.
        advice: the move advised and not yet made, if any.
        moved_mm, moves: what the saddle has moved so far, and in how many moves.
        proved: passed the last pass.
        scattered: how often its comparison was given up for scatter; reopened: how often the last pass sent it back.
        harmonic_cents: the 12th-fret harmonic above the open octave, what stiffness explains taken off, if heard;
            harmonic_se_cents its standard error.
        no_harmonic: its last pass goes without the harmonic.
        plucks_left: how many more plucks were announced for the present work on it; plucks_why: why they became more,
            if they did.
        reason: why it was set aside.
        check: a quick check's verdict; None before.
    """

    status: Status = Status.UNTRIED
    open_pluck: PluckReading | None = None
    stiffness: float = 0.0
    learnt_stiffness: Stiffness | None = None
    open_cents: float | None = None
    unsure_cents: float = 0.0
    target_cents: float = 0.0
    goal_cents: float = 0.0
    awaits: bool = False
    in_tune_by_hand: bool = False
    plucks: tuple[PluckReading, ...] = ()
    slope: Slope | None = None
    first: JudgedError | None = None
    last: JudgedError | None = None
    expected: JudgedError | None = None
    survey: Survey | None = None
    last_move: LastMove | None = None
    response: Response = field(default_factory=Response)
    oddity: str = ""
    overruled: bool = False
    judged_here: bool = False
    advice: Advice | None = None
    moved_mm: float = 0.0
    moves: int = 0
    proved: bool = False
    scattered: int = 0
    reopened: int = 0
    no_harmonic: bool = False
    plucks_left: int = 0
    plucks_why: str = ""
    harmonic_cents: float | None = None
    harmonic_se_cents: float = 0.0
    reason: str = ""
    check: StringChecked | None = None

    @property
    def ended(self) -> bool:
        """True if no more work is planned on it before the last pass."""
        return self.status in (Status.SETTLED, Status.OUT_OF_TRAVEL, Status.SET_ASIDE)

    @property
    def left_out(self) -> bool:
        """True if the last pass leaves it out."""
        return self.status in (Status.OUT_OF_TRAVEL, Status.SET_ASIDE)


@dataclass(frozen=True)
class DoubtfulReading:
    """A note that could have been either of two readings, and how probable each is, the likelier first."""

    first: ReadingTaken
    second: ReadingTaken
    probability: float
    second_probability: float


@dataclass(frozen=True)
class HeldStep:
    """A step that waits for the technician: a word of the sentence table (``words``; empty: no step waits), and names
    and values of what it says."""

    word: str
    values: tuple[tuple[str, float], ...] = ()


NOTHING_HELD = HeldStep("")


@dataclass(frozen=True)
class Item:
    """An inspection item: its verdict and the note that goes with it."""

    verdict: InspectionVerdict = InspectionVerdict.WAITING
    note: str = ""


def _nothing_inspected() -> tuple[tuple[str, Item], ...]:
    return tuple((name, Item()) for name in INSPECTION_ITEMS)


@dataclass(frozen=True)
class State:
    """The whole session.

    Attributes:
        phase, outcome: see Phase and Ending; ``outcome`` is empty while it is open.
        revision: count of its steps, including those taken back and each undo.
        instrument, label, tolerance_cents, day: as begun; ``day`` is as 2026-11-25, empty if not known.
        fret, played: where errors are summed up, and the frets compared.
        previous: the instrument as its last session left it; changes: differences since then, with a line on each.
        items, measured: the inspection: its items, and measured values in mm, the latest last.
        strings: string 1 first; focus: number of the string being worked on, 0 for none.
        asked_place: a place asked for once; None: the work decides.
        doubt: a note that waits until somebody says which string it was; any other step drops it.
        strayed: the last note had the pitch that was asked for, but was taken for another string or place.
        findings: causes named so far; tested: the pattern of all strings was compared with them; unseen: nobody has
            taken note yet; survey_plucks: plucks at every fret before that is done.
        hand: how plucks scatter, as learnt from the comparisons so far.
        against: the session that a quick check compares with; None in a set-up.
        balance: positions and coupling of the strings of a floating bridge; None for a fixed one.
        round_share: how much of the way to pitch the present round of tuning goes.
        listening: notes are heard; by_hand: each step waits for the technician.
        held: the step that waits; None if an older journal doesn't say.
        as_left: remaining errors of the strings compared, when the session closed; None while it is open, or if an
            older journal doesn't say.
        past: the state before the last step, for undo; it is no part of equality.
    """

    phase: Phase = Phase.IDLE
    revision: int = 0
    instrument: Instrument | None = None
    label: str = ""
    tolerance_cents: float = 2.0
    fret: int = 12
    played: ComparedFrets = field(default_factory=ComparedFrets)
    findings: tuple[Finding, ...] = ()
    tested: bool = False
    unseen: bool = False
    survey_plucks: int = 2
    hand: PluckScatter = UNKNOWN_SCATTER
    against: SetupSummary | None = None
    balance: Balance | None = None
    round_share: float = 1.0
    items: tuple[tuple[str, Item], ...] = field(default_factory=_nothing_inspected)
    day: str = ""
    previous: Instrument | None = None
    measured: tuple[tuple[str, float], ...] = ()
    changes: tuple[tuple[str, str], ...] = ()
    strings: tuple[StringState, ...] = ()
    focus: int = 0
    asked_place: Place | None = None
    doubt: DoubtfulReading | None = None
    strayed: bool = False
    listening: bool = True
    by_hand: bool = False
    held: HeldStep | None = NOTHING_HELD
    outcome: str = ""
    as_left: tuple[StringRemains, ...] | None = None
    past: State | None = field(default=None, compare=False, repr=False)

    def string(self, number: int) -> StringState:
        """State of string ``number``."""
        return self.strings[number - 1]

    def named(self, number: int) -> Finding | None:
        """The first cause named for a string, or None."""
        return next((finding for finding in self.findings if number in finding.strings), None)

    @property
    def numbers(self) -> range:
        """Numbers of all strings."""
        return range(1, len(self.strings) + 1)


def with_string(state: State, number: int, **changes: Any) -> State:
    """The state with fields of one string replaced."""
    strings = list(state.strings)
    strings[number - 1] = replace(strings[number - 1], **changes)
    return replace(state, strings=tuple(strings))


def with_balance(state: State, balance: Balance) -> State:
    """The state with a floating bridge as now known, and the open pitch of every string that was heard."""
    strings = (
        string
        if string.open_cents is None
        else replace(string, open_cents=balance.cents(index), unsure_cents=balance.se_cents(index))
        for index, string in enumerate(state.strings)
    )
    return replace(state, balance=balance, strings=tuple(strings))


def with_measurement(state: State, instrument: Instrument, event: ItemMeasured) -> State:
    """The state with a measured value, and the instrument as it is by that."""
    kept = tuple((what, mm) for what, mm in state.measured if what != event.what)
    return replace(state, instrument=instrument, measured=(*kept, (event.what, event.value_mm)))


def floating(state: State) -> bool:
    """True if the instrument's bridge moves with the strings' tension."""
    return state.instrument is not None and state.instrument.bridge.floating


def pluck_reading(event: ReadingTaken) -> PluckReading:
    """A reading as evidence for a comparison."""
    flags = event.flags.split(", ")
    # A first partial too weak to be read was put where the string pitch is: then the two are one.
    two = event.string_se_cents is not None and "weak first partial" not in flags
    return PluckReading(
        Place.parse(event.place),
        event.f1_hz,
        event.se_cents,
        event.strength_db,
        event.string_hz if two else None,
        event.string_se_cents or 0.0,
        "clipped" in flags,
    )
