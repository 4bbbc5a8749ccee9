"""The moves of all adjusters of a bridge together: one bounded, weighted least-squares problem over all errors.

A bridge is a matrix: mm of each string's saddle per mm of each adjuster. So separate saddles, pairs, a bar with a screw
at each end, and any other bridge in a file are the same problem, within the travel of the adjusters. Moves are in mm,
+ away from the nut; errors in cents, + sharp.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.advice.compared_frets import REFERENCE_FRET
from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import (
    Move,
    cents_per_mm,
    error_after,
    limited_move,
    refusal,
    speaking_lengths_mm,
    travel_left_mm,
)
from oscservice.instrument.spec import Instrument

Floats = npt.NDArray[np.float64]

LEAST_SE_CENTS = 0.5
"""Smallest standard error that sets a weight: one string of a pair with many plucks must not decide alone."""

_REGULARISATION = 1e-6  # weight of no move, where nothing else decides
_ROUNDS = 6  # Gauss-Newton steps: the errors are nearly linear
_SHORTEST = 0.5  # share of the length between fret and saddle that each step leaves at least


@dataclass(frozen=True)
class ErrorRow:
    """The error of one fret of one string, at the present positions of the saddles.

    Attributes:
        string: its number, from 1.
        fret: the fret, from 1.
        error_cents: error, + sharp.
        se_cents: standard error (1 sd), independent of other rows.
        weight: weight > 0, by how much the player plays there.
    """

    string: int
    fret: int
    error_cents: float
    se_cents: float
    weight: float = 1.0


@dataclass(frozen=True)
class BridgePlan:
    """Moves of all adjusters, and the errors that they leave.

    Attributes:
        moves: adjuster name -> move.
        remaining_cents: string number -> error left at its fret, or of several frets the saddle's part at
            ``REFERENCE_FRET``.
        remaining_by_fret: string number and fret -> error left.
        short_mm: string number -> how much further its saddle would go with unlimited travel.
    """

    moves: dict[str, Move]
    remaining_cents: dict[int, float]
    remaining_by_fret: dict[tuple[int, int], float]
    short_mm: dict[int, float]


def plan_bridge(
    rows: Sequence[ErrorRow],
    instrument: Instrument,
    positions: Mapping[str, float],
    *,
    response: Mapping[int, float] | None = None,
    why_not: str = "",
) -> BridgePlan:
    """Return the moves of all adjusters with the least sum of weight times (error left / standard error) squared.

    The standard error of each move follows from those of the rows.

    Args:
        rows: the errors; at most one for each string and fret.
        instrument: the instrument.
        positions: adjuster name -> its move since the start in mm; 0 if missing.
        response: string number -> measured change in cents per mm over that by geometry; 1 if missing.
        why_not: the reason why no move is advised; the plan then moves nothing. Empty if moves are advised.

    Raises:
        ValueError: no rows, two for one fret, one that isn't finite or has no weight, a response that isn't > 0, or an
            unknown string or adjuster.
    """
    response = response or {}
    _check(rows, instrument, positions, response)
    adjusters = instrument.bridge.adjusters
    moved = np.array([positions.get(a.name, 0.0) for a in adjusters])
    model = _error_model(rows, instrument, moved, response)
    rooms = [travel_left_mm(a, float(m)) for a, m in zip(adjusters, moved, strict=True)]
    moves: dict[str, Move] = {}
    free = within = np.zeros(len(adjusters))
    if adjusters:
        free, within = model.solve(None), model.solve(rooms)
        for a, room, needed, mm, se in zip(adjusters, rooms, free, within, model.se_mm(free), strict=True):
            moves[a.name] = limited_move(float(needed), float(mm), float(se), room, a, why_not)
    done = model.influence @ (np.zeros(len(adjusters)) if why_not else within)
    left = model.left_cents(done)
    short = model.influence @ (free - within)
    return BridgePlan(
        moves,
        _by_string(rows, instrument, model, done, left),
        {(r.string, r.fret): float(cents) for r, cents in zip(rows, left, strict=True)},
        {r.string: float(mm) for r, mm in zip(rows, short, strict=True)},
    )


def adjuster_moves(
    errors: Mapping[int, Comparison],
    instrument: Instrument,
    positions: Mapping[str, float],
    fret: int,
    response: Mapping[int, float] | None = None,
) -> BridgePlan:
    """Return ``plan_bridge`` for comparisons at one fret; no moves if any comparison is too uncertain.

    Args:
        errors: string number -> comparison.
        instrument, positions, response: as in ``plan_bridge``.
        fret: the fret that was compared.

    Raises:
        ValueError: no string was compared, or an unknown string or adjuster.
    """
    rows = [ErrorRow(n, fret, errors[n].error_cents, errors[n].se_cents) for n in sorted(errors)]
    reasons = [refusal(errors[n]) for n in sorted(errors)]
    return plan_bridge(rows, instrument, positions, response=response, why_not=next(filter(None, reasons), ""))


@dataclass(frozen=True)
class _ErrorModel:
    """Errors as functions of the adjusters' moves, in arrays over rows.

    Attributes:
        cents, se: errors and standard errors, (rows,).
        factor: factor of an error before it is squared, (rows,).
        influence: mm of the row's saddle per mm of each adjuster, (rows, adjusters).
        lengths: nut to saddle and fret to saddle of each row, mm.
        response: measured change per mm over that by geometry, (rows,).
    """

    cents: Floats
    se: Floats
    factor: Floats
    influence: Floats
    lengths: tuple[tuple[float, float], ...]
    response: Floats

    def left_cents(self, saddles_mm: Floats) -> Floats:
        """Return the error left on each row, (rows,), after saddle moves of ``saddles_mm``, (rows,)."""
        changes = [error_after(0.0, at, float(d)) for at, d in zip(self.lengths, saddles_mm, strict=True)]
        return np.asarray(self.cents + self.response * np.array(changes))

    def slopes(self, saddles_mm: Floats) -> Floats:
        """Return the cents per mm of each row's saddle, (rows,), after saddle moves of ``saddles_mm``, (rows,)."""
        pairs = zip(self.lengths, saddles_mm, strict=True)
        return np.asarray(self.response * [cents_per_mm((at[0] + d, at[1] + d)) for at, d in pairs])

    def solve(self, rooms: list[tuple[float, float]] | None) -> Floats:
        """Return the least-squares moves, (adjusters,), within ``rooms`` (travel toward and away) if given."""
        count = self.influence.shape[1]
        low = np.array([-toward for toward, _ in rooms]) if rooms else np.full(count, -np.inf)
        high = np.array([away for _, away in rooms]) if rooms else np.full(count, np.inf)
        shortest = (_SHORTEST - 1.0) * np.array([at[1] for at in self.lengths])
        moves = np.zeros(count)
        for _ in range(_ROUNDS):
            saddles = self.influence @ moves
            jacobian = (self.slopes(saddles) * self.factor)[:, None] * self.influence
            target = jacobian @ moves - self.left_cents(saddles) * self.factor
            rows = np.vstack([jacobian, _REGULARISATION * np.eye(count)])
            # The bounds have to differ.
            moves = _least_squares(rows, np.concatenate([target, np.zeros(count)]), low - 1e-9, high + 1e-9)
            while ((self.influence @ moves) < shortest).any():
                moves = moves / 2.0
        return np.clip(moves, low, high)

    def se_mm(self, moves: Floats) -> Floats:
        """Return the standard errors of the moves, (adjusters,)."""
        jacobian = (self.slopes(self.influence @ moves) * self.factor)[:, None] * self.influence
        per_cent = np.linalg.pinv(jacobian) * self.factor
        return np.asarray(np.sqrt(per_cent**2 @ self.se**2))


def _error_model(
    rows: Sequence[ErrorRow], instrument: Instrument, moved: Floats, response: Mapping[int, float]
) -> _ErrorModel:
    """Return the model of the rows; the adjusters have moved by ``moved``, (adjusters,), since the start."""
    adjusters = instrument.bridge.adjusters
    influence = np.array([[a.influence.get(r.string, 0.0) for a in adjusters] for r in rows])
    start = influence @ moved if adjusters else np.zeros(len(rows))
    pairs = zip(rows, start, strict=True)
    return _ErrorModel(
        cents=np.array([r.error_cents for r in rows]),
        se=np.array([r.se_cents for r in rows]),
        factor=np.array([math.sqrt(r.weight) / max(r.se_cents, LEAST_SE_CENTS) for r in rows]),
        influence=influence,
        lengths=tuple(speaking_lengths_mm(instrument.string(r.string), r.fret, float(at)) for r, at in pairs),
        response=np.array([response.get(r.string, 1.0) for r in rows]),
    )


def _by_string(
    rows: Sequence[ErrorRow], instrument: Instrument, model: _ErrorModel, done_mm: Floats, left: Floats
) -> dict[int, float]:
    """Return string number -> remaining error, from the error left on each row, (rows,)."""
    slopes = model.slopes(done_mm)
    remaining: dict[int, float] = {}
    for number in dict.fromkeys(row.string for row in rows):
        own = [k for k, row in enumerate(rows) if row.string == number]
        if len(own) == 1:
            remaining[number] = float(left[own[0]])
            continue
        # Nut to saddle after the move.
        open_mm = model.lengths[own[0]][0] + float(done_mm[own[0]])
        string = instrument.string(number)
        position_mm = open_mm - string.open_run_mm()
        at_reference = model.response[own[0]] * cents_per_mm(speaking_lengths_mm(string, REFERENCE_FRET, position_mm))
        weight = (model.factor[own] * slopes[own]) ** 2
        remaining[number] = float(weight @ (left[own] * at_reference / slopes[own]) / weight.sum())
    return remaining


def _check(
    rows: Sequence[ErrorRow], instrument: Instrument, positions: Mapping[str, float], response: Mapping[int, float]
) -> None:
    """Raise ValueError for what ``plan_bridge`` refuses."""
    unknown = sorted(set(positions) - {a.name for a in instrument.bridge.adjusters})
    if unknown:
        raise ValueError(f"no adjuster is called {unknown[0]!r}")
    if not rows:
        raise ValueError("no string was compared")
    seen: set[tuple[int, int]] = set()
    for row in rows:
        where = f"string {row.string} at fret {row.fret}"
        if (row.string, row.fret) in seen:
            raise ValueError(f"{where} comes twice; combine its comparisons first")
        if row.fret < 1 or not (math.isfinite(row.error_cents) and math.isfinite(row.se_cents) and row.se_cents >= 0.0):
            raise ValueError(f"{where} is {row.error_cents} +- {row.se_cents} cents off; expected a fret and numbers")
        if not (math.isfinite(row.weight) and row.weight > 0.0):
            raise ValueError(f"{where} has a weight of {row.weight}; expected more than 0")
        seen.add((row.string, row.fret))
    for number, ratio in response.items():
        if not (math.isfinite(ratio) and ratio > 0.0):
            raise ValueError(f"string {number} has a response of {ratio}; expected more than 0")


def strings_moved_together(instrument: Instrument, number: int) -> list[int]:
    """Return the strings whose saddles move together with this one's, directly or through others, in order.

    The string itself is one of them.
    """
    found = {number}
    while True:
        more = {n for a in instrument.bridge.adjusters if found & set(a.influence) for n in a.influence} - found
        if not more:
            return sorted(found)
        found |= more


def _least_squares(rows: Floats, target: Floats, low: Floats, high: Floats) -> Floats:
    """Return the least squares of ``rows``, (r, n), on ``target``, (r,), between ``low`` and ``high``, (n,)."""
    free = np.linalg.lstsq(rows, target, rcond=-1)[0]
    if np.all((free >= low) & (free <= high)):
        return np.asarray(free)
    from scipy.optimize import lsq_linear  # few bridges are at the end of their travel, and it takes long to import

    return np.asarray(lsq_linear(rows, target, bounds=(low, high)).x)
