"""Correction of one string: the move of its saddle that nulls an error.

Moves are in mm, + away from the nut; errors in cents, + sharp. The open string is retuned after a move, so only the
ratio of the two speaking lengths counts. With A from nut to saddle and B from fret to saddle, a move d changes an error
e to e + 1200 log2((A + d) B / ((B + d) A)).

Advice is based on first partials. On real strings single partials are off by a cent or so, as neck and body move. The
string pitch, from all partials together, scatters less but may be off as a whole. ``saddle_ambiguity`` gives the
difference of the moves by the two, so that it can be reported where it matters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from oscservice.advice.comparison import FEWEST_PLUCKS, SCATTER_LIMIT_CENTS, Comparison
from oscservice.instrument.hardware import AWAY_FROM_NUT, TOWARD_NUT
from oscservice.instrument.pitch import CENTS_PER_E
from oscservice.instrument.spec import Adjuster, StringSpec
from oscservice.instrument.string_physics import fret_position_mm
from oscservice.sentences.plural import counted
from oscservice.sentences.sentence_table import ENGLISH, Sentences

TOWARD, AWAY, STAY = TOWARD_NUT, AWAY_FROM_NUT, "stay"

SHOWN_MM = 0.1
"""Smallest step of a printed move: fretting by hand and a ruler are no finer."""

FIXED_SADDLE = "the saddle is fixed: shape its crown, or accept the error"


@dataclass(frozen=True)
class Move:
    """Move of one adjuster.

    Attributes:
        mm: the move within its travel, + away from the nut; 0 where no move is advised.
        se_mm: standard error of ``needed_mm`` (1 sd).
        turns: ``mm`` in turns of its screw, same sign; None without a screw.
        direction: ``toward the nut``, ``away from the nut`` or ``stay``: that of ``needed_mm``.
        room_mm: travel left in that direction (toward the nut when staying).
        out_of_travel: ``needed_mm`` is beyond the travel.
        missing_mm: by how much (>= 0).
        refused: the reason why no move is advised, or None.
        needed_mm: move that would null the error, + away from the nut.
        settable_mm: ``mm`` in whole steps of the adjuster, within its travel.
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
    settable_mm: float

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


def speaking_lengths_mm(string: StringSpec, fret: int, position_mm: float) -> tuple[float, float]:
    """Return the lengths from nut and fret to the saddle in mm, ``position_mm`` being its move since the start."""
    saddle_mm = string.scale_mm + string.setback_mm + position_mm
    return string.open_run_mm(position_mm), saddle_mm - fret_position_mm(string.scale_mm, fret)


def error_after(error_cents: float, lengths_mm: tuple[float, float], move_mm: float) -> float:
    """Return the error in cents after a saddle move of ``move_mm``, the open string retuned."""
    open_mm, stopped_mm = lengths_mm
    return error_cents + 1200.0 * math.log2((open_mm + move_mm) * stopped_mm / ((stopped_mm + move_mm) * open_mm))


def null_move_mm(error_cents: float, lengths_mm: tuple[float, float]) -> float:
    """Return the exact move that nulls an error: A B (r - 1) / (A - B r) with r = 2^(e/1200).

    Raises:
        ValueError: no saddle position nulls the error.
    """
    open_mm, stopped_mm = lengths_mm
    ratio = float(2.0 ** (error_cents / 1200.0))
    if open_mm <= stopped_mm * ratio:
        raise ValueError(f"no saddle position nulls an error of {error_cents:.0f} cents")
    return open_mm * stopped_mm * (ratio - 1.0) / (open_mm - stopped_mm * ratio)


def cents_per_mm(lengths_mm: tuple[float, float]) -> float:
    """Return the change of the error per mm of saddle; it is negative: a move away from the nut flattens the fret."""
    open_mm, stopped_mm = lengths_mm
    return CENTS_PER_E * (1.0 / open_mm - 1.0 / stopped_mm)


def direction_of(move_mm: float) -> str:
    """Return a move's direction in words; one that rounds to 0.0 mm is ``stay``."""
    if abs(move_mm) < SHOWN_MM / 2.0:
        return STAY
    return TOWARD if move_mm < 0.0 else AWAY


def turns_text(turns: float, sentences: Sentences = ENGLISH) -> str:
    """Return turns to the nearest eighth, without sign: ``1 3/8 turns``."""
    eighths = round(abs(turns) * 8.0)
    whole, rest = divmod(eighths, 8)
    if eighths == 0:
        return sentences.text("words", "under_an_eighth")
    parts = [str(whole)] if whole else []
    parts += [str(Fraction(rest, 8))] if rest else []
    return sentences.text("words", "turn" if eighths <= 8 else "turns", turns=" ".join(parts))


def refusal(error: Comparison) -> str | None:
    """Return the reason why no move can be based on a comparison, or None."""
    if error.scatter_cents > SCATTER_LIMIT_CENTS:
        return (
            f"plucks scatter by {error.scatter_cents:.1f} cents, more than {SCATTER_LIMIT_CENTS:g}: "
            "fret the same way each time, and look for a loose part"
        )
    if error.plucks < FEWEST_PLUCKS:
        return f"{counted(error.plucks, 'fretted pluck')}, fewer than {FEWEST_PLUCKS}: pluck more"
    return None


def saddle_correction(
    error: Comparison, string: StringSpec, fret: int, position_mm: float, adjuster: Adjuster | None
) -> Move:
    """Return the move of one string's own saddle.

    Args:
        error: the comparison at ``fret``, at the present position of the saddle.
        string: the string.
        fret: the fret that was compared.
        position_mm: the saddle's move since the start, + away from the nut.
        adjuster: the adjuster of this saddle alone; None for a fixed saddle. For one that moves several strings see
            ``bridge_plan.plan_bridge``.

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
        return limited_move(needed, 0.0, se, (0.0, 0.0), None, refusal(error) or FIXED_SADDLE)
    (influence,) = adjuster.influence.values()
    room = travel_left_mm(adjuster, position_mm / influence)
    wanted = needed / influence
    within = min(max(wanted, -room[0]), room[1])
    return limited_move(wanted, within, se / abs(influence), room, adjuster, refusal(error) or "")


def travel_left_mm(adjuster: Adjuster, moved_mm: float) -> tuple[float, float]:
    """Return the travel left toward and away from the nut, both >= 0, after ``moved_mm`` since the start."""
    return max(0.0, adjuster.toward_nut_mm + moved_mm), max(0.0, adjuster.away_mm - moved_mm)


def limited_move(
    needed_mm: float, within_mm: float, se_mm: float, room: tuple[float, float], adjuster: Adjuster | None, why_not: str
) -> Move:
    """Return the move of an adjuster, limited to its travel.

    Args:
        needed_mm: move that is needed, + away from the nut.
        within_mm: best move within the travel.
        se_mm: standard error of ``needed_mm`` (1 sd).
        room: travel left toward and away from the nut, both >= 0.
        adjuster: the adjuster; None for a fixed saddle.
        why_not: the reason why no move is advised; empty if one is.
    """
    missing = abs(needed_mm - within_mm)
    out = missing >= SHOWN_MM / 2.0
    mm = 0.0 if why_not else within_mm
    toward_mm, away_mm = room
    turn_mm = adjuster.mm_per_turn if adjuster is not None else None
    return Move(
        mm=mm,
        se_mm=se_mm,
        turns=None if turn_mm is None else mm / turn_mm,
        direction=direction_of(needed_mm),
        room_mm=away_mm if needed_mm >= SHOWN_MM / 2.0 else toward_mm,
        out_of_travel=out,
        missing_mm=missing if out else 0.0,
        refused=why_not or None,
        needed_mm=needed_mm,
        settable_mm=0.0 if adjuster is None else _settable(mm, adjuster.step_mm, room),
    )


def _settable(mm: float, step_mm: float, room: tuple[float, float]) -> float:
    """Return ``mm`` to the nearest whole number of steps within the travel."""
    steps = round(mm / step_mm)
    if not -room[0] - 1e-9 <= steps * step_mm <= room[1] + 1e-9:
        steps = math.trunc(mm / step_mm)
    return steps * step_mm


@dataclass(frozen=True)
class Ambiguity:
    """The saddle move by the string pitches less the one by the first partials.

    Attributes:
        mm: difference, + further away from the nut.
        se_mm: standard error (1 sd).
        matters: the difference changes the advice: it is larger than 0.15 mm (which is printed as 0.2), than the
            standard error of the move, and than its own.
    """

    mm: float
    se_mm: float
    matters: bool


def saddle_ambiguity(error: Comparison, lengths_mm: tuple[float, float]) -> Ambiguity | None:
    """Return the difference of the two moves; None when the readings don't show it, or no saddle nulls the error.

    Args:
        error: the comparison at the present position of the saddle.
        lengths_mm: nut to saddle and fret to saddle (``speaking_lengths_mm``).
    """
    if error.string_error_cents is None:
        return None
    try:
        moves_mm = [null_move_mm(cents, lengths_mm) for cents in (error.error_cents, error.string_error_cents)]
    except ValueError:
        return None
    mm = moves_mm[1] - moves_mm[0]
    slope = abs(cents_per_mm((lengths_mm[0] + moves_mm[0], lengths_mm[1] + moves_mm[0])))
    move_se_mm, se_mm = error.se_cents / slope, error.ambiguity_se_cents / slope
    return Ambiguity(mm, se_mm, abs(mm) > max(1.5 * SHOWN_MM, move_se_mm, se_mm))
