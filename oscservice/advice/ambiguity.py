"""Where first partial and string pitch would send the saddle to different places, and by how many millimetres.

Advice rests on first partials. On real strings single partials stray by a cent or so as neck and body move, the first
among them; the string pitch, from all partials together, strays less but may be off as a whole. Neither is the truth,
so where it matters which of them is believed, that is said.
"""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import SHOWN_MM, cents_per_mm, null_move_mm


@dataclass(frozen=True)
class Ambiguity:
    """The move that the string pitches ask for, less the one that the first partials ask for.

    Attributes:
        mm: of the string's saddle, + further away from the nut.
        se_mm: its standard error (1 sd).
        matters: it is another piece of advice: the moves lie further apart than the last place that is printed (by
            0.15 mm, which shows as 0.2), than the move's own standard error, and than that of the distance.
    """

    mm: float
    se_mm: float
    matters: bool


def saddle_ambiguity(error: Comparison, lengths_mm: tuple[float, float]) -> Ambiguity | None:
    """How far apart the two put the saddle; None when they can't be told apart, or no saddle nulls the error.

    Args:
        error: the comparison with the saddle where it now stands.
        lengths_mm: nut to saddle and fret to saddle (``correction.speaking_lengths_mm``).
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
