"""Steps that were left out or done wrongly, by the notes and the reported readings.

Each function returns the event that tells it, or nothing. Thresholds are so wide that a bench without mistakes gives
next to no notice; ``tests/bench/missed_steps.py`` measures how many.
"""

from __future__ import annotations

import math
from itertools import pairwise

from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import cents_per_mm, speaking_lengths_mm
from oscservice.instrument.pitch import OPEN
from oscservice.session import events as ev
from oscservice.session.next_pluck import in_tune, unclear
from oscservice.session.state import State
from oscservice.session.string_state import READING_MM
from oscservice.session.vocabulary import COMPARED, MissedStep, Phase

LEAST_TURN_CENTS, LEAST_FINE_TURN_CENTS = 6.0, 2.5
"""A peg or a fine tuner that was to change its string by less than this is not judged."""

FOLLOWED_SHARE, STILL_CENTS, STILL_FINE_CENTS = 0.2, 1.0, 0.6
"""A string that changed by less than this share of what was asked for, or this, did not follow its peg or tuner."""

OPEN_SD_CENTS = 0.3
"""Two readings of an open string that nobody touched, 1 sd (measured on recorded strings of like strength)."""

CLAMP_SHIFT_SD_CENTS = 3.5
"""Change of an open string when its clamp closes, 1 sd: up to 6 cents either way (common practice, no source)."""

NUT_OPEN_LOG_ODDS = 3.0
"""The clamps are open if that is so much likelier than closed by all strings together (natural logarithm)."""

CLAMP_JUMP_CENTS = 25.0
"""A larger change when the clamp closes is no clamp's doing: the string was not seated in its slot (assumed)."""

ROSE_CENTS = 2.5
"""A string that is so much sharper than it was has risen because another one was slackened."""

FALLS, FALL_STEP_CENTS, FALL_CENTS = 3, 0.5, 2.5
"""A string that falls by the second at each of so many open plucks, and by the third in all, is still stretching."""

MOST_STRETCHES = 2
"""So often at most a string is found to stretch."""

SURE_SD = 4.0
SURE_MM = 0.4
"""A move is another than advised if the error says so by so many standard deviations and so many millimetres."""


def after_tuning(state: State, taken: ev.ReadingTaken) -> list[ev.Event]:
    """Events by a note after a peg or fine tuner was to be turned; ``state`` is before the note."""
    clamped = _after_clamping(state, taken)
    if clamped:
        return clamped
    number, string = taken.string, state.string(taken.string)
    if number != state.focus or taken.place != str(OPEN) or state.asked_place is not None:
        return []
    if string.open_cents is None or unclear(string) or in_tune(string):
        return []
    asked_cents = string.target_cents - string.open_cents
    found_cents = taken.cents - string.open_cents
    doubt_cents = 4.0 * math.hypot(string.unsure_cents, taken.se_cents)
    least_cents, still_cents = LEAST_TURN_CENTS, STILL_CENTS
    if state.nut_closed:
        least_cents, still_cents = LEAST_FINE_TURN_CENTS, STILL_FINE_CENTS
    if abs(asked_cents) < max(least_cents, doubt_cents):
        return []
    along_cents = math.copysign(1.0, asked_cents) * found_cents
    if abs(found_cents) <= max(still_cents, FOLLOWED_SHARE * abs(asked_cents)):
        return [ev.MissedStepNoticed(_unmoved(state), number, asked_cents, found_cents), *_nut_in_doubt(state)]
    if along_cents < -FOLLOWED_SHARE * abs(asked_cents):
        return [ev.MissedStepNoticed(MissedStep.WRONG_WAY, number, asked_cents, found_cents)]
    return []


def _unmoved(state: State) -> MissedStep:
    """The step that was most likely missed when a string does not follow."""
    assert state.instrument is not None
    if state.nut_closed:
        return MissedStep.FINE_TUNER_AT_END
    if state.instrument.nut.locking and not state.nut_reopened and state.phase is Phase.TUNING:
        return MissedStep.NUT_STILL_CLOSED
    return MissedStep.WRONG_PEG


def _nut_in_doubt(state: State) -> list[ev.Event]:
    """Back to the nut clamps at the start of the work, where they should have been opened."""
    return [ev.PhaseEntered(Phase.PREPARING)] if _unmoved(state) is MissedStep.NUT_STILL_CLOSED else []


def _after_clamping(state: State, taken: ev.ReadingTaken) -> list[ev.Event]:
    """Events by the first note of a string after its nut clamp was to be closed."""
    string = state.string(taken.string)
    if not state.nut_closed or string.clamp_from_cents is None or taken.place != str(OPEN):
        return []
    shift_cents = taken.cents - string.clamp_from_cents
    if abs(shift_cents) > CLAMP_JUMP_CENTS:
        return [ev.MissedStepNoticed(MissedStep.CLAMP_JUMPED, taken.string, 0.0, shift_cents)]
    waiting = [n for n in state.numbers if state.string(n).clamp_from_cents is not None and n != taken.string]
    if waiting or state.nut_doubted:
        return []
    shifts = {n: state.string(n) for n in state.numbers if state.string(n).nut_shift_cents is not None}
    odds = math.fsum(_log_odds_open(s.nut_shift_cents or 0.0, s.unsure_cents) for s in shifts.values())
    odds += _log_odds_open(shift_cents, string.unsure_cents)
    if odds < NUT_OPEN_LOG_ODDS or len(shifts) + 1 < 2:
        return []
    return [
        ev.MissedStepNoticed(MissedStep.NUT_STILL_OPEN, taken.string, 0.0, shift_cents),
        ev.PhaseEntered(Phase.SECURING),
    ]


def _log_odds_open(shift_cents: float, unsure_cents: float) -> float:
    """Return the log of how much likelier a change is with the clamp open than with it closed."""
    still = math.hypot(unsure_cents, OPEN_SD_CENTS)
    moved = math.hypot(still, CLAMP_SHIFT_SD_CENTS)
    return math.log(moved / still) - 0.5 * shift_cents**2 * (still**-2 - moved**-2)


def not_slack(state: State, own_cents: float) -> list[ev.Event]:
    """Events by a note at pitch when the string in focus should be slack; ``own_cents`` from its nominal pitch."""
    assert state.instrument is not None
    string = state.string(state.focus)
    found_cents = own_cents - (string.open_cents or 0.0)
    rose = found_cents > max(ROSE_CENTS, 4.0 * string.unsure_cents)
    if rose and state.instrument.bridge.floating:
        return [ev.MissedStepNoticed(MissedStep.WRONG_STRING_SLACK, state.focus, 0.0, found_cents)]
    return [ev.MissedStepNoticed(MissedStep.NOT_SLACK, state.focus, 0.0, found_cents)]


def still_stretching(state: State, taken: ev.ReadingTaken) -> list[ev.Event]:
    """Events by an open note of a comparison whose string goes on falling; ``state`` is before the note."""
    assert state.instrument is not None
    string = state.string(taken.string)
    if state.phase not in COMPARED or taken.place != str(OPEN) or taken.string != state.focus:
        return []
    if state.phase is Phase.CHECKING or string.stretches >= MOST_STRETCHES:
        return []
    opens_hz = [*[pluck.f1_hz for pluck in string.plucks if pluck.place == OPEN][1 - FALLS :], taken.f1_hz]
    if len(opens_hz) < FALLS:
        return []
    steps = [1200.0 * math.log2(after / before) for before, after in pairwise(opens_hz)]
    if max(steps) > -FALL_STEP_CENTS or math.fsum(steps) > -FALL_CENTS:
        return []
    found = ev.MissedStepNoticed(MissedStep.STILL_STRETCHING, taken.string, 0.0, math.fsum(steps))
    return [found, ev.PhaseEntered(Phase.RETUNING)]


def moved_otherwise(state: State, comparison: Comparison) -> list[ev.Event]:
    """Events by the error of the string in focus, if the last move of its saddle was another than advised."""
    string = state.string(state.focus)
    move = string.last_move
    if move is None or string.move_noticed or state.instrument is None or state.played.several:
        return []
    lengths = speaking_lengths_mm(state.instrument.string(state.focus), state.fret, string.moved_mm)
    per_mm = cents_per_mm(lengths)
    wanted_cents = string.response.ratio * move.geometric_cents
    found_cents = comparison.error_cents - move.before_cents
    doubts = (comparison.se_cents, move.before_se_cents, move.placing_cents, string.response.sd * move.geometric_cents)
    off_cents = abs(found_cents - wanted_cents)
    if off_cents < SURE_SD * math.hypot(*doubts) or off_cents < SURE_MM * abs(per_mm):
        return []
    return [_move_notice(state.focus, wanted_cents / per_mm, found_cents / per_mm)]


def read_otherwise(number: int, wanted_mm: float, found_mm: float) -> list[ev.Event]:
    """Events by two readings of a saddle's place, if its move between them was another than advised."""
    return [] if abs(found_mm - wanted_mm) <= READING_MM else [_move_notice(number, wanted_mm, found_mm, read=True)]


def _move_notice(number: int, wanted_mm: float, found_mm: float, *, read: bool = False) -> ev.MissedStepNoticed:
    if abs(found_mm) < max(READING_MM, 0.3 * abs(wanted_mm)):
        what = MissedStep.SADDLE_NOT_MOVED
    elif found_mm * wanted_mm < 0.0:
        what = MissedStep.SADDLE_MOVED_WRONG_WAY
    else:
        what = MissedStep.SADDLE_MOVED_OTHERWISE
    return ev.MissedStepNoticed(what, number, round(wanted_mm, 3), round(found_mm, 3), read)
