"""In which order a string is plucked while it is compared, and in the last pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session.state import State
from oscservice.session.surveying import HARMONIC_PLUCKS, places
from oscservice.session.words import Phase

MOST_BETWEEN = 3
"""Stopped notes between two open ones: so few that the open string is known where it stands between them."""

PROVING_BETWEEN = 4
"""The same in the last pass, which only bears out what is known."""


@dataclass(frozen=True)
class Pattern:
    """Stopped places to pluck, the harmonic at most ``harmonics`` times, and stopped notes between two open ones."""

    stopped: tuple[Place, ...]
    between: int
    harmonics: int = HARMONIC_PLUCKS

    def after(self, plucked: Sequence[Place]) -> Place:
        """What to pluck next: open first and last, and in between the stopped places plucked least."""
        if not plucked:
            return OPEN
        counts = {place: plucked.count(place) for place in self.stopped}
        counts = {place: n for place, n in counts.items() if place != HARMONIC or n < self.harmonics}
        latest = plucked[-self.between :]
        even = len(counts) > 1 and len(set(counts.values())) == 1
        if OPEN not in latest or (even and latest[-1] != OPEN):
            return OPEN
        return min(counts, key=lambda place: counts[place])


def pattern_of(state: State, number: int) -> Pattern:
    """How a string is plucked now. Of a single fret, as many more notes than open ones as these are steadier: so every
    pluck tells most."""
    stopped = places(state, number)
    if state.phase is Phase.CHECKING:
        return Pattern(stopped, 1)  # three plucks mostly do
    steady = max(1, round(1.0 / state.hand.open_share))
    if state.phase is Phase.PROVING:
        between = PROVING_BETWEEN if state.played.several else MOST_BETWEEN
        return Pattern(stopped if state.string(number).no_harmonic else (HARMONIC, *stopped), between, harmonics=1)
    return Pattern(stopped, MOST_BETWEEN if state.played.several else min(MOST_BETWEEN, steady))


def next_place(state: State) -> Place:
    """The place that is plucked next on the string in focus."""
    plucks = state.string(state.focus).plucks
    return pattern_of(state, state.focus).after([pluck.place for pluck in plucks])
