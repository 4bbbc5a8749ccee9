"""Seasons and months on an axis of time.

Meteorological seasons are three whole calendar months each, winter in the north from December to February (common
practice of weather services, from memory); in the south each is half a year later.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

NAMES = ("winter", "spring", "summer", "autumn")

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_STEPS_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120)
_STEPS_DAYS = (1, 2, 7, 14)
_BY_DAYS = 45  # a shorter axis is marked by days


@dataclass(frozen=True)
class Season:
    """One season of one year, from its first day to before ``end``."""

    name: str
    first: date
    end: date


@dataclass(frozen=True)
class Tick:
    """A day to mark, with what to write below it; ``year`` where one begins, or the axis does."""

    day: date
    label: str
    year: str = ""


def season_of(day: date, *, south: bool = False) -> Season:
    """The season that a day is in."""
    number = day.month % 12 // 3
    first = date(day.year - (day.month < 3), 12, 1) if number == 0 else date(day.year, 3 * number, 1)
    return Season(NAMES[(number + 2 * south) % 4], first, _later(first, 3))


def seasons(first: date, last: date, *, south: bool = False) -> list[Season]:
    """The seasons from the one that the first day is in to that of the last."""
    found = [season_of(first, south=south)]
    while found[-1].end <= last:
        found.append(season_of(found[-1].end, south=south))
    return found


def winter_months(*, south: bool = False) -> str:
    """The months of winter in words."""
    return "June to August" if south else "December to February"


def ticks(first: date, last: date, most: int) -> list[Tick]:
    """Days to mark on an axis from one day to another: so many at most, evenly by the calendar."""
    length = (last - first).days
    if length < _BY_DAYS:
        step = next((n for n in _STEPS_DAYS if length / n < most), _STEPS_DAYS[-1])
        days = [first + timedelta(days=n) for n in range(0, length + 1, step)]
        return [Tick(day, f"{day.day} {_MONTHS[day.month - 1]}", _year(day, days)) for day in days][:most]
    months = _months_apart(first, last)
    step = next((n for n in _STEPS_MONTHS if months / n < most), _STEPS_MONTHS[-1])
    begun = date(first.year - first.year % max(1, step // 12), 1, 1)
    every = [_later(begun, n * step) for n in range(2 + _months_apart(begun, last) // step)]
    days = [day for day in every if first <= day <= last]
    if step >= 12:
        return [Tick(day, str(day.year)) for day in days]
    return [Tick(day, _MONTHS[day.month - 1], _year(day, days)) for day in days]


def _year(day: date, days: list[date]) -> str:
    """The year, at the first of the days in it."""
    return str(day.year) if day == next(one for one in days if one.year == day.year) else ""


def _later(day: date, months: int) -> date:
    """The first of the month so many months later."""
    years, month = divmod(day.month - 1 + months, 12)
    return date(day.year + years, month + 1, 1)


def _months_apart(first: date, last: date) -> int:
    return 12 * (last.year - first.year) + last.month - first.month
