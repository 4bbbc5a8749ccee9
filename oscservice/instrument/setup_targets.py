"""Targets of a set-up: relief, action, height at the nut, and age of the strings.

Lengths are in mm. The relief is the largest bow of the neck, the string held at fret 1 and at the last fret. The action
is the height of the string over fret 12; its height at the nut is measured over fret 1. Both are of the open string,
with the neck as it is.
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
"""Ranges of measured values that are accepted."""

RELIEF_WANTED_MM = (0.10, 0.35)
"""Default target (common practice, no source)."""

ACTION_MARGIN_MM = 0.25
NUT_MARGIN_MM = 0.15
"""Default targets of action and height over fret 1: the values of the file plus or minus this (common practice, no
source)."""

REPLACE_AFTER_DAYS = 60
REPLACE_AFTER_LIMITS = (1, 3650)
"""Default age limit of strings (common practice, no source), and its range."""

RECHECK_ACTION_MM = 2.0
RECHECK_ACTION_LIMITS_MM = (0.5, 50.0)
"""Move of a saddle, in all, after which the action is measured again (common practice, no source), and its range."""

REPLACE_AFTER_HOURS = 40.0
REPLACE_AFTER_HOURS_LIMITS = (1.0, 10_000.0)
"""Default limit of the hours that strings were played (common practice, no source), and its range."""

PICKUP_LIMITS_MM = (0.5, 20.0)
"""Range of measured heights of a string over a pickup's poles, the string held at the last fret."""

PICKUP_TREBLE_WANTED_MM = (1.6, 3.5)
PICKUP_BASS_WANTED_MM = (2.0, 4.0)
"""Default targets of the gap between string and magnet, held at the last fret (common practice, no source)."""

LONGEST_SET_NAME = 60
MOST_HOURS_PLAYED = 100_000.0

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
SetName = Annotated[str, Field(max_length=LONGEST_SET_NAME)]
HoursPlayed = Annotated[float, Field(ge=0.0, le=MOST_HOURS_PLAYED)]
ReplaceAfterHours = Annotated[float, Field(ge=REPLACE_AFTER_HOURS_LIMITS[0], le=REPLACE_AFTER_HOURS_LIMITS[1])]
RecheckActionMm = Annotated[float, Field(ge=RECHECK_ACTION_LIMITS_MM[0], le=RECHECK_ACTION_LIMITS_MM[1])]
ReliefMm = Annotated[float, Field(ge=RELIEF_LIMITS_MM[0], le=RELIEF_LIMITS_MM[1])]


class SetUp(Frozen):
    """Targets of an instrument, and values that change by wear.

    Attributes:
        relief_mm: present relief, with which the strings' actions were measured; None if not known.
        relief_wanted_mm: target of the relief, lowest and highest.
        action_treble_wanted_mm, action_bass_wanted_mm: targets of the action of string 1 and of the last string; None
            for the default.
        nut_wanted_mm: target of every string's height over fret 1; None for the default.
        pickup_treble_wanted_mm, pickup_bass_wanted_mm: targets of the gap between the pickup nearest to the strings and
            string 1, and the last string, held at the last fret.
        string_set: name of the set of strings; empty if not known.
        stretched_in: True if the strings were stretched in; None if not known.
        hours_played: hours that the strings were played; None if not known.
        replace_after_hours: limit of these hours.
        recheck_action_mm: move of a saddle, in all, after which the action is measured again; None: never.
        strings_fitted: day when the strings were put on, such as 2026-11-25; empty if not known.
        replace_after_days: age limit of the strings.
    """

    relief_mm: ReliefMm | None = None
    relief_wanted_mm: Wanted = RELIEF_WANTED_MM
    action_treble_wanted_mm: Wanted | None = None
    action_bass_wanted_mm: Wanted | None = None
    nut_wanted_mm: Wanted | None = None
    pickup_treble_wanted_mm: Wanted = PICKUP_TREBLE_WANTED_MM
    pickup_bass_wanted_mm: Wanted = PICKUP_BASS_WANTED_MM
    string_set: SetName = ""
    stretched_in: bool | None = None
    hours_played: HoursPlayed | None = None
    replace_after_hours: ReplaceAfterHours = REPLACE_AFTER_HOURS
    recheck_action_mm: RecheckActionMm | None = None
    strings_fitted: Day = ""
    replace_after_days: Annotated[int, Field(ge=REPLACE_AFTER_LIMITS[0], le=REPLACE_AFTER_LIMITS[1])] = (
        REPLACE_AFTER_DAYS
    )


def with_default_targets(set_up: SetUp, actions_mm: Sequence[float], over_fret_1_mm: Sequence[float]) -> SetUp:
    """Return the targets with the missing ones filled in from the strings' heights, string 1 first."""

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
    """Return the days from ``fitted`` to ``day`` (such as 2026-11-25); None where one isn't known.

    Raises:
        ValueError: a text that is no date.
    """
    if not day or not fitted:
        return None
    return (date.fromisoformat(day) - date.fromisoformat(fitted)).days


def relief_at_12_mm(relief_mm: float, frets: int) -> float:
    """Return the relief at fret 12 in mm.

    The bow is a parabola between fret 1 and the last fret (assumed); 0 when the last fret is 12 or lower.
    """
    first, last, here = (fret_position_mm(1.0, fret) for fret in (1, frets, 12))
    if here >= last:
        return 0.0
    along = (here - first) / (last - first)
    return relief_mm * 4.0 * along * (1.0 - along)


def over_fret_1_mm(nut_height_mm: float, action_12_mm: float) -> float:
    """Return a straight string's height over fret 1, from its heights over the fret plane at the nut and at fret 12."""
    at = 2.0 * fret_position_mm(1.0, 1)
    return nut_height_mm + (action_12_mm - nut_height_mm) * at


def nut_height_mm(over_fret_1_mm: float, action_12_mm: float) -> float:
    """Return a straight string's height at the nut, from its heights over frets 1 and 12."""
    at = 2.0 * fret_position_mm(1.0, 1)
    return (over_fret_1_mm - action_12_mm * at) / (1.0 - at)
