"""Seasons and the marks of an axis of time, by the calendar."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.report.seasons import NAMES, season_of, seasons, ticks, winter_months

days = st.dates(date(1970, 1, 1), date(2200, 12, 31))


# Winter is December to February in the north: common practice of weather services, from memory.
@pytest.mark.parametrize(
    ("day", "north", "south"),
    [
        (date(2026, 1, 1), "winter", "summer"),
        (date(2024, 2, 29), "winter", "summer"),
        (date(2026, 3, 1), "spring", "autumn"),
        (date(2026, 5, 31), "spring", "autumn"),
        (date(2026, 6, 1), "summer", "winter"),
        (date(2026, 9, 1), "autumn", "spring"),
        (date(2026, 11, 30), "autumn", "spring"),
        (date(2026, 12, 1), "winter", "summer"),
    ],
)
def test_each_day_has_its_season(day, north, south):
    assert season_of(day).name == north
    assert season_of(day, south=True).name == south


@given(day=days, south=st.booleans())
def test_a_season_is_three_whole_months_with_the_day_in_it(day, south):
    found = season_of(day, south=south)
    assert found.first <= day < found.end
    assert found.first.day == found.end.day == 1
    assert 89 <= (found.end - found.first).days <= 92
    assert found.first.month % 3 == 0


@given(first=days, length=st.integers(0, 3000), south=st.booleans())
def test_seasons_follow_one_another_without_a_gap(first, length, south):
    last = first + timedelta(days=length)
    found = seasons(first, last, south=south)
    assert found[0].first <= first < found[0].end
    assert found[-1].first <= last < found[-1].end
    for one, other in pairwise(found):
        assert one.end == other.first
        assert (NAMES.index(one.name) + 1) % 4 == NAMES.index(other.name)


def test_winter_in_words():
    assert (winter_months(), winter_months(south=True)) == ("December to February", "June to August")


@given(first=days, length=st.integers(1, 20000), most=st.integers(3, 12))
def test_marks_lie_on_the_axis_and_are_no_more_than_asked_for(first, length, most):
    last = first + timedelta(days=length)
    found = ticks(first, last, most)
    assert 1 <= len(found) <= most or length > 400 * most
    assert all(first <= tick.day <= last for tick in found)
    assert len({tick.day for tick in found}) == len(found)
    labels = [tick.label + tick.year for tick in found]
    assert all(labels)
    years = [tick.year for tick in found if tick.year]
    assert len(years) == len(set(years)), "each year once"


def test_a_year_is_marked_by_months_and_a_fortnight_by_days():
    year = ticks(date(2025, 11, 8), date(2026, 12, 1), 6)
    assert [(tick.label, tick.year) for tick in year] == [("Jan", "2026"), ("Apr", ""), ("Jul", ""), ("Oct", "")]
    fortnight = ticks(date(2025, 12, 25), date(2026, 1, 8), 6)
    assert [(tick.label, tick.year) for tick in fortnight] == [("25 Dec", "2025"), ("1 Jan", "2026"), ("8 Jan", "")]
    decade = ticks(date(2015, 5, 1), date(2026, 1, 1), 6)
    assert [tick.label for tick in decade] == ["2016", "2018", "2020", "2022", "2024", "2026"]
