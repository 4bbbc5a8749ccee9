"""The frets to compare, and the weight of each by how much the player plays there."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import StringSpec

THOROUGH = "thorough"
"""Word for a thorough check: frets 1, 3, 5, 7, 12 and 17."""

REFERENCE_FRET = 12
"""Errors over several frets are combined to the saddle's part of them at this fret, or at the last one compared if that
is lower: the octave, as in the trade and in published tables."""

WEIGHT_RANGE = (0.1, 10.0)
MOST_PLAYED = 12
"""Largest number of frets."""

_ONE = re.compile(r"(\d{1,2})(?:x(\d{1,2}(?:\.\d{1,3})?|\.\d{1,3}))?")


@dataclass(frozen=True)
class ComparedFrets:
    """Frets to compare, rising, and the weight of each."""

    frets: tuple[int, ...] = (12,)
    weights: tuple[float, ...] = (1.0,)

    @property
    def several(self) -> bool:
        """True when there is more than one."""
        return len(self.frets) > 1

    @property
    def reference(self) -> int:
        """The fret that errors are combined at: the only one, or the twelfth, or the last if that is lower."""
        return self.frets[0] if not self.several else min(REFERENCE_FRET, self.frets[-1])

    def weight(self) -> dict[int, float]:
        """Return fret -> weight."""
        return dict(zip(self.frets, self.weights, strict=True))

    def __str__(self) -> str:
        """Return the text that ``parse`` reads back: ``1 3 5x2 12``."""
        pairs = zip(self.frets, self.weights, strict=True)
        return " ".join(str(fret) if weight == 1.0 else f"{fret}x{weight:g}" for fret, weight in pairs)

    @classmethod
    def parse(cls, text: str, last_fret: int) -> ComparedFrets:
        """Read frets, each followed by x and its weight if that is not 1, or the word ``thorough``.

        Examples are ``12``, ``1 3 5 7 12 17`` and ``5x2 12x3 17``. Commas count as spaces. An empty text is fret 12, or
        the last fret of a shorter board.

        Raises:
            ValueError: anything else, a fret that isn't there or comes twice, a weight out of range.
        """
        words = text.replace(",", " ").split()
        if not words:
            return cls((min(REFERENCE_FRET, last_fret),), (1.0,))
        if words == [THOROUGH]:
            words = [str(fret) for fret in (1, 3, 5, 7, 12, 17) if fret <= last_fret]
        found: dict[int, float] = {}
        for word in words:
            match = _ONE.fullmatch(word)
            if match is None:
                raise ValueError(f"{word[:20]!r} is not a fret; expected numbers such as 1 3 5x2 12, or {THOROUGH}")
            fret, weight = int(match.group(1)), float(match.group(2) or 1.0)
            if not 1 <= fret <= last_fret:
                raise ValueError(f"fret {fret}; this instrument has 1 to {last_fret}")
            if fret in found:
                raise ValueError(f"fret {fret} comes twice")
            if not WEIGHT_RANGE[0] <= weight <= WEIGHT_RANGE[1]:
                low, high = WEIGHT_RANGE
                raise ValueError(f"weight {weight:g} of fret {fret}; expected {low:g} to {high:g}")
            found[fret] = weight
        if len(found) > MOST_PLAYED:
            raise ValueError(f"{len(found)} frets; expected {MOST_PLAYED} at most")
        return cls(tuple(sorted(found)), tuple(found[fret] for fret in sorted(found)))


def intervals_cents(string: StringSpec | None, frets: Iterable[int]) -> dict[Place, float]:
    """Return each fret with the cents above the open string where it has no error; equal temperament without a
    string."""
    places = [Place("fret", fret) for fret in frets]
    return {place: 100.0 * place.fret if string is None else string.interval_cents(place) for place in places}
