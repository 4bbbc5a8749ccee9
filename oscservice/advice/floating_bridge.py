"""A floating bridge: how its strings pull each other, and the targets of a round of tuning.

How the strings of a floating bridge pull each other: where all of them stand, and how much one moves the rest.

A rigid bridge turns on a pivot between strings and springs. Winding string i on pulls it forward by x, and every other
string gives by as much: with T the tension and L the sounding length at pitch, k = E A / L_total the rate of a string
and K_b that of the springs as felt at the strings (N/mm),

    x = T_i dz_i / (K_b + sum of the other k + 2 T_i / L_i),        dz_j = -(k_j / T_j - 2 / L_j) x

where z = (f / f at pitch)^2 - 1 is the relative tension. In z this is linear, in cents (600 log2(1 + z)) only for small
changes; and it is of rank one off the diagonal. That a linear spring model describes such a bridge, and why rounds of
tuning converge, is the subject of Hebenstreit, J. Acoust. Soc. Am. 143 (June 2018); the formula is derived here.

What isn't known (K_b, each k) and where the strings stand are kept together as one Gaussian of z and the logarithms of
the unknowns, and every open string that is heard sharpens it: an extended Kalman filter. Friction at nut and pivot is
no part of the model; its scatter is in the standard errors.

Strings are counted from 0 here (index 0 is string 1). Cents + sharp, mm + away from the nut.

One round of tuning on a floating bridge: the pitch to bring each string to, so that all arrive together.

A string that is tuned early is pulled off again by each that is tuned after it. Knowing how they pull (``balance``) and
where they stand, each is brought so far past its pitch that the rest of the round pulls it back onto it. What the model
got wrong is left for a second, plain round. Where that would take a string further than is safe, the round goes only
part of the way, every string by the same share, and another follows.

Strings are counted from 0 here, their order is that of tuning; cents + sharp.
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
"""Rate of the springs at the height of the strings before anything is heard, and how far off it may be (1 sd of its
logarithm, a factor of two): three springs of 2.5 N/mm on arms of 40 and 11 mm (assumed, no source)."""

HELD_SHARE = 0.9
"""Sounding length over the length that takes part in the stretch (assumed)."""
COMMON_LOG_SD = 0.1
PLAIN_LOG_SD = 0.08
WOUND_LOG_SD = 0.2
"""How far all the strings' rates may be off together, and each by itself (1 sd of the logarithm): a core that is in no
chart is taken to be known to a tenth of its diameter."""

INITIAL_SD = 0.3
"""Relative tension of a string before it is heard (1 sd): some 250 cents."""
SLACK = -0.7
"""Relative tension of a slackened string, give or take UNHEARD_SD: eight to thirty semitones down."""

STRAY_SHARE = 0.01
STRAY_CENTS = 0.1
"""How far a string may stray from where the model puts it when another is tuned (friction, springs that are not
straight; 1 sd): as a share of the shift, and at least. Assumed."""

DRIFT_CENTS = 0.05
"""How far strings drift from one pluck to the next (1 sd; assumed)."""

HEARD_CENTS = 0.2
"""How far an open string may be from what was heard of it (1 sd), whatever the reading's own standard error is."""

TOUCHED_SD = 4.0
"""A string heard this many standard errors from where it should be was tuned in between."""

SAFE_SHARE = 0.75
"""No string is brought beyond this share of the tensile strength of its core: assumed, for old wire and sharp bends."""
SAFE_RISE = 0.5
"""Nor beyond this much more than its tension at pitch, for the sake of tuners and windings: assumed."""
MOST_PULLED = 0.6
"""Nor do others pull it further than this over its pitch, some 400 cents: it could be taken for another (assumed)."""
LOWEST_Z = -0.3
"""Nor is it let down further than this below its pitch, on the way there: the same."""


@dataclass(frozen=True)
class Balance:
    """Where the strings stand, and how they pull each other, as a Gaussian.

    Attributes:
        tension_n, rate_n_mm, length_mm, core_mm: each string at pitch, by the instrument.
        mean: relative tension z of each string; then the logarithm of the springs' rate over SPRINGS_N_MM, and of each
            string's over ``rate_n_mm``.
        covariance: of ``mean``, by rows; first_doubt: what that of the logarithms was before anything was heard.
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
        """Where the open string stands, in cents from its pitch."""
        return cents_from_z(self.mean[index])

    def se_cents(self, index: int) -> float:
        """How sure that is (1 sd)."""
        return math.sqrt(max(self.covariance[index][index], 0.0)) * cents_per_z(self.mean[index])

    def coupling(self) -> FloatArray:
        """Shape (strings, strings): how much row j moves when column i is tuned by 1, both in z (small changes: in
        cents); 1 on the diagonal."""
        tension, length = np.array(self.tension_n), np.array(self.length_mm)
        springs, rate = _rates(self)
        push = tension / (springs + float(np.sum(rate)) - rate + 2.0 * tension / length)
        found = -(rate / tension - 2.0 / length)[:, None] * push[None, :]
        np.fill_diagonal(found, 1.0)
        return np.asarray(found, dtype=np.float64)


def z_from_cents(cents: float) -> float:
    """Relative tension of a string that stands ``cents`` from its pitch."""
    return math.pow(2.0, cents / 600.0) - 1.0


def cents_from_z(z: float) -> float:
    """Cents from pitch of a relative tension; a string without tension counts as four octaves down."""
    return 600.0 * math.log2(1.0 + max(z, -255.0 / 256.0))


def cents_per_z(z: float) -> float:
    """Slope of ``cents_from_z``."""
    return CENTS_PER_E / (2.0 * (1.0 + max(z, -255.0 / 256.0)))


def initial_balance(instrument: Instrument) -> Balance:
    """What is known of an instrument before anything is heard of it: its strings, and an ordinary set of springs."""
    numbers = range(1, len(instrument.strings) + 1)
    strings = instrument.strings
    lengths = [spec.scale_mm + spec.setback_mm for spec in strings]
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
    """After an open string was heard.

    Args:
        index: which string.
        cents, se_cents: where it stands, and the reading's standard error.
        tuned: its peg was turned since it was last heard. Then what it moved by moves the others; else what it moved by
            is what the others did to it, and teaches how they pull. A string far from where it should be was tuned
            whatever is said, or the bridge is not what it was: what was learned of the pulls is doubted again.
        fresh: it may have been wound on only just now, after others were heard: these may have given.
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
    """After a string was let down, nobody knows how far."""
    return _after_tuning(balance, index, SLACK, INITIAL_SD**2)


def after_saddle_move(balance: Balance, index: int, mm: float) -> Balance:
    """After a string's saddle was moved: at the same tension the string is longer, and lower."""
    mean = np.array(balance.mean)
    mean[index] -= 2.0 * mm / balance.length_mm[index]
    return replace(balance, mean=tuple(mean.tolist()))


def highest_z(balance: Balance, index: int) -> float:
    """Relative tension beyond which a string isn't brought: SAFE_SHARE of its core's strength, or SAFE_RISE over its
    pitch; never below its pitch."""
    return max(0.0, min(SAFE_RISE, _strongest_z(balance, index)))


def highest_pulled_z(balance: Balance, index: int) -> float:
    """Relative tension beyond which a string isn't pulled by the others: SAFE_SHARE of its core's strength, or
    MOST_PULLED; never below its pitch."""
    return max(0.0, min(MOST_PULLED, _strongest_z(balance, index)))


def _strongest_z(balance: Balance, index: int) -> float:
    area_mm2 = math.pi * balance.core_mm[index] ** 2 / 4.0
    return SAFE_SHARE * MUSIC_WIRE_STRENGTH_PA * 1e-6 * area_mm2 / balance.tension_n[index] - 1.0


def _with_first_doubt(balance: Balance) -> Balance:
    """What was learned of the pulls may be wrong: it is as unsure as at first."""
    n = balance.count
    covariance = np.array(balance.covariance)
    covariance[:n, n:] = covariance[n:, :n] = 0.0
    covariance[n:, n:] = balance.first_doubt
    return _updated(balance, np.array(balance.mean), covariance)


def _after_possible_pull(balance: Balance, index: int, sd: float) -> Balance:
    """The others may have been pulled by a string that was wound on by up to ``sd`` (1 sd) since they were heard."""
    n = balance.count
    column = balance.coupling()[:, index]
    column[index] = 0.0
    covariance = np.array(balance.covariance)
    covariance[:n, :n] += sd**2 * column[:, None] * column[None, :]
    return _updated(balance, np.array(balance.mean), covariance)


def _after_tuning(balance: Balance, index: int, z: float, variance: float) -> Balance:
    """After a string's peg was turned until it stood at ``z``: the others give by their share."""
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
    """Shape (strings, 1 + strings): what column ``index`` of the coupling changes by, per 1 of each logarithm."""
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
    """Rate of the springs at the height of the strings and of each string, N/mm."""
    logs = np.array(balance.mean[balance.count :])
    return SPRINGS_N_MM * math.exp(logs[0]), np.array(balance.rate_n_mm) * np.exp(logs[1:])


def _times(left: FloatArray, right: FloatArray) -> FloatArray:
    """Matrix product, summed in one fixed order on every machine: a journal replays to the last bit."""
    return np.asarray((left[:, :, None] * right[None, :, :]).sum(axis=1))


def _rows(matrix: FloatArray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())


def _updated(balance: Balance, mean: FloatArray, covariance: FloatArray) -> Balance:
    even = (covariance + covariance.T) / 2.0
    return replace(balance, mean=tuple(mean.tolist()), covariance=_rows(even))


LEAST_SHARE = 0.2
"""A round goes at least this share of the way: below that nothing would ever be reached."""


@dataclass(frozen=True)
class RoundGoal:
    """Where a round is to end.

    Attributes:
        cents: of every string; 0 is its pitch.
        share: how much of the way there this is; 1 is all of it.
    """

    cents: tuple[float, ...]
    share: float


def round_goal(balance: Balance, order: Sequence[int]) -> RoundGoal:
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
    return RoundGoal(tuple(cents_from_z(end) for end in ends), share)


def targets_cents(balance: Balance, order: Sequence[int], goal_cents: Sequence[float]) -> tuple[float, ...]:
    """Where every string should stand now, or be brought to when its turn comes, in cents from its pitch.

    Args:
        balance: where the strings stand, and how they pull.
        order: those still to be tuned in this round.
        goal_cents: where the round is to end, of every string.
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
        ends = final_cents(balance, now)
        pulled = {index for index in order if index not in chosen and abs(ends[index]) > window_cents}
        if not pulled:
            return now
        chosen |= pulled


def final_cents(balance: Balance, order: Sequence[int]) -> tuple[float, ...]:
    """Where every string will stand once those of ``order`` were all brought to pitch, in cents from its own."""
    n = balance.count
    z, coupling = np.array(balance.mean[:n]), balance.coupling()
    ends = z + coupling @ _turns(z, coupling, order, np.zeros(n))
    return tuple(cents_from_z(end) for end in ends.tolist())


def _turns(z: FloatArray, coupling: FloatArray, order: Sequence[int], goals: FloatArray) -> FloatArray:
    """What each string's own peg has to add to its z; shape (strings,), 0 for those not in the round."""
    here = list(order)
    turns = np.zeros(z.size)
    turns[here] = np.linalg.solve(coupling[np.ix_(here, here)], goals[here] - z[here])
    return turns
