"""From a comparison to what the saddle should do.

Moves are in mm, + away from the nut. The open string is retuned after a move, so only the ratio of the two speaking
lengths counts: with A from nut to saddle and B from fret to saddle, moving the saddle by d turns an error e into
e + 1200 log2((A + d) B / ((B + d) A)).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from scipy.optimize import lsq_linear

from oscservice.advice.comparison import FEWEST_PLUCKS, SCATTER_LIMIT_CENTS, Comparison
from oscservice.advice.decision import Verdict, judge, proved
from oscservice.instrument.spec import Adjuster, Instrument, StringSpec
from oscservice.instrument.strings import fret_position_mm

__all__ = [
    "AWAY",
    "FIXED_SADDLE",
    "SHOWN_MM",
    "STAY",
    "TOWARD",
    "BridgePlan",
    "Move",
    "Verdict",
    "adjuster_moves",
    "cents_per_mm",
    "direction_of",
    "error_after",
    "judge",
    "null_move_mm",
    "proved",
    "refusal",
    "saddle_correction",
    "speaking_lengths_mm",
    "turns_text",
]

Floats = npt.NDArray[np.float64]

TOWARD = "toward the nut"
AWAY = "away from the nut"
STAY = "stay"

SHOWN_MM = 0.1
"""No move is printed finer than this: a fretting hand and a ruler don't know it better."""

FIXED_SADDLE = "the saddle is fixed: shape its crown, or live with it"


@dataclass(frozen=True)
class Move:
    """What an adjuster should do.

    Attributes:
        mm: how far to move it, within its travel; + away from the nut. 0 where the advice is refused.
        se_mm: 1 sd of the move needed.
        turns: the same in turns of its screw (sign as ``mm``), None without a screw.
        direction: ``toward the nut``, ``away from the nut`` or ``stay``; of what is needed, even out of travel.
        room_mm: travel left in that direction (toward the nut when staying).
        out_of_travel: what is needed lies beyond the travel.
        missing_mm: by how much (>= 0).
        refused: why no move is advised, or None.
        needed_mm: what would null the error; + away from the nut.
    """

    mm: float
    se_mm: float
    turns: float | None
    direction: str
    room_mm: float
    out_of_travel: bool
    missing_mm: float
    refused: str | None
    needed_mm: float

    def __str__(self) -> str:
        """The move in words, no finer than 0.1 mm and an eighth of a turn."""
        if self.refused is not None:
            return f"no move: {self.refused}"
        if direction_of(self.mm) == STAY and not self.out_of_travel:
            return STAY
        words = f"{abs(self.mm):.1f} mm {self.direction}"
        if self.turns is not None:
            words += f", {turns_text(self.turns)}"
        if self.out_of_travel:
            words += f"; {self.missing_mm:.1f} mm more than the travel allows"
        return words


@dataclass(frozen=True)
class BridgePlan:
    """Moves of every adjuster by name, and the error in cents each compared string is left with by string number."""

    moves: dict[str, Move]
    remaining_cents: dict[int, float]


def speaking_lengths_mm(string: StringSpec, fret: int, position_mm: float) -> tuple[float, float]:
    """Nut to saddle and fret to saddle in mm, the saddle having moved ``position_mm`` since the start."""
    open_mm = string.scale_mm + string.setback_mm + position_mm
    return open_mm, open_mm - fret_position_mm(string.scale_mm, fret)


def error_after(error_cents: float, lengths_mm: tuple[float, float], move_mm: float) -> float:
    """Error left in cents after the saddle moved by ``move_mm`` and the open string was retuned."""
    open_mm, stopped_mm = lengths_mm
    return error_cents + 1200.0 * math.log2((open_mm + move_mm) * stopped_mm / ((stopped_mm + move_mm) * open_mm))


def null_move_mm(error_cents: float, lengths_mm: tuple[float, float]) -> float:
    """The move that nulls an error, exactly: A B (r - 1) / (A - B r) with r = 2^(e/1200)."""
    open_mm, stopped_mm = lengths_mm
    ratio = float(2.0 ** (error_cents / 1200.0))
    if open_mm <= stopped_mm * ratio:
        raise ValueError(f"no saddle position nulls an error of {error_cents:.0f} cents")
    return open_mm * stopped_mm * (ratio - 1.0) / (open_mm - stopped_mm * ratio)


def cents_per_mm(lengths_mm: tuple[float, float]) -> float:
    """Change of the error per mm of saddle (negative: away from the nut flattens the fretted note)."""
    open_mm, stopped_mm = lengths_mm
    return 1200.0 / math.log(2.0) * (1.0 / open_mm - 1.0 / stopped_mm)


def direction_of(move_mm: float) -> str:
    """The move's direction in words; what rounds to 0.0 mm is no move."""
    if abs(move_mm) < SHOWN_MM / 2.0:
        return STAY
    return TOWARD if move_mm < 0.0 else AWAY


def turns_text(turns: float) -> str:
    """Turns to the nearest eighth, unsigned: ``1 3/8 turns``."""
    eighths = round(abs(turns) * 8.0)
    whole, rest = divmod(eighths, 8)
    if eighths == 0:
        return "less than 1/8 turn"
    parts = [str(whole)] if whole else []
    parts += [str(Fraction(rest, 8))] if rest else []
    return f"{' '.join(parts)} {'turn' if eighths <= 8 else 'turns'}"


def refusal(error: Comparison) -> str | None:
    """Why a comparison is no ground for moving anything, or None."""
    if error.scatter_cents > SCATTER_LIMIT_CENTS:
        return (
            f"plucks scatter by {error.scatter_cents:.1f} cents, more than {SCATTER_LIMIT_CENTS:g}: "
            "fret the same way each time, and look for a loose part"
        )
    if error.plucks < FEWEST_PLUCKS:
        return f"{error.plucks} fretted plucks, fewer than {FEWEST_PLUCKS}: pluck more"
    return None


def saddle_correction(
    error: Comparison, string: StringSpec, fret: int, position_mm: float, adjuster: Adjuster | None
) -> Move:
    """The move of one string's own saddle.

    Args:
        error: the comparison at ``fret`` with the saddle where it now stands.
        string: the string.
        fret: the fret it was compared at.
        position_mm: how far the saddle has moved since the start, + away from the nut.
        adjuster: what moves it, alone; None for a fixed saddle. For an adjuster shared by several strings use
            ``adjuster_moves``.

    Raises:
        ValueError: the adjuster moves several strings, or the error is beyond what any saddle position can null.
    """
    if adjuster is not None and len(adjuster.influence) != 1:
        raise ValueError(f"{adjuster.name} moves several strings; plan them together")
    lengths = speaking_lengths_mm(string, fret, position_mm)
    needed = null_move_mm(error.error_cents, lengths)
    after = (lengths[0] + needed, lengths[1] + needed)
    se = error.se_cents / abs(cents_per_mm(after))
    if adjuster is None:
        return _move(needed, 0.0, se, 0.0, 0.0, None, refusal(error) or FIXED_SADDLE)
    (influence,) = adjuster.influence.values()
    toward, away = _room(adjuster, position_mm / influence)
    wanted = needed / influence
    within = min(max(wanted, -toward), away)
    return _move(wanted, within, se / abs(influence), toward, away, adjuster.mm_per_turn, refusal(error))


def adjuster_moves(
    errors: Mapping[int, Comparison], instrument: Instrument, positions: Mapping[str, float], fret: int
) -> BridgePlan:
    """Moves of all adjusters together: bounded least squares over the strings that were compared.

    Each string weighs by its standard error, but none by less than half a cent, so that one much-plucked string of a
    pair doesn't take the saddle to itself.

    Args:
        errors: comparison at ``fret`` by string number.
        instrument: the instrument.
        positions: mm each adjuster has moved since the start, by name (0 where it isn't named).
        fret: the fret compared at.

    Raises:
        ValueError: no string was compared, or an unknown string or adjuster.
    """
    adjusters = instrument.bridge.adjusters
    unknown = sorted(set(positions) - {a.name for a in adjusters})
    if not errors or unknown:
        raise ValueError(f"no adjuster is called {unknown[0]!r}" if unknown else "no string was compared")
    numbers = sorted(errors)
    moved = np.array([positions.get(a.name, 0.0) for a in adjusters])
    influence = np.array([[a.influence.get(n, 0.0) for a in adjusters] for n in numbers])  # (strings, adjusters)
    start = influence @ moved if adjusters else np.zeros(len(numbers))
    lengths = [speaking_lengths_mm(instrument.string(n), fret, float(p)) for n, p in zip(numbers, start, strict=True)]
    cents = np.array([errors[n].error_cents for n in numbers])
    sigma = np.array([max(errors[n].se_cents, 0.5) for n in numbers])
    rooms = [_room(a, float(m)) for a, m in zip(adjusters, moved, strict=True)]
    reason = next((why for why in (refusal(errors[n]) for n in numbers) if why is not None), None)
    moves: dict[str, Move] = {}
    done = np.zeros(len(numbers))
    if adjusters:
        free, jacobian = _solve(cents, sigma, influence, lengths, None)
        within, _ = _solve(cents, sigma, influence, lengths, rooms)
        sd = np.sqrt(np.diag(np.linalg.pinv(jacobian.T @ jacobian)))
        for k, (a, room) in enumerate(zip(adjusters, rooms, strict=True)):
            moves[a.name] = _move(float(free[k]), float(within[k]), float(sd[k]), *room, a.mm_per_turn, reason)
        done = done if reason else influence @ within
    remaining = {n: error_after(errors[n].error_cents, lengths[i], float(done[i])) for i, n in enumerate(numbers)}
    return BridgePlan(moves, remaining)


def _solve(
    cents: Floats,
    sigma: Floats,
    influence: Floats,
    lengths: list[tuple[float, float]],
    rooms: list[tuple[float, float]] | None,
) -> tuple[Floats, Floats]:
    """Adjuster moves (adjusters,) that least-squares null the errors, within ``rooms`` if given; and the weighted
    slope of error against move, (strings, adjusters). Gauss-Newton: the law is so nearly straight that a few steps do.
    """
    count = influence.shape[1]
    low = np.array([-toward for toward, _ in rooms]) if rooms else np.full(count, -np.inf)
    high = np.array([away for _, away in rooms]) if rooms else np.full(count, np.inf)
    moves = np.zeros(count)
    jacobian = np.zeros_like(influence)
    for _ in range(4):
        saddles = influence @ moves
        left = np.array([error_after(e, at, d) for e, at, d in zip(cents, lengths, saddles, strict=True)])
        slope = np.array([cents_per_mm((at[0] + d, at[1] + d)) for at, d in zip(lengths, saddles, strict=True)])
        jacobian = slope[:, None] * influence / sigma[:, None]
        # An adjuster that moves no compared string stays where it is: a whisper of a pull toward no move decides.
        rows = np.vstack([jacobian, 1e-6 * np.eye(count)])
        target = np.concatenate([jacobian @ moves - left / sigma, np.zeros(count)])
        # lsq_linear wants some room between its bounds.
        moves = np.asarray(lsq_linear(rows, target, bounds=(low - 1e-9, high + 1e-9)).x)
    return np.clip(moves, low, high), jacobian


def _room(adjuster: Adjuster, moved_mm: float) -> tuple[float, float]:
    """Room left toward and away from the nut, both >= 0, the adjuster having moved ``moved_mm`` since the start."""
    return max(0.0, adjuster.toward_nut_mm + moved_mm), max(0.0, adjuster.away_mm - moved_mm)


def _move(
    needed_mm: float,
    within_mm: float,
    se_mm: float,
    toward_mm: float,
    away_mm: float,
    mm_per_turn: float | None,
    refused: str | None,
) -> Move:
    missing = abs(needed_mm - within_mm)
    out = missing >= SHOWN_MM / 2.0
    mm = 0.0 if refused is not None else within_mm
    return Move(
        mm=mm,
        se_mm=se_mm,
        turns=None if mm_per_turn is None else mm / mm_per_turn,
        direction=direction_of(needed_mm),
        room_mm=away_mm if needed_mm >= SHOWN_MM / 2.0 else toward_mm,
        out_of_travel=out,
        missing_mm=missing if out else 0.0,
        refused=refused,
        needed_mm=needed_mm,
    )
