"""One round of tuning on a floating bridge: the pitch to bring each string to, so that all arrive together.

A string that is tuned early is pulled off again by each that is tuned after it. Knowing how they pull (``balance``) and
where they stand, each is brought so far past its pitch that the rest of the round pulls it back onto it. What the model
got wrong is left for a second, plain round. Where that would take a string further than is safe, the round goes only
part of the way, every string by the same share, and another follows.

Strings are counted from 0 here, their order is that of tuning; cents + sharp.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oscservice.advice.balance import LOWEST_Z, Balance, cents_of, highest_pulled_z, highest_z, z_of

FloatArray = NDArray[np.float64]

LEAST_SHARE = 0.2
"""A round goes at least this share of the way: below that nothing would ever be reached."""


@dataclass(frozen=True)
class Goal:
    """Where a round is to end.

    Attributes:
        cents: of every string; 0 is its pitch.
        share: how much of the way there this is; 1 is all of it.
    """

    cents: tuple[float, ...]
    share: float


def goal_of(balance: Balance, order: Sequence[int]) -> Goal:
    """Where a round that tunes the strings of ``order``, each once, can end without straining one of them."""
    n = balance.count
    z, coupling = np.array(balance.mean[:n]), balance.coupling()
    turns = _turns(z, coupling, order, np.zeros(n))
    share, way = 1.0, np.zeros(n)
    for index in order:
        way = way + coupling[:, index] * turns[index]
        for other in range(n):
            highest = highest_z(balance, other) if other == index else highest_pulled_z(balance, other)
            lowest = LOWEST_Z if other == index else -1.0
            room = (highest if way[other] > 0.0 else lowest) - float(z[other])
            if abs(way[other]) > 0.0 and room / float(way[other]) < share:
                share = room / float(way[other])
    share = max(share, LEAST_SHARE)
    ends = [(1.0 - share) * float(z[index]) if index in order else 0.0 for index in range(n)]
    return Goal(tuple(cents_of(end) for end in ends), share)


def targets_cents(balance: Balance, order: Sequence[int], goal_cents: Sequence[float]) -> tuple[float, ...]:
    """Where every string should stand now, or be brought to when its turn comes, in cents from its pitch.

    Args:
        balance: where the strings stand, and how they pull.
        order: those still to be tuned in this round.
        goal_cents: where the round is to end, of every string.
    """
    n = balance.count
    z, coupling = np.array(balance.mean[:n]), balance.coupling()
    goals = np.array([z_of(cents) for cents in goal_cents])
    turns = _turns(z, coupling, order, goals)
    found = []
    for index in range(n):
        later = list(order)[list(order).index(index) + 1 :] if index in order else list(order)
        target = float(goals[index] - np.sum(coupling[index, later] * turns[later]))
        if index in order:
            target = min(max(target, LOWEST_Z), highest_z(balance, index))
        found.append(cents_of(target))
    return tuple(found)


def needed(balance: Balance, order: Sequence[int], off: Sequence[int], window_cents: float) -> tuple[int, ...]:
    """Strings that have to be tuned in the next round.

    Args:
        balance: where the strings stand, and how they pull.
        order: the strings that can be tuned.
        off: those among them that are known to be off.
        window_cents: one of the others that the round would pull out of this is tuned as well.
    """
    chosen = set(off)
    while True:
        now = tuple(index for index in order if index in chosen)
        ends = ends_cents(balance, now)
        pulled = {index for index in order if index not in chosen and abs(ends[index]) > window_cents}
        if not pulled:
            return now
        chosen |= pulled


def ends_cents(balance: Balance, order: Sequence[int]) -> tuple[float, ...]:
    """Where every string will stand once those of ``order`` were all brought to pitch, in cents from its own."""
    n = balance.count
    z, coupling = np.array(balance.mean[:n]), balance.coupling()
    ends = z + coupling @ _turns(z, coupling, order, np.zeros(n))
    return tuple(cents_of(end) for end in ends.tolist())


def _turns(z: FloatArray, coupling: FloatArray, order: Sequence[int], goals: FloatArray) -> FloatArray:
    """What each string's own peg has to add to its z; shape (strings,), 0 for those not in the round."""
    here = list(order)
    turns = np.zeros(z.size)
    turns[here] = np.linalg.solve(coupling[np.ix_(here, here)], goals[here] - z[here])
    return turns
