"""What must be right about an instrument before its saddles are set: what is wanted, and what wears.

Lengths in mm. The relief is the neck's bow at its deepest, string held at fret 1 and at the last fret; the action is
the string over fret 12, and a string's height at the nut is measured over fret 1, open, all with the neck as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated

from pydantic import AfterValidator, Field

from oscservice.instrument.string_physics import fret_position_mm
from oscservice.toml_file import Frozen

RELIEF_LIMITS_MM = (-2.0, 3.0)
ACTION_LIMITS_MM = (0.0, 10.0)
NUT_LIMITS_MM = (0.0, 5.0)
"""What can be measured."""

RELIEF_WANTED_MM = (0.10, 0.35)
"""Wanted unless the file says otherwise (common practice, no source)."""

ACTION_MARGIN_MM = 0.25
NUT_MARGIN_MM = 0.15
"""Action and height over fret 1 are wanted within this of the file's, unless it says otherwise (common practice, no
source)."""

REPLACE_AFTER_DAYS = 60
REPLACE_AFTER_LIMITS = (1, 3650)
"""Strings older than this are not fresh, unless the file says otherwise (common practice, no source)."""

Range = tuple[float, float]


def _day(text: str) -> str:
    if text and date.fromisoformat(text).isoformat() != text:
        raise ValueError(f"{text!r} is no date; expected one as 2026-11-25")
    return text


def _rising(limits: Range) -> Range:
    if limits[0] >= limits[1]:
        raise ValueError("the lower limit comes first")
    return limits


Day = Annotated[str, AfterValidator(_day)]
Wanted = Annotated[Range, AfterValidator(_rising)]
ReliefMm = Annotated[float, Field(ge=RELIEF_LIMITS_MM[0], le=RELIEF_LIMITS_MM[1])]


class SetUp(Frozen):
    """What is wanted of an instrument, and what is known of it that wears.

    Attributes:
        relief_mm: the neck's relief as it is; the strings' actions were measured with it. None if not known.
        relief_wanted_mm: least and most that is wanted.
        action_treble_wanted_mm, action_bass_wanted_mm: of string 1 and of the last; None: follows from the file.
        nut_wanted_mm: of any string over fret 1; None: follows from the file.
        strings_fitted: day on which the strings were put on, as 2026-11-25; empty if not known.
        replace_after_days: from when on strings are not fresh any more.
    """

    relief_mm: ReliefMm | None = None
    relief_wanted_mm: Wanted = RELIEF_WANTED_MM
    action_treble_wanted_mm: Wanted | None = None
    action_bass_wanted_mm: Wanted | None = None
    nut_wanted_mm: Wanted | None = None
    strings_fitted: Day = ""
    replace_after_days: Annotated[int, Field(ge=REPLACE_AFTER_LIMITS[0], le=REPLACE_AFTER_LIMITS[1])] = (
        REPLACE_AFTER_DAYS
    )


def with_default_targets(set_up: SetUp, actions_mm: Sequence[float], over_fret_1_mm: Sequence[float]) -> SetUp:
    """What is wanted, where it isn't said, from the strings as they are: string 1 first."""

    def around(low_mm: float, high_mm: float, margin_mm: float) -> Range:
        return round(max(0.0, low_mm - margin_mm), 3), round(high_mm + margin_mm, 3)

    treble, bass = (around(mm, mm, ACTION_MARGIN_MM) for mm in (actions_mm[0], actions_mm[-1]))
    nut = around(min(over_fret_1_mm), max(over_fret_1_mm), NUT_MARGIN_MM)
    return set_up.model_copy(
        update={
            "action_treble_wanted_mm": set_up.action_treble_wanted_mm or treble,
            "action_bass_wanted_mm": set_up.action_bass_wanted_mm or bass,
            "nut_wanted_mm": set_up.nut_wanted_mm or nut,
        }
    )


def age_days(day: str, fitted: str) -> int | None:
    """Days from ``fitted`` to ``day``, as 2026-11-25; None where one isn't known. Raises ValueError for no date."""
    if not day or not fitted:
        return None
    return (date.fromisoformat(day) - date.fromisoformat(fitted)).days


def relief_at_12(relief_mm: float, frets: int) -> float:
    """Relief at fret 12 in mm, of a neck bowed as a parabola between fret 1 and its last fret (assumed); 0 beyond."""
    first, last, here = (fret_position_mm(1.0, fret) for fret in (1, frets, 12))
    if here >= last:
        return 0.0
    along = (here - first) / (last - first)
    return relief_mm * 4.0 * along * (1.0 - along)


def over_fret_1_mm(nut_height_mm: float, action_12_mm: float) -> float:
    """A straight string's height over fret 1, from those over the fret plane at the nut and over fret 12."""
    at = 2.0 * fret_position_mm(1.0, 1)
    return nut_height_mm + (action_12_mm - nut_height_mm) * at


def nut_height_mm(over_fret_1_mm: float, action_12_mm: float) -> float:
    """A straight string's height at the nut, from those over frets 1 and 12: ``over_fret_1_mm`` turned round."""
    at = 2.0 * fret_position_mm(1.0, 1)
    return (over_fret_1_mm - action_12_mm * at) / (1.0 - at)
