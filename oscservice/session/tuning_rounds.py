"""Tuning on a spring-balanced bridge: which string is next, its target, and how each change moves the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oscservice.advice.floating_bridge import (
    SLACK,
    Balance,
    RoundGoal,
    after_reading,
    cents_from_z,
    final_cents,
    round_goal,
    strings_to_tune,
    targets_cents,
    z_from_cents,
)
from oscservice.hearing.note_identity import FARTHEST_CENTS
from oscservice.instrument.pitch import OPEN
from oscservice.session import events as ev
from oscservice.session.next_pluck import (
    ARRIVED_CENTS,
    TUNING_WINDOW_CENTS,
    UNSURE_LIMIT_CENTS,
    in_tune,
    tuned_strings,
    unclear,
    within,
)
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase

BY_HAND_CENTS = 3.0
"""How near its target a string is that somebody says is in tune (1 sd; assumed)."""

FAR_FLAT_CENTS = -150.0
"""A string first heard below this may be one that is only now being wound on."""


def balance_after_open(state: State, balance: Balance, event: ev.ReadingTaken) -> Balance:
    """A spring-balanced bridge after a reading of an open string, with what tuning it did to the others."""
    string, index = state.string(event.string), event.string - 1
    tuning = state.phase in (Phase.TUNING, Phase.RETUNING) and event.place == str(OPEN)
    first = string.open_cents is None
    # A nut clamp has moved every string at once: one that is heard after that was not tuned meanwhile.
    brought_up = first and state.phase is Phase.RETUNING and string.clamp_from_cents is None
    tuned = tuning and state.asked_place is None and not in_tune(string) and (brought_up or not unclear(string))
    fresh = tuning and first and not brought_up and event.cents < FAR_FLAT_CENTS
    return after_reading(balance, index, event.cents, event.se_cents, tuned=tuned, fresh=fresh)


def balance_after_hand(state: State, balance: Balance, number: int) -> Balance:
    """A spring-balanced bridge after the technician said that a string is in tune."""
    string = state.string(number)
    tuned = string.open_cents is not None or state.phase is Phase.RETUNING
    return after_reading(balance, number - 1, string.target_cents, BY_HAND_CENTS, tuned=tuned)


REPLANNED_CENTS = 0.5
"""A target is set again if readings since then change it by this much."""


def next_in_round(state: State) -> list[ev.Event] | None:
    """The next events while a spring-balanced bridge is tuned: empty while a string is to be tuned, None after all."""
    wanted = tuned_strings(state)
    under_way = any(state.string(n).awaits for n in wanted)
    unknown = [n for n in wanted if _unknown(state, n, under_way)]
    if unknown and state.focus in wanted and _wound_on(state):
        return []  # a new string is followed until it is near its pitch
    if unknown:
        # All are heard before any is tuned: each target depends on the pitches of all.
        return [] if state.focus in unknown else [ev.Focused(_after(wanted, unknown, state.focus), "")]
    awaiting = [n for n in wanted if state.string(n).awaits]
    if not awaiting:
        return _round_begun(state, wanted)
    if state.focus not in awaiting:
        return [ev.Focused(awaiting[0], "")]
    others = [n for n in awaiting if n != state.focus]
    if in_tune(state.string(state.focus)):
        return [_targets(state, _still_needed(state, wanted, others))]
    again = _targets(state, [state.focus, *others])
    now = float(again.targets_cents.split()[state.focus - 1])
    return [again] if abs(now - state.string(state.focus).target_cents) > REPLANNED_CENTS else []


def _round_begun(state: State, wanted: Sequence[int]) -> list[ev.Event] | None:
    assert state.balance is not None
    window_cents = _window_cents(state)
    off = [n for n in wanted if not (state.string(n).in_tune_by_hand or within(state.string(n), window_cents))]
    if not off:
        return None
    order = [n - 1 for n in wanted if not state.string(n).in_tune_by_hand]
    chosen = strings_to_tune(state.balance, order, [n - 1 for n in off], window_cents)
    goal = round_goal(state.balance, chosen)
    numbers = [index + 1 for index in chosen]
    return [_targets(state, numbers, goal), ev.Focused(numbers[0], "")]


def _window_cents(state: State) -> float:
    """At the start all strings are brought to pitch, and in the end with the nut closed; after a move they were there,
    and comparisons use ratios."""
    return ARRIVED_CENTS if state.phase is Phase.TUNING or state.nut_closed else TUNING_WINDOW_CENTS


def _still_needed(state: State, wanted: Sequence[int], others: Sequence[int]) -> Sequence[int]:
    """Strings of the round that still have to be tuned: one in tune may have corrected others."""
    assert state.balance is not None
    if state.round_share < 1.0:
        return others
    window_cents = _window_cents(state)
    off = [n - 1 for n in others if not within(replace(state.string(n), target_cents=0.0), window_cents)]
    chosen = strings_to_tune(state.balance, [n - 1 for n in others], off, window_cents)
    ends = final_cents(state.balance, chosen)
    arrive = all(abs(ends[n - 1]) <= window_cents for n in wanted if not state.string(n).in_tune_by_hand)
    return [index + 1 for index in chosen] if arrive else others


def _targets(state: State, awaiting: Sequence[int], goal: RoundGoal | None = None) -> ev.TargetsSet:
    """Targets for tuning the strings of ``awaiting`` in this order; without a goal, toward that of the round."""
    assert state.balance is not None
    if goal is None:
        goal = RoundGoal(tuple(string.goal_cents for string in state.strings), state.round_share)
    targets = targets_cents(state.balance, [n - 1 for n in awaiting], goal.cents)
    texts = [" ".join(f"{cents:.2f}" for cents in row) for row in (targets, goal.cents)]
    return ev.TargetsSet(texts[0], texts[1], " ".join(str(n) for n in awaiting), goal.share)


def rise_when_slack(state: State, number: int, semitones: int | None) -> float:
    """The most that another string rises while string ``number`` is slackened, or let down by so many semitones, in
    cents; 0 on a fixed bridge."""
    balance = state.balance
    if balance is None:
        return 0.0
    by_z = SLACK if semitones is None else z_from_cents(-100.0 * semitones)
    column = balance.coupling()[:, number - 1]
    others = [index for index in range(balance.count) if index != number - 1]
    return max((cents_from_z(float(column[index]) * by_z) for index in others), default=0.0)


def _wound_on(state: State) -> bool:
    string = state.string(state.focus)
    if string.in_tune_by_hand or string.awaits or string.open_cents is None:
        return False
    return string.open_cents < -FARTHEST_CENTS and string.unsure_cents <= UNSURE_LIMIT_CENTS


def _unknown(state: State, number: int, under_way: bool) -> bool:
    string = state.string(number)
    if string.in_tune_by_hand:
        return False
    return string.open_cents is None or (string.unsure_cents > UNSURE_LIMIT_CENTS and not under_way)


def _after(order: Sequence[int], chosen: Sequence[int], number: int) -> int:
    """The next of the chosen ones after ``number``, going round."""
    place = order.index(number) if number in order else -1
    later = [n for n in chosen if order.index(n) > place]
    return (later or list(chosen))[0]
