"""The next pluck: the string and place that the session waits for, and whether strings are in tune."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session.state import State
from oscservice.session.string_state import StringState
from oscservice.session.survey import HARMONIC_PLUCKS, places
from oscservice.session.vocabulary import COMPARED, Ending, Phase, Status

MOST_BETWEEN = 3
"""Stopped notes between two open ones: so few that the drift of the open string between them is known."""

PROVING_BETWEEN = 4
"""The same in the last pass, which only confirms."""


@dataclass(frozen=True)
class PluckPattern:
    """Stopped places to pluck, the harmonic at most ``harmonics`` times, and stopped notes between two open ones."""

    stopped: tuple[Place, ...]
    between: int
    harmonics: int = HARMONIC_PLUCKS

    def after(self, plucked: Sequence[Place]) -> Place:
        """The place to pluck next: open first and last, and in between the stopped place with the fewest plucks."""
        if not plucked:
            return OPEN
        counts = {place: plucked.count(place) for place in self.stopped}
        counts = {place: n for place, n in counts.items() if place != HARMONIC or n < self.harmonics}
        latest = plucked[-self.between :]
        even = len(counts) > 1 and len(set(counts.values())) == 1
        if OPEN not in latest or (even and latest[-1] != OPEN):
            return OPEN
        return min(counts, key=lambda place: counts[place])


def pattern_of(state: State, number: int) -> PluckPattern:
    """The pattern in which a string is plucked now.

    With a single fret, there are as many times more stopped notes as open ones scatter less: so each pluck counts most.
    """
    stopped = places(state, number)
    if state.phase is Phase.CHECKING:
        return PluckPattern(stopped, 1)  # three plucks mostly do
    steady = max(1, round(1.0 / state.pluck_scatter.open_share))
    if state.phase is Phase.PROVING:
        between = PROVING_BETWEEN if state.played.several else MOST_BETWEEN
        return PluckPattern(stopped if state.string(number).no_harmonic else (HARMONIC, *stopped), between, harmonics=1)
    return PluckPattern(stopped, MOST_BETWEEN if state.played.several else min(MOST_BETWEEN, steady))


def next_place(state: State) -> Place:
    """The place that is plucked next on the string in focus."""
    plucks = state.string(state.focus).plucks
    return pattern_of(state, state.focus).after([pluck.place for pluck in plucks])


TUNING_WINDOW_CENTS = 3.0
"""An open string within this of its nominal is in tune: enough for comparing, which rests on ratios."""

BROUGHT_CENTS = 1.5
"""On a spring-balanced bridge a string that is being tuned is brought this near to its target: others still pull it."""

UNSURE_LIMIT_CENTS = 5.0
"""A string whose pitch is known no better than this (1 sd) is heard again."""

DRIFT_LIMIT_CENTS = 25.0
"""A string further than this from its nominal goes back to tuning before it is compared on."""


CLEAR_CENTS = 1.0
"""A string that is known better than this (1 sd) needs no pluck before its peg is turned."""

ARRIVED_CENTS = 1.5
"""On a spring-balanced bridge every string is brought this near to its pitch, before any is left."""


def in_tune(string: StringState) -> bool:
    """True if the open string is known to be at its target: its pitch, but while a spring-balanced bridge is tuned."""
    if string.in_tune_by_hand:
        return True
    return within(string, BROUGHT_CENTS if string.awaits else TUNING_WINDOW_CENTS)


def within(string: StringState, window_cents: float) -> bool:
    """True if the open string is this near to its target, and surely within twice as much."""
    if string.open_cents is None:
        return False
    off_cents = abs(string.open_cents - string.target_cents)
    return off_cents <= window_cents and off_cents + 2.0 * string.unsure_cents <= 2.0 * window_cents


def unclear(string: StringState) -> bool:
    """True if an open string has to be heard before it is clear which way to turn its peg."""
    if string.open_cents is None or string.unsure_cents > CLEAR_CENTS:
        return True
    return 2.0 * string.unsure_cents > abs(string.open_cents - string.target_cents)


def tuned_strings(state: State) -> list[int]:
    """Strings that have to be in tune in this phase, in the order of tuning: thickest first, the moved one foremost."""
    order = [n for n in reversed(state.numbers) if state.string(n).status is not Status.SET_ASIDE]
    if state.phase is not Phase.RETUNING:
        return order
    floating = state.instrument is not None and state.instrument.bridge.floating
    moved = [n for n in order if state.string(n).status in (Status.RETUNING, Status.SLACK)]
    return moved + [n for n in order if n not in moved and (floating or _lost(state.string(n)))]


def _lost(string: StringState) -> bool:
    """True if it is not known that the string is near its pitch."""
    if string.in_tune_by_hand:
        return False
    return string.open_cents is None or string.unsure_cents > UNSURE_LIMIT_CENTS or drifted(string)


def drifted(string: StringState) -> bool:
    """True if the open string was last heard so far off that it has to be tuned before it is compared further."""
    off = string.open_cents is not None and abs(string.open_cents) > DRIFT_LIMIT_CENTS
    return off and not string.in_tune_by_hand


def asked(state: State) -> tuple[int, Place] | None:
    """String and place of the pluck that the session waits for, or None."""
    if state.focus == 0 or state.unseen or state.phase in (Phase.IDLE, Phase.INSPECTING, Phase.CLOSED):
        return None
    if state.asked_place is not None:
        return state.focus, state.asked_place
    if state.phase in COMPARED:
        return state.focus, next_place(state)
    return state.focus, OPEN


def expected_hz(state: State, only_string: int | None = None) -> tuple[float, ...]:
    """The pitches asked for now: the place waited for, and every open string that could be plucked; of one string where
    only that is listened to."""
    if state.instrument is None:
        return ()
    numbers = list(state.numbers) if only_string is None else [only_string]
    pitches = [state.instrument.open_hz(n) for n in numbers if n in state.numbers]
    waited = asked(state)
    if waited is not None and waited[0] in numbers:
        pitches.append(state.instrument.place_hz(*waited))
    return tuple(pitches)


def unproved(state: State) -> list[int]:
    """Strings that are neither proved nor left out: while there are any, the session can't end but be abandoned."""
    return [n for n in state.numbers if not state.string(n).proved and not state.string(n).left_out]


def ending(state: State) -> Ending:
    """The end of a session in which nothing is left to prove."""
    return Ending.PARTLY_PROVED if any(string.left_out for string in state.strings) else Ending.PROVED
