"""One string of a session: plain frozen data, and what each event changes of it.

Cents + sharp, mm + away from the nut. Nothing is calculated here: what was concluded from an event is copied from it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from oscservice.advice.comparison import PluckReading
from oscservice.advice.expected_errors import Survey
from oscservice.advice.pluck_strength import Slope
from oscservice.advice.saddle_response import Response
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.pitch import OPEN, Place
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session.event_values import JudgedError, LastMove, MoveOutcome
from oscservice.session.vocabulary import MissedStep, Status

READING_MM = 0.15
"""Two readings of a saddle's place differ by as much without a move (assumed, for a rule read by eye)."""

SADDLE_NOTICES = (MissedStep.SADDLE_NOT_MOVED, MissedStep.SADDLE_MOVED_WRONG_WAY, MissedStep.SADDLE_MOVED_OTHERWISE)


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
class StringState:
    """One string.

    Attributes:
        status: see Status.
        open_pluck, open_cents: the last open reading, and its cents from its nominal; None until heard. On a floating
            bridge, ``open_cents`` includes what tuning the others has done since.
        stiffness: B of the open string as last heard.
        learnt_stiffness: B as estimated from its open readings; None before the first with a B.
        unsure_cents: standard deviation of ``open_cents`` on a spring-balanced bridge; 0 on a fixed one.
        target_cents: where the open string should be now, from its nominal; not 0 while a spring-balanced bridge is
            being tuned, since strings tuned later pull it.
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
        saddle_at_mm: the saddle's first and latest reading from a fixed edge; None until measured.
        moved_unread_mm: what it moved since the latest reading.
        clamp_from_cents: the open string before the nut clamps were closed or opened, until it is heard after that.
        nut_shift_cents: change of the open string when the nut clamps were last closed or opened; None if unknown.
        move_noticed: the last move was found to be another than advised.
        stretches: how often it was found to fall.
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
    check: ev.StringChecked | None = None
    saddle_at_mm: tuple[float | None, float | None] = (None, None)
    moved_unread_mm: float = 0.0
    clamp_from_cents: float | None = None
    nut_shift_cents: float | None = None
    move_noticed: bool = False
    stretches: int = 0

    @property
    def ended(self) -> bool:
        """True if no more work is planned on it before the last pass."""
        return self.status in (Status.SETTLED, Status.OUT_OF_TRAVEL, Status.SET_ASIDE)

    @property
    def left_out(self) -> bool:
        """True if the last pass leaves it out."""
        return self.status in (Status.OUT_OF_TRAVEL, Status.SET_ASIDE)


def pluck_reading(event: ev.ReadingTaken) -> PluckReading:
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


# Plucks


def after_reading(string: StringState, event: ev.ReadingTaken, *, in_focus: bool, being_tuned: bool) -> StringState:
    """The pluck joins the comparison, or says how the string is tuned."""
    place, pluck = Place.parse(event.place), pluck_reading(event)
    plucks = string.plucks
    changes: dict[str, Any] = {"plucks_left": max(0, string.plucks_left - in_focus)}
    if place == OPEN:
        if being_tuned:
            plucks = ()  # plucks before and after a peg was turned can't be compared
        changes |= {"open_pluck": pluck, "stiffness": event.inharmonicity, "open_cents": event.cents}
        if string.clamp_from_cents is not None:
            changes |= {"nut_shift_cents": event.cents - string.clamp_from_cents, "clamp_from_cents": None}
        if event.learnt_stiffness is not None:
            changes["learnt_stiffness"] = values.stiffness_of(event.learnt_stiffness)
    elif event.harmonic is not None:
        changes["harmonic_cents"], changes["harmonic_se_cents"] = values.harmonic_of(event.harmonic)
    changes["plucks"] = (*plucks, pluck) if event.counted else plucks
    return replace(string, **changes)


def without_last_pluck(string: StringState) -> StringState:
    """The last pluck is taken out of the comparison."""
    return replace(string, plucks=string.plucks[:-1])


def without_scattered_plucks(string: StringState, _: ev.ScatterFound) -> StringState:
    """The plucks scatter too much: the comparison starts again."""
    return replace(string, plucks=(), plucks_left=0, scattered=string.scattered + 1)


def after_forecast(string: StringState, event: ev.PlucksForeseen) -> StringState:
    """So many more plucks were announced."""
    return replace(string, plucks_left=event.left, plucks_why=event.why)


def without_harmonic(string: StringState) -> StringState:
    """The last pass goes without the harmonic."""
    return replace(string, no_harmonic=True)


# The end of a comparison


def after_judgement(string: StringState, event: ev.StringJudged) -> StringState:
    """A comparison led to a decision."""
    outcome = _outcome(event)
    advice = None
    if event.status in (Status.TO_MOVE, Status.OUT_OF_TRAVEL):
        move = (event.move_mm, event.move_se_mm, event.turns, event.direction, event.room_mm, event.missing_mm)
        advice = Advice(*move, event.left_cents)
    return replace(
        _after_comparison(string, event),
        status=Status(event.status),
        last=outcome,
        first=string.first or outcome,
        advice=advice,
        judged_here=True,
        proved=string.proved and event.status == Status.SETTLED,
        plucks_left=0,
        scattered=0,
    )


def after_survey(string: StringState, event: ev.StringSurveyed) -> StringState:
    """The errors over the frets are known."""
    return replace(_after_comparison(string, event), survey=values.survey_of(event.survey), plucks_left=0)


def after_proof(string: StringState, event: ev.StringProved) -> StringState:
    """The last pass found the string within tolerance."""
    string = _after_comparison(string, event)
    return replace(string, last=_outcome(event), judged_here=True, proved=True, plucks_left=0)


def after_check(string: StringState, event: ev.StringChecked) -> StringState:
    """A quick check has its verdict."""
    found = JudgedError(event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    verdict = ev.without_conclusions(event)
    return replace(_after_comparison(string, event), status=Status.CHECKED, last=found, judged_here=True, check=verdict)


def _after_comparison(
    string: StringState, event: ev.StringJudged | ev.StringSurveyed | ev.StringProved | ev.StringChecked
) -> StringState:
    """The slope is as known after the comparison; the next one begins without its plucks."""
    assert event.strength_slope is not None
    return replace(string, slope=values.slope_of(event.strength_slope), plucks=())


def _outcome(event: ev.StringJudged | ev.StringProved) -> JudgedError:
    found = (event.error_cents, event.se_cents, event.plucks, event.scatter_cents)
    return JudgedError(*found, event.ambiguity_cents, event.ambiguity_se_cents)


# Work on the string


def after_overruling(string: StringState, _: ev.StringOverruled) -> StringState:
    """The string gets advice, whatever cause was named."""
    status = Status.COMPARING if string.status is Status.SET_ASIDE else string.status
    return replace(string, status=status, overruled=True, reason="", proved=False)


def after_reopening(string: StringState, event: ev.StringReopened, *, in_last_pass: bool) -> StringState:
    """The string is compared again."""
    changes: dict[str, Any] = {"plucks": (), "plucks_left": 0, "reason": "", "advice": None, "check": None}
    if in_last_pass:  # what the last pass contradicts is not counted on
        changes |= {"survey": None, "expected": None, "reopened": string.reopened + 1}
    if event.afresh:
        changes |= {"survey": None, "harmonic_cents": None, "scattered": 0}
    return replace(string, status=Status.COMPARING, proved=False, **changes)


def after_setting_aside(string: StringState, event: ev.StringSetAside) -> StringState:
    """No more work is planned on the string."""
    changes: dict[str, Any] = {"advice": None, "plucks": (), "plucks_left": 0, "proved": False, "check": None}
    return replace(string, status=Status.SET_ASIDE, reason=event.reason, **changes)


def after_slackening(string: StringState) -> StringState:
    """The string is slack."""
    changes: dict[str, Any] = {"plucks": (), "plucks_left": 0, "proved": False, "in_tune_by_hand": False, "reason": ""}
    return replace(string, status=Status.SLACK, open_pluck=None, open_cents=None, clamp_from_cents=None, **changes)


def after_clamping(string: StringState) -> StringState:
    """The nut clamps were closed or opened: the open string may have another pitch."""
    before = string.open_cents if string.clamp_from_cents is None else string.clamp_from_cents
    changes: dict[str, Any] = {"clamp_from_cents": before, "nut_shift_cents": None, "in_tune_by_hand": False}
    return replace(string, plucks=(), plucks_left=0, open_pluck=None, open_cents=None, **changes)


def after_reading_of_saddle(string: StringState, event: ev.SaddleMeasured) -> StringState:
    """The saddle is where it was read. Moves since the last reading were as the two readings say."""
    first, last = string.saddle_at_mm
    changes: dict[str, Any] = {"saddle_at_mm": (event.at_mm if first is None else first, event.at_mm)}
    by_mm = 0.0 if last is None else event.at_mm - last - string.moved_unread_mm
    if abs(by_mm) > READING_MM:
        # What the last move was to leave of the error was calculated for another move.
        changes |= {"moved_mm": string.moved_mm + by_mm, "expected": None, "last_move": None, "judged_here": False}
    return replace(string, moved_unread_mm=0.0, **changes)


def after_notice(string: StringState, event: ev.MissedStepNoticed) -> StringState:
    """A step was left out or done wrongly."""
    if event.what == MissedStep.STILL_STRETCHING:
        return replace(string, stretches=string.stretches + 1, plucks=(), plucks_left=0, open_cents=None)
    if event.what not in SADDLE_NOTICES:
        return string
    if event.read or event.what == MissedStep.SADDLE_MOVED_OTHERWISE:
        return replace(string, move_noticed=True)
    # Nothing is learnt from a move that was not made, or was made the wrong way: only where the saddle is now.
    return replace(
        string,
        move_noticed=True,
        moved_mm=string.moved_mm + event.found - event.wanted,
        expected=None,
        last_move=None,
    )


def after_learning(string: StringState, event: ev.ResponseLearnt) -> StringState:
    """The effect of the last move was heard."""
    assert event.response is not None
    return replace(string, response=values.response_of(event.response), oddity=event.oddity, last_move=None)


def after_move(string: StringState, outcome: MoveOutcome, mm: float, *, its_own: bool) -> StringState:
    """The saddle is ``mm`` elsewhere; ``its_own``: it was moved for this string. What is known of the error changes
    with it."""
    changes: dict[str, Any] = {
        "response": outcome.response,
        "expected": outcome.expected,
        "last_move": outcome.last_move,
        "judged_here": string.judged_here and mm == 0.0,
        "moved_mm": string.moved_mm + mm,
        "moved_unread_mm": string.moved_unread_mm + mm,
        "move_noticed": False,
        "clamp_from_cents": None,
        "moves": string.moves + (mm != 0.0),
        "plucks": (),
        "plucks_left": 0,
        "proved": False,
        "in_tune_by_hand": False,
        # A millimetre of saddle under a string at pitch is worth semitones: it may be anywhere now.
        "open_pluck": None,
        "open_cents": None,
    }
    if outcome.unsure_cents is not None:
        changes["unsure_cents"] = outcome.unsure_cents
    if its_own:
        changes |= {"status": Status.RETUNING, "advice": None, "reason": ""}
    elif string.status in (Status.SETTLED, Status.OUT_OF_TRAVEL):
        changes |= {"status": Status.UNTRIED, "advice": None}
    return replace(string, **changes)
