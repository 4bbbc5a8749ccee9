"""The steps that a session takes by itself. In a session by hand they wait for the technician.

``decide`` calls ``advance`` again after each step, until nothing more follows.
"""

from __future__ import annotations

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.advice.causes import scatter_finding
from oscservice.advice.comparison import SCATTER_LIMIT_CENTS, Comparison, Flag
from oscservice.advice.decision import Decision, combined_with_expected
from oscservice.instrument.pitch import OPEN
from oscservice.session import events as ev
from oscservice.session.event_values import NOTHING_HELD, HeldStep
from oscservice.session.evolve import conclude_all
from oscservice.session.hand_steps import after_hand_steps, to_last_pass, to_tuning
from oscservice.session.judgement import (
    causes_tested,
    comparison_of,
    expected_of,
    judge_string,
    response_learnt,
    stopped_as_uneven,
    stopped_by,
    survey_event,
    verdict_on,
)
from oscservice.session.last_pass import after_proving
from oscservice.session.missed_steps import moved_otherwise
from oscservice.session.next_pluck import drifted, in_tune, tuned_strings
from oscservice.session.pluck_forecast import forecast
from oscservice.session.quick_check import after_checking
from oscservice.session.state import State
from oscservice.session.survey import MOST_SURVEY_PLUCKS, needs_survey, survey_of, surveying, surveys
from oscservice.session.tuning_rounds import next_in_round
from oscservice.session.vocabulary import InspectionVerdict, Phase, Status

SCATTER_ROUNDS = 2
"""A string whose plucks scatter too much this many times in a row is set aside."""


def advance(state: State) -> list[ev.Event]:
    """The next events, or none when the session is at rest."""
    return following(state) or forecast(state)


def following(state: State) -> list[ev.Event]:
    """The next step, or nothing; a forecast of plucks is no step."""
    if state.phase is Phase.INSPECTING:
        if all(item.verdict in (InspectionVerdict.PASSED, InspectionVerdict.WAIVED) for _, item in state.items):
            return to_tuning(state)
        return []
    if state.phase in (Phase.PREPARING, Phase.SECURING):
        return after_hand_steps(state)
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        return _after_tuning(state)
    if state.phase is Phase.COMPARING:
        return [] if state.unseen else _after_comparing(state)
    if state.phase is Phase.PROVING:
        return after_proving(state)
    if state.phase is Phase.CHECKING:
        return after_checking(state)
    return []


def _after_tuning(state: State) -> list[ev.Event]:
    if state.asked_place is not None:
        return []
    waits = _still_to_move(state)
    if waits is not None:
        return [ev.Focused(waits, ""), ev.PhaseEntered(Phase.MOVING)]
    wanted = tuned_strings(state)
    if state.balance is not None:
        follow = next_in_round(state)
        return _all_tuned(state, wanted) if follow is None else follow
    if state.focus in wanted and not in_tune(state.string(state.focus)):
        return []
    waiting = [n for n in wanted if not in_tune(state.string(n))]
    if waiting:
        # The next one down from the string in focus, then from the thickest again.
        later = [n for n in waiting if wanted.index(n) > (wanted.index(state.focus) if state.focus in wanted else -1)]
        return [ev.Focused((later or waiting)[0], "")]
    return _all_tuned(state, wanted)


def _all_tuned(state: State, wanted: list[int]) -> list[ev.Event]:
    moved = [n for n in wanted if state.string(n).status in (Status.RETUNING, Status.SLACK)]
    open_work = [n for n in reversed(state.numbers) if not state.string(n).ended]
    under_way = [n for n in open_work if state.string(n).plucks]
    work = next(iter([*moved, *under_way, *open_work]), None)
    follow: list[ev.Event] = [ev.StringReopened(n, "back at pitch") for n in moved]
    if work is None:
        return [*follow, *to_last_pass(state)]
    return [*follow, ev.PhaseEntered(Phase.COMPARING), ev.Focused(work, "")]


def _still_to_move(state: State) -> int | None:
    """A string to move before anything is tuned: it is slack, or its move was planned together with the last one."""
    if state.instrument is None or state.phase is not Phase.RETUNING:
        return None
    for number in reversed(state.numbers):
        string = state.string(number)
        if string.advice is None or string.left_out:
            continue
        together = [state.string(n).status for n in strings_moved_together(state.instrument, number) if n != number]
        if string.status is Status.SLACK or (string.status is Status.TO_MOVE and Status.RETUNING in together):
            return number
    return None


def _after_comparing(state: State) -> list[ev.Event]:
    string = state.string(state.focus)
    if string.ended:
        return _next_to_compare(state)
    if string.status is Status.TO_MOVE:
        return [ev.PhaseEntered(Phase.MOVING)]
    if drifted(string):
        return [ev.PhaseEntered(Phase.RETUNING), ev.Focused(state.focus, "")]
    if string.plucks and string.plucks[-1].place != OPEN:
        return []
    comparison = comparison_of(state, state.focus)
    expected = expected_of(state, state.focus, comparison)
    if surveying(state):
        return _surveying(state, comparison)
    if comparison is None:
        if string.plucks or expected is None or expected.plucks == 0:
            return []
        comparison, expected = expected, None  # what the survey found may do
    noticed = moved_otherwise(state, comparison) if string.plucks else []
    if noticed:
        return noticed
    verdict = verdict_on(state, comparison, expected)
    if verdict is Decision.MORE_PLUCKS:
        return []
    if verdict is Decision.SCATTERED:
        return _scattered(state, comparison)
    heard = response_learnt(state, comparison) if string.plucks else None
    learnt: list[ev.Event] = []
    if heard is not None:  # the response is known before the next move is planned
        learnt, state = conclude_all(state, [heard])
    survey = survey_of(state, state.focus) if string.plucks else None
    stopped = stopped_as_uneven(state, survey) if verdict is Decision.MOVE else []
    taken = [] if survey is None else [survey_event(state.focus, survey)]
    if stopped:
        return [*learnt, *taken, *stopped]
    following = judge_string(state, combined_with_expected(comparison, expected), settled=verdict is Decision.SETTLED)
    if any(isinstance(event, ev.StringJudged) and event.string == state.focus for event in following):
        return [*learnt, *taken, *following]
    return [*learnt, *following]  # judged together with others: its plucks wait for theirs


def _surveying(state: State, comparison: Comparison | None) -> list[ev.Event]:
    """Compare every string over the frets, then test the causes."""
    string = state.string(state.focus)
    if needs_survey(state, state.focus):
        taken = survey_of(state, state.focus)
        if comparison is None or taken is None or min(taken.neck.plucks) < state.survey_plucks:
            return []
        if comparison.scatter_cents > SCATTER_LIMIT_CENTS:
            return _scattered(state, comparison)
        # A string that scattered before, or may do so, gets more plucks.
        wild = taken.neck.scatter_bound_cents > SCATTER_LIMIT_CENTS or Flag.OUTLIER in taken.neck.flags
        if (wild or string.scattered) and min(taken.neck.plucks) < MOST_SURVEY_PLUCKS:
            return []
        return [survey_event(state.focus, taken)]
    waiting = [n for n in reversed(state.numbers) if not state.string(n).ended and needs_survey(state, n)]
    return [ev.Focused(waiting[0], "")] if waiting else causes_tested(state)


def _scattered(state: State, comparison: Comparison) -> list[ev.Event]:
    found = ev.ScatterFound(state.focus, comparison.scatter_cents)
    if state.string(state.focus).scattered + 1 < SCATTER_ROUNDS:
        return [found]
    return [found, *stopped_by(scatter_finding(state.focus, comparison.scatter_cents, SCATTER_LIMIT_CENTS))]


def _next_to_compare(state: State) -> list[ev.Event]:
    waiting = [n for n in reversed(state.numbers) if not state.string(n).ended]
    if waiting:
        return [ev.Focused(waiting[0], "")]
    if surveying(state) and surveys(state):
        return causes_tested(state)
    return to_last_pass(state)


def held_back(state: State) -> list[ev.Event]:
    """The step that a hands-free session would have taken by now; nothing in a hands-free session."""
    return following(state) if state.by_hand else []


def held_step(state: State) -> HeldStep:
    """The step that waits for the technician, and what is known by then."""
    waiting = held_back(state)
    for event in waiting:
        match event:
            case ev.StringJudged(error_cents=error, se_cents=se) | ev.StringProved(error_cents=error, se_cents=se):
                return HeldStep("error", (("error", error), ("se", se)))
            case ev.ScatterFound(scatter_cents=scatter):
                return HeldStep("scatter", (("scatter", scatter),))
            case ev.Focused(string=string):
                return HeldStep("go_to", (("string", string),))
    return HeldStep("step_done") if waiting else NOTHING_HELD
