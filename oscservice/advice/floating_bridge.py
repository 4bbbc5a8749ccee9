"""A spring-balanced bridge: how its strings pull each other, and the target of each string in a round of tuning.

A rigid bridge turns on a pivot between strings and springs. Tightening string i pulls the bridge forward by x, which
loosens every other string. T is the tension and L the sounding length at pitch, k = E A / L_total the spring rate of a
string, and K_b that of the springs at the strings (N/mm):

    x = T_i dz_i / (K_b + sum of the other k + 2 T_i / L_i),        dz_j = -(k_j / T_j - 2 / L_j) x

z = (f / f at pitch)^2 - 1 is the relative tension. The model is linear in z, but in cents (600 log2(1 + z)) only for
small changes. Off the diagonal its matrix has rank one.

The relative tensions and the logarithms of the unknown rates (K_b, each k) are one normal distribution, which every
reading of an open string updates: an extended Kalman filter. Friction at nut and pivot is not in the model; its scatter
is in the standard errors.

In a round of tuning, each string that is tuned pulls the strings tuned before it off again. So each string is tuned
past its pitch by as much as the rest of the round will pull it back. Errors of the model are left for a second round.
Where a target would be unsafe, the round goes only a part of the way, the same share for every string, and another
round follows.

Strings are counted from 0 here (index 0 is string 1); their order is that of tuning. Cents are + sharp, mm + away from
the nut.

Source: a linear spring model, and why rounds of tuning converge: Hebenstreit, J. Acoust. Soc. Am. 143 (June 2018); the
formula is derived here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from oscservice.instrument.pitch import CENTS_PER_E
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import MUSIC_WIRE_STRENGTH_PA, STEEL_MODULUS_PA, tension_n

FloatArray = NDArray[np.float64]

SPRINGS_N_MM = 100.0
SPRINGS_LOG_SD = 0.7
"""Prior of the springs' rate at the height of the strings, and 1 sd of its logarithm (a factor of two): three springs
of 2.5 N/mm on arms of 40 and 11 mm (assumed, no source)."""

HELD_SHARE = 0.9
"""Sounding length over the length that is stretched (assumed)."""
COMMON_LOG_SD = 0.1
PLAIN_LOG_SD = 0.08
WOUND_LOG_SD = 0.2
"""Rates of the strings, 1 sd of the logarithm: common to all, and of each plain or wound string. A core that no chart
gives is known to about a tenth of its diameter (assumed)."""

INITIAL_SD = 0.3
"""Relative tension of a string before its first reading, 1 sd: some 250 cents."""
SLACK = -0.7
"""Relative tension of a slackened string, give or take INITIAL_SD: about ten semitones down; within 1 sd from four
semitones down to fully slack."""

STRAY_SHARE = 0.01
STRAY_CENTS = 0.1
"""Error of the shift of a string when another is tuned (friction, springs that are not linear), 1 sd: as a share of the
shift, and at least (assumed)."""

DRIFT_CENTS = 0.05
"""Drift of a string from one pluck to the next, 1 sd (assumed)."""

HEARD_CENTS = 0.2
"""Error of an open string's reading beyond its own standard error, 1 sd (assumed)."""

TOUCHED_SD = 4.0
"""A reading this many standard errors from the expected pitch means that the string was tuned in between."""

SAFE_SHARE = 0.75
"""Largest share of the tensile strength of a string's core (assumed: old wire, sharp bends)."""
SAFE_RISE = 0.5
"""Largest relative tension that a string is tuned to (assumed: to save tuners and windings)."""
MOST_PULLED = 0.6
"""Largest relative tension that the others pull a string to, some 400 cents: it might be mistaken (assumed)."""
LOWEST_Z = -0.3
"""Lowest relative tension of a target (assumed, for the same reason)."""

LEAST_SHARE = 0.2
"""Least share of the way that a round goes: with less, tuning would never end."""


@dataclass(frozen=True)
class Balance:
    """Pitches of the strings and how they pull each other, as a normal distribution.

    Attributes
    ----------
    tension_n, rate_n_mm, length_mm, core_mm : tuple[float, ...]
        Values of each string at pitch, by the instrument file.
    mean : tuple[float, ...]
        Relative tension z of each string; then the logarithms of the springs' rate over SPRINGS_N_MM, and of each
        string's rate over ``rate_n_mm``.
    covariance : tuple[tuple[float, ...], ...]
        Covariance of ``mean``, by rows.
    first_doubt : tuple[tuple[float, ...], ...]
        Covariance of the logarithms before any reading, by rows.
    """

    tension_n: tuple[float, ...]
    rate_n_mm: tuple[float, ...]
    length_mm: tuple[float, ...]
    core_mm: tuple[float, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    first_doubt: tuple[tuple[float, ...], ...]

    @property
    def count(self) -> int:
        """Number of strings."""
        return len(self.tension_n)

    def cents(self, index: int) -> float:
        """Return the open string's pitch in cents from its nominal pitch."""
        return cents_from_z(self.mean[index])

    def se_cents(self, index: int) -> float:
        """Return the standard error of ``cents`` (1 sd)."""
        return math.sqrt(max(self.covariance[index][index], 0.0)) * cents_per_z(self.mean[index])

    def coupling(self) -> FloatArray:
        """Return the change of string j (row) per change of string i (column) that is tuned, in z.

        For small changes it is the same in cents.

        Returns
        -------
        ndarray of float64, shape (strings, strings)
            Change per change; the diagonal is 1.
        """
        tension, length = np.array(self.tension_n), np.array(self.length_mm)
        springs, rate = _rates(self)
        push = tension / (springs + float(np.sum(rate)) - rate + 2.0 * tension / length)
        found = -(rate / tension - 2.0 / length)[:, None] * push[None, :]
        np.fill_diagonal(found, 1.0)
        return np.asarray(found, dtype=np.float64)


def z_from_cents(cents: float) -> float:
    """Return the relative tension of a string that is ``cents`` from its pitch."""
    return math.pow(2.0, cents / 600.0) - 1.0


def cents_from_z(z: float) -> float:
    """Return the cents from pitch of a relative tension; at most four octaves down."""
    return 600.0 * math.log2(1.0 + max(z, -255.0 / 256.0))


def cents_per_z(z: float) -> float:
    """Return the derivative of ``cents_from_z``."""
    return CENTS_PER_E / (2.0 * (1.0 + max(z, -255.0 / 256.0)))


def initial_balance(instrument: Instrument) -> Balance:
    """Return the balance of an instrument before any reading: its strings, and an ordinary set of springs."""
    numbers = range(1, len(instrument.strings) + 1)
    strings = instrument.strings
    lengths = [spec.open_run_mm() for spec in strings]
    hz = [instrument.open_hz(n) for n in numbers]
    tensions = [tension_n(s.unit_weight_kg_m, f, mm) for s, f, mm in zip(strings, hz, lengths, strict=True)]
    ea_n = [STEEL_MODULUS_PA * 1e-6 * math.pi * spec.core_mm**2 / 4.0 for spec in strings]
    own = [WOUND_LOG_SD if spec.wound else PLAIN_LOG_SD for spec in strings]
    n = len(strings)
    covariance = np.zeros((2 * n + 1, 2 * n + 1))
    covariance[:n, :n] = np.diag(np.full(n, INITIAL_SD**2))
    covariance[n, n] = SPRINGS_LOG_SD**2
    covariance[n + 1 :, n + 1 :] = COMMON_LOG_SD**2 + np.diag(np.square(own))
    return Balance(
        tuple(tensions),
        tuple(HELD_SHARE * ea / mm for ea, mm in zip(ea_n, lengths, strict=True)),
        tuple(lengths),
        tuple(spec.core_mm for spec in strings),
        (0.0,) * (2 * n + 1),
        _rows(covariance),
        _rows(covariance[n:, n:]),
    )


def after_reading(
    balance: Balance, index: int, cents: float, se_cents: float, *, tuned: bool, fresh: bool = False
) -> Balance:
    """Return the balance after a reading of an open string.

    Parameters
    ----------
    balance : Balance
        The balance before.
    index : int
        The string.
    cents, se_cents : float
        Pitch from its nominal pitch, and the reading's standard error.
    tuned : bool
        True if its peg was turned since its last reading. Then its change moves the others. Otherwise the others
        changed it, which shows how they pull. A string far from its expected pitch was tuned in any case, or the bridge
        has changed: then the pulls are as unknown as at first.
    fresh : bool, optional
        True if it may have been wound on just now, after others were read: these may have changed.
    """
    z = z_from_cents(cents)
    if fresh:
        balance = _after_possible_pull(balance, index, z - SLACK)
    variance = (math.hypot(se_cents, HEARD_CENTS) / cents_per_z(z)) ** 2
    mean, covariance = np.array(balance.mean), np.array(balance.covariance)
    off = z - mean[index]
    spread = covariance[index, index] + variance
    if tuned:
        return _after_tuning(balance, index, z, variance)
    if off**2 > TOUCHED_SD**2 * spread:
        return _after_tuning(_with_first_doubt(balance), index, z, variance)
    gain = covariance[:, index] / spread
    mean = mean + gain * off
    covariance = covariance - gain[:, None] * covariance[None, index, :]
    drift = np.arange(mean.size) < balance.count
    covariance = covariance + np.diag(np.where(drift, (DRIFT_CENTS * 2.0 / CENTS_PER_E) ** 2, 0.0))
    return _updated(balance, mean, covariance)


def after_slackening(balance: Balance, index: int) -> Balance:
    """Return the balance after a string was slackened by an unknown amount."""
    return _after_tuning(balance, index, SLACK, INITIAL_SD**2)


def after_disturbance(balance: Balance, sd_cents: float) -> Balance:
    """Return the balance after every string changed by an unknown amount, independently (1 sd in cents)."""
    covariance = np.array(balance.covariance)
    for index in range(balance.count):
        covariance[index, index] += (sd_cents / cents_per_z(balance.mean[index])) ** 2
    return _updated(balance, np.array(balance.mean), covariance)


def after_saddle_move(balance: Balance, index: int, mm: float) -> Balance:
    """Return the balance after a saddle move of ``mm``: at the same tension a longer string is lower."""
    mean = np.array(balance.mean)
    mean[index] -= 2.0 * mm / balance.length_mm[index]
    return replace(balance, mean=tuple(mean.tolist()))


def highest_z(balance: Balance, index: int) -> float:
    """Return the highest relative tension that a string is tuned to: by SAFE_SHARE or SAFE_RISE, and 0 or more."""
    return max(0.0, min(SAFE_RISE, _strongest_z(balance, index)))


def highest_pulled_z(balance: Balance, index: int) -> float:
    """Return the highest relative tension that others pull a string to: by SAFE_SHARE or MOST_PULLED, 0 or more."""
    return max(0.0, min(MOST_PULLED, _strongest_z(balance, index)))


def _strongest_z(balance: Balance, index: int) -> float:
    """Return the relative tension at SAFE_SHARE of the strength of a string's core."""
    area_mm2 = math.pi * balance.core_mm[index] ** 2 / 4.0
    return SAFE_SHARE * MUSIC_WIRE_STRENGTH_PA * 1e-6 * area_mm2 / balance.tension_n[index] - 1.0


def _with_first_doubt(balance: Balance) -> Balance:
    """Return the balance with the rates as uncertain as at first."""
    n = balance.count
    covariance = np.array(balance.covariance)
    covariance[:n, n:] = covariance[n:, :n] = 0.0
    covariance[n:, n:] = balance.first_doubt
    return _updated(balance, np.array(balance.mean), covariance)


def _after_possible_pull(balance: Balance, index: int, sd: float) -> Balance:
    """Return the balance after a string was possibly wound on by ``sd`` (1 sd of z), which pulls the others."""
    n = balance.count
    column = balance.coupling()[:, index]
    column[index] = 0.0
    covariance = np.array(balance.covariance)
    covariance[:n, :n] += sd**2 * column[:, None] * column[None, :]
    return _updated(balance, np.array(balance.mean), covariance)


def _after_tuning(balance: Balance, index: int, z: float, variance: float) -> Balance:
    """Return the balance after a string was tuned to ``z`` with this variance: the others change by their share."""
    n = balance.count
    mean, covariance = np.array(balance.mean), np.array(balance.covariance)
    by = z - float(mean[index])
    column = balance.coupling()[:, index]
    step = np.eye(2 * n + 1)
    step[:n, index] -= column
    step[:n, n:] += by * _coupling_slopes(balance, index)
    mean[:n] += column * by
    mean[index] = z
    covariance = _times(_times(step, covariance), step.T)
    stray = np.hypot(STRAY_SHARE * column * by, STRAY_CENTS * 2.0 / CENTS_PER_E)
    stray[index] = 0.0
    covariance[:n, :n] += variance * column[:, None] * column[None, :] + np.diag(stray**2)
    return _updated(balance, mean, covariance)


def _coupling_slopes(balance: Balance, index: int) -> FloatArray:
    """Return the derivatives of column ``index`` of the coupling by each logarithm, shape (strings, 1 + strings)."""
    n = balance.count
    tension, length = np.array(balance.tension_n), np.array(balance.length_mm)
    springs, rate = _rates(balance)
    held = springs + float(np.sum(rate)) - rate[index] + 2.0 * tension[index] / length[index]
    push = tension[index] / held
    give = rate / tension - 2.0 / length
    slopes = np.zeros((n, n + 1))
    slopes[:, 0] = give * push * springs / held
    slopes[:, 1:] = (give * push / held)[:, None] * rate[None, :]
    slopes[:, 1 + index] = 0.0
    slopes[:, 1:] -= np.diag(push * rate / tension)
    slopes[index] = 0.0
    return slopes


def _rates(balance: Balance) -> tuple[float, FloatArray]:
    """Return the rate of the springs at the height of the strings, and of each string, N/mm."""
    logs = np.array(balance.mean[balance.count :])
    return SPRINGS_N_MM * math.exp(logs[0]), np.array(balance.rate_n_mm) * np.exp(logs[1:])


def _times(left: FloatArray, right: FloatArray) -> FloatArray:
    """Return a matrix product that is summed in one order on every machine: a journal replays to the last bit."""
    return np.asarray((left[:, :, None] * right[None, :, :]).sum(axis=1))


def _rows(matrix: FloatArray) -> tuple[tuple[float, ...], ...]:
    """Return a matrix as tuples."""
    return tuple(tuple(row) for row in matrix.tolist())


def _updated(balance: Balance, mean: FloatArray, covariance: FloatArray) -> Balance:
    """Return the balance with another distribution, its covariance made symmetric."""
    even = (covariance + covariance.T) / 2.0
    return replace(balance, mean=tuple(mean.tolist()), covariance=_rows(even))


@dataclass(frozen=True)
class RoundGoal:
    """Pitches at the end of a round.

    Attributes
    ----------
    cents : tuple[float, ...]
        Pitch of every string; 0 is its nominal pitch.
    share : float
        Share of the way to the nominal pitches; 1 is all of it.
    """

    cents: tuple[float, ...]
    share: float


def round_goal(balance: Balance, order: Sequence[int]) -> RoundGoal:
    """Return the goal of a round that tunes each string of ``order`` once, without an unsafe tension on the way."""
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
    return RoundGoal(tuple(cents_from_z(end) for end in ends), share)


def targets_cents(balance: Balance, order: Sequence[int], goal_cents: Sequence[float]) -> tuple[float, ...]:
    """Return the pitch that every string should have now, or should be tuned to, in cents from its nominal pitch.

    Parameters
    ----------
    balance : Balance
        Pitches of the strings, and how they pull.
    order : Sequence[int]
        Strings still to be tuned in this round.
    goal_cents : Sequence[float]
        Pitch of every string at the end of the round.
    """
    n = balance.count
    z, coupling = np.array(balance.mean[:n]), balance.coupling()
    goals = np.array([z_from_cents(cents) for cents in goal_cents])
    turns = _turns(z, coupling, order, goals)
    found = []
    for index in range(n):
        later = list(order)[list(order).index(index) + 1 :] if index in order else list(order)
        target = float(goals[index] - np.sum(coupling[index, later] * turns[later]))
        if index in order:
            target = min(max(target, LOWEST_Z), highest_z(balance, index))
        found.append(cents_from_z(target))
    return tuple(found)


def strings_to_tune(balance: Balance, order: Sequence[int], off: Sequence[int], window_cents: float) -> tuple[int, ...]:
    """Return the strings that have to be tuned in the next round.

    Parameters
    ----------
    balance : Balance
        Pitches of the strings, and how they pull.
    order : Sequence[int]
        The strings that can be tuned.
    off : Sequence[int]
        Those of them that are known to be off.
    window_cents : float
        Others that the round would pull out of this range are tuned as well.
    """
    chosen = set(off)
    while True:
        now = tuple(index for index in order if index in chosen)
        ends = final_cents(balance, now)
        pulled = {index for index in order if index not in chosen and abs(ends[index]) > window_cents}
        if not pulled:
            return now
        chosen |= pulled


def final_cents(balance: Balance, order: Sequence[int]) -> tuple[float, ...]:
    """Return the pitch of every string in cents from its own, after those of ``order`` were all tuned to pitch."""
    n = balance.count
    z, coupling = np.array(balance.mean[:n]), balance.coupling()
    ends = z + coupling @ _turns(z, coupling, order, np.zeros(n))
    return tuple(cents_from_z(end) for end in ends.tolist())


def _turns(z: FloatArray, coupling: FloatArray, order: Sequence[int], goals: FloatArray) -> FloatArray:
    """Return the change of z by each string's own peg, shape (strings,); 0 for those not in the round."""
    here = list(order)
    turns = np.zeros(z.size)
    turns[here] = np.linalg.solve(coupling[np.ix_(here, here)], goals[here] - z[here])
    return turns
