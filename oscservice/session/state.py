"""The state of a session: plain frozen data, and what each event changes of it.

Cents + sharp, mm + away from the nut, strings numbered from 1 (the thinnest). Nothing is calculated here: what was
concluded from an event is copied from it. What an event changes of one string is in ``session.string_state``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from oscservice.advice.causes import Finding
from oscservice.advice.compared_frets import ComparedFrets
from oscservice.advice.floating_bridge import Balance
from oscservice.advice.pluck_scatter import UNKNOWN_SCATTER, PluckScatter
from oscservice.advice.remaining_errors import StringRemains
from oscservice.instrument.modified_instrument import with_strings_described, with_strings_fitted
from oscservice.instrument.pitch import OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.session import event_values as values
from oscservice.session import events as ev
from oscservice.session import string_state
from oscservice.session.event_values import NOTHING_HELD, HeldStep
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.string_state import StringState
from oscservice.session.vocabulary import (
    FIRST_ITEMS,
    INSPECTION_ITEMS,
    STRINGS,
    InspectionVerdict,
    MissedStep,
    Phase,
    Status,
)


@dataclass(frozen=True)
class DoubtfulReading:
    """A note that could have been either of two readings, and how probable each is, the likelier first."""

    first: ev.ReadingTaken
    second: ev.ReadingTaken
    probability: float
    second_probability: float


@dataclass(frozen=True)
class Item:
    """An inspection item: its verdict and the note that goes with it."""

    verdict: InspectionVerdict = InspectionVerdict.WAITING
    note: str = ""


def _nothing_inspected(names: Iterable[str] = INSPECTION_ITEMS) -> tuple[tuple[str, Item], ...]:
    return tuple((name, Item()) for name in names)


@dataclass(frozen=True)
class State:
    """The whole session.

    Attributes:
        phase, outcome: see Phase and Ending; ``outcome`` is empty while it is open.
        revision: count of its steps, including those taken back and each undo.
        instrument, label, tolerance_cents, day: as begun; ``day`` is as 2026-11-25, empty if not known.
        fret, played: where errors are summed up, and the frets compared.
        previous: the instrument as its last session left it; changes: differences since then, with a line on each.
        items, measured: the inspection: its items, and measured values in mm, the latest last; measured_left: values as
            the work leaves them, which the instrument here does not have.
        strings: string 1 first; focus: number of the string being worked on, 0 for none.
        asked_place: a place asked for once; None: the work decides.
        doubt: a note that waits until somebody says which string it was; any other step drops it.
        strayed: the last note had the pitch that was asked for, but was taken for another string or place.
        findings: causes named so far; tested: the pattern of all strings was compared with them; unseen: nobody has
            taken note yet; survey_plucks: plucks at every fret before that is done.
        pluck_scatter: scatter of plucks, as learnt from the comparisons so far.
        against: the session that a quick check compares with; None in a set-up.
        balance: positions and coupling of the strings of a spring-balanced bridge; None for a fixed one.
        round_share: how much of the way to pitch the present round of tuning goes.
        listening: notes are heard; by_hand: each step waits for the technician.
        held: the step that waits; None if an older journal doesn't say.
        tuners_centred: the fine tuners were set to the middle; nut_closed: the clamps of a locking nut are closed, None
            if not known.
        nut_reopened, nut_doubted: once the clamps seemed to be closed when they should be open, or the other way round.
        action_checked: the action was measured again after long moves.
        notice: the step that was left out or done wrongly, as found in the last step; None if none was.
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
    pluck_scatter: PluckScatter = UNKNOWN_SCATTER
    against: SetupSummary | None = None
    balance: Balance | None = None
    round_share: float = 1.0
    items: tuple[tuple[str, Item], ...] = field(default_factory=_nothing_inspected)
    day: str = ""
    previous: Instrument | None = None
    measured: tuple[tuple[str, float], ...] = ()
    measured_left: tuple[tuple[str, float], ...] = ()
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
    tuners_centred: bool = False
    nut_closed: bool | None = None
    nut_reopened: bool = False
    nut_doubted: bool = False
    action_checked: bool = False
    notice: ev.MissedStepNoticed | None = None
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
    return _put(state, number, replace(state.string(number), **changes))


def with_balance(state: State, balance: Balance) -> State:
    """The state with a spring-balanced bridge as now known, and the open pitch of every string that was heard."""
    strings = (
        string
        if string.open_cents is None
        else replace(string, open_cents=balance.cents(index), unsure_cents=balance.se_cents(index))
        for index, string in enumerate(state.strings)
    )
    return replace(state, balance=balance, strings=tuple(strings))


def with_measurement(state: State, instrument: Instrument, event: ev.ItemMeasured) -> State:
    """The state with a measured value, and the instrument as it is by that."""
    kept = tuple((what, mm) for what, mm in state.measured if what != event.what)
    return replace(state, instrument=instrument, measured=(*kept, (event.what, event.value_mm)))


def floating(state: State) -> bool:
    """True if the instrument's bridge moves with the strings' tension."""
    return state.instrument is not None and state.instrument.bridge.floating


def apply(state: State, event: ev.Event) -> State:
    """The state after an event whose concluded fields are filled in. Never raises for an event that ``decide`` made."""
    if isinstance(event, ev.TakenBack):
        return state if state.past is None else replace(state.past, revision=state.revision + 1)
    changed: Callable[[State, Any], State] = _CHANGES[type(event)]
    return changed(state, event)


def _put(state: State, number: int, string: StringState) -> State:
    return replace(state, strings=(*state.strings[: number - 1], string, *state.strings[number:]))


def _on_string(changed: Callable[[StringState, Any], StringState]) -> Callable[[State, Any], State]:
    """The change of a state by an event that concerns one string only."""
    return lambda state, event: _put(state, event.string, changed(state.string(event.string), event))


# Steps and phases


def _step_begun(state: State, event: ev.StepBegun) -> State:
    unsaid = None if state.by_hand else NOTHING_HELD
    held = unsaid if event.held is None else values.held_of(event.held)
    return replace(state, past=state, revision=state.revision + 1, doubt=None, notice=None, held=held)


def _session_begun(state: State, event: ev.SessionBegun) -> State:
    # Nothing is left of what was on the bench before: a journal, which begins here, gives the same state.
    instrument = Instrument.from_json(event.instrument)
    played = ComparedFrets.parse(event.frets, instrument.frets) if event.frets else ComparedFrets((event.fret,), (1.0,))
    return State(
        phase=Phase.CHECKING if event.against else Phase.INSPECTING,
        balance=None if event.balance is None else values.first_balance_of(event.balance),
        revision=1,
        instrument=instrument,
        label=event.label,
        tolerance_cents=event.tolerance_cents,
        fret=event.fret,
        played=played,
        items=_nothing_inspected(event.items.split() or FIRST_ITEMS),
        day=event.day,
        by_hand=event.by_hand,
        previous=Instrument.from_json(event.previous) if event.previous else None,
        strings=tuple(StringState() for _ in instrument.strings),
        against=SetupSummary.from_json(event.against) if event.against else None,
    )


def _phase_entered(state: State, event: ev.PhaseEntered) -> State:
    phase = Phase(event.phase)
    state = _without_targets(state)
    strings = state.strings
    if phase is Phase.RETUNING and floating(state):
        strings = tuple(replace(s, in_tune_by_hand=False) for s in strings)
    if phase is Phase.PROVING:
        strings = tuple(replace(s, plucks=()) for s in strings)
    return replace(state, phase=phase, strings=strings, asked_place=None)


def _focused(state: State, event: ev.Focused) -> State:
    place = Place.parse(event.place) if event.place else None
    state = replace(state, focus=event.string, asked_place=place)
    string = state.string(event.string)
    if state.phase in (Phase.COMPARING, Phase.CHECKING) and string.status is Status.UNTRIED:
        return with_string(state, event.string, status=Status.COMPARING, plucks=())
    return state


def _by_hand_set(state: State, event: ev.ByHandSet) -> State:
    return replace(state, by_hand=event.on, held=NOTHING_HELD)


def _listening_set(state: State, event: ev.ListeningSet) -> State:
    return replace(state, listening=event.on)


def _session_closed(state: State, event: ev.SessionClosed) -> State:
    as_left = None if event.as_left is None else values.remains_of(event.as_left)
    return replace(state, phase=Phase.CLOSED, outcome=event.outcome, as_left=as_left, focus=0, asked_place=None)


# Inspection


def _item_inspected(state: State, event: ev.ItemInspected) -> State:
    return _with_item(state, event.item, Item(InspectionVerdict(event.verdict), event.note))


def _item_measured(state: State, event: ev.ItemMeasured) -> State:
    assert state.instrument is not None
    assert event.instrument_change is not None
    if event.left:
        kept = tuple((what, mm) for what, mm in state.measured_left if what != event.what)
        return replace(state, measured_left=(*kept, (event.what, event.value_mm)))
    state = with_measurement(state, values.changed_instrument(event.instrument_change, state.instrument), event)
    return _with_item(state, event.item, Item()) if event.waits else state


def _strings_fitted(state: State, event: ev.StringsFitted) -> State:
    assert state.instrument is not None
    state = replace(state, instrument=with_strings_fitted(state.instrument, event.day))
    return _with_item(state, STRINGS, Item()) if event.waits else state


def _strings_described(state: State, event: ev.StringsDescribed) -> State:
    assert state.instrument is not None
    state = replace(state, instrument=with_strings_described(state.instrument, event.hours_played, event.stretched_in))
    return _with_item(state, STRINGS, Item()) if event.waits else state


def _change_noticed(state: State, event: ev.ChangeNoticed) -> State:
    """A line measured now replaces what was known of the same before."""
    kept = tuple(pair for pair in state.changes if pair[0] != event.what)
    return replace(state, changes=(*kept, (event.what, event.text)))


def _with_item(state: State, name: str, item: Item) -> State:
    return replace(state, items=tuple((n, item if n == name else old) for n, old in state.items))


# Readings


def _reading_taken(state: State, event: ev.ReadingTaken) -> State:
    state = _with_balance(state, event.balance)
    in_focus, being_tuned = event.string == state.focus, state.phase in (Phase.TUNING, Phase.RETUNING)
    string = string_state.after_reading(state.string(event.string), event, in_focus=in_focus, being_tuned=being_tuned)
    if state.balance is not None and Place.parse(event.place) == OPEN:
        string = replace(string, unsure_cents=state.balance.se_cents(event.string - 1))
    asked_place = None if in_focus else state.asked_place
    return _put(replace(state, strayed=bool(event.strayed), asked_place=asked_place), event.string, string)


def _reading_doubted(state: State, event: ev.ReadingDoubted) -> State:
    """The note waits until somebody says what it was."""
    first, second = (ev.ReadingTaken(**json.loads(body)) for body in (event.first, event.second))
    return replace(state, doubt=DoubtfulReading(first, second, event.probability, event.second_probability))


def _reading_discarded(state: State, event: ev.ReadingDiscarded) -> State:
    if event.string == 0:
        return state  # the step itself drops the note in doubt
    return _put(state, event.string, string_state.without_last_pluck(state.string(event.string)))


def _harmonic_passed_over(state: State, event: ev.HarmonicPassedOver) -> State:
    return replace(
        _put(state, event.string, string_state.without_harmonic(state.string(event.string))), asked_place=None
    )


# Comparisons and causes


def _compared(changed: Callable[[StringState, Any], StringState]) -> Callable[[State, Any], State]:
    """The change of a state by an event that ends the comparison of a string."""

    def _ended(state: State, event: ev.StringJudged | ev.StringSurveyed | ev.StringProved | ev.StringChecked) -> State:
        assert event.pluck_scatter is not None
        state = replace(state, pluck_scatter=values.scatter_of(event.pluck_scatter))
        return _put(state, event.string, changed(state.string(event.string), event))

    return _ended


def _cause_named(state: State, event: ev.CauseNamed) -> State:
    return replace(state, findings=(*state.findings, values.finding_of(event.finding)))


def _causes_tested(state: State, event: ev.CausesTested) -> State:
    return replace(state, tested=True, unseen=event.wait, asked_place=None)


def _survey_extended(state: State, event: ev.SurveyExtended) -> State:
    return replace(state, survey_plucks=event.plucks)


def _causes_seen(state: State, event: ev.CausesSeen) -> State:
    return replace(state, unseen=False)


# Work on a string


def _string_reopened(state: State, event: ev.StringReopened) -> State:
    in_last_pass = state.phase is Phase.PROVING
    if event.afresh:
        kept = tuple(finding for finding in state.findings if event.string not in finding.strings)
        state = replace(state, findings=kept, tested=False, unseen=False)
    string = string_state.after_reopening(state.string(event.string), event, in_last_pass=in_last_pass)
    return _put(state, event.string, string)


def _string_set_aside(state: State, event: ev.StringSetAside) -> State:
    asked_place = None if event.string == state.focus else state.asked_place
    string = string_state.after_setting_aside(state.string(event.string), event)
    return replace(_put(state, event.string, string), asked_place=asked_place)


def _string_slackened(state: State, event: ev.StringSlackened) -> State:
    """On a spring-balanced bridge the other strings are not where they were heard, and the round ends."""
    if event.balance is not None:
        state = _without_targets(_with_balance(state, event.balance))
    if floating(state):
        state = replace(state, strings=tuple(replace(s, in_tune_by_hand=False) for s in state.strings))
    state = _put(state, event.string, string_state.after_slackening(state.string(event.string)))
    return replace(state, phase=Phase.MOVING, focus=event.string, asked_place=None)


def _saddle_moved(state: State, event: ev.SaddleMoved) -> State:
    """The saddle is elsewhere, and with it all that its adjuster moves."""
    assert state.instrument is not None
    assert event.outcomes is not None
    shares = state.instrument.saddles_moved_with(event.string)
    for number, outcome in values.outcomes_of(event.outcomes).items():
        mm = event.mm * shares[number] / shares[event.string]
        string = string_state.after_move(state.string(number), outcome, mm, its_own=number == event.string)
        state = _put(state, number, string)
    state = _without_targets(_with_balance(state, event.balance))
    return replace(state, phase=Phase.RETUNING, focus=event.string, asked_place=None)


# Steps that can't be heard, and what is noticed of them


def _fine_tuners_centred(state: State, event: ev.FineTunersCentred) -> State:
    return replace(state, tuners_centred=True)


def _nut_clamped(state: State, event: ev.NutClamped) -> State:
    """Every string may have another pitch."""
    state = _without_targets(_with_balance(state, event.balance))
    strings = tuple(string_state.after_clamping(string) for string in state.strings)
    return replace(state, nut_closed=event.closed, strings=strings, asked_place=None)


def _action_checked(state: State, event: ev.ActionChecked) -> State:
    return replace(state, action_checked=True)


def _missed_step_noticed(state: State, event: ev.MissedStepNoticed) -> State:
    state = replace(
        _put(state, event.string, string_state.after_notice(state.string(event.string), event)), notice=event
    )
    if event.what == MissedStep.NUT_STILL_CLOSED:
        return replace(state, nut_closed=None, nut_reopened=True)
    if event.what == MissedStep.NUT_STILL_OPEN:
        return replace(state, nut_closed=False, nut_doubted=True)
    return state


# Tuning


def _tuned_by_hand(state: State, event: ev.TunedByHand) -> State:
    state = _with_balance(state, event.balance)
    return replace(with_string(state, event.string, in_tune_by_hand=True, plucks=()), asked_place=None)


def _targets_set(state: State, event: ev.TargetsSet) -> State:
    """Every string has a pitch to be at, and some wait to be brought there."""
    targets, goals = ([float(cents) for cents in text.split()] for text in (event.targets_cents, event.goal_cents))
    awaiting = {int(n) for n in event.awaiting.split()}
    strings = (
        replace(string, target_cents=target, goal_cents=goal, awaits=n in awaiting)
        for n, string, target, goal in zip(state.numbers, state.strings, targets, goals, strict=True)
    )
    return replace(state, strings=tuple(strings), round_share=event.share)


def _without_targets(state: State) -> State:
    """Every string should be at its pitch."""
    strings = (replace(string, target_cents=0.0, goal_cents=0.0, awaits=False) for string in state.strings)
    return replace(state, strings=tuple(strings), round_share=1.0)


def _with_balance(state: State, balance: str | None) -> State:
    if balance is None or state.balance is None:
        return state
    return with_balance(state, values.balance_of(balance, state.balance))


_CHANGES: dict[type, Callable[[State, Any], State]] = {
    ev.StepBegun: _step_begun,
    ev.SessionBegun: _session_begun,
    ev.ItemInspected: _item_inspected,
    ev.ItemMeasured: _item_measured,
    ev.StringsFitted: _strings_fitted,
    ev.StringsDescribed: _strings_described,
    ev.ChangeNoticed: _change_noticed,
    ev.PhaseEntered: _phase_entered,
    ev.Focused: _focused,
    ev.ReadingTaken: _reading_taken,
    ev.ReadingDoubted: _reading_doubted,
    ev.ReadingDiscarded: _reading_discarded,
    ev.TunedByHand: _tuned_by_hand,
    ev.TargetsSet: _targets_set,
    ev.StringJudged: _compared(string_state.after_judgement),
    ev.StringSurveyed: _compared(string_state.after_survey),
    ev.CauseNamed: _cause_named,
    ev.CausesTested: _causes_tested,
    ev.SurveyExtended: _survey_extended,
    ev.CausesSeen: _causes_seen,
    ev.StringOverruled: _on_string(string_state.after_overruling),
    ev.ResponseLearnt: _on_string(string_state.after_learning),
    ev.ScatterFound: _on_string(string_state.without_scattered_plucks),
    ev.StringSlackened: _string_slackened,
    ev.SaddleMoved: _saddle_moved,
    ev.FineTunersCentred: _fine_tuners_centred,
    ev.NutClamped: _nut_clamped,
    ev.ActionChecked: _action_checked,
    ev.SaddleMeasured: _on_string(string_state.after_reading_of_saddle),
    ev.MissedStepNoticed: _missed_step_noticed,
    ev.StringProved: _compared(string_state.after_proof),
    ev.PlucksForeseen: _on_string(string_state.after_forecast),
    ev.HarmonicPassedOver: _harmonic_passed_over,
    ev.StringReopened: _string_reopened,
    ev.StringSetAside: _string_set_aside,
    ev.StringChecked: _compared(string_state.after_check),
    ev.ByHandSet: _by_hand_set,
    ev.ListeningSet: _listening_set,
    ev.SessionClosed: _session_closed,
}
