"""Which string and place a pitch belongs to."""

from __future__ import annotations

import pytest

from oscservice.hearing.place import NEW_STRING_CENTS, assign
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.profile import load_instrument

GUITAR = load_instrument("six-string-648")
FRET_12 = Place("fret", 12)


@pytest.mark.parametrize("number", range(1, 7))
@pytest.mark.parametrize("off_cents", [-60.0, 0.0, 60.0])
def test_an_open_string_near_its_pitch_is_that_string(number, off_cents):
    found = assign(GUITAR, GUITAR.open_hz(number) * 2 ** (off_cents / 1200))
    assert found is not None
    assert (found.string, found.place) == (number, OPEN)
    assert found.cents == pytest.approx(off_cents)
    assert found.probability > 0.9


@pytest.mark.parametrize("number", range(1, 7))
@pytest.mark.parametrize("place", [FRET_12, HARMONIC])
def test_what_was_asked_for_decides_between_fretted_and_harmonic(number, place):
    found = assign(GUITAR, GUITAR.place_hz(number, place) * 2 ** (15 / 1200), (number, place))
    assert found is not None
    assert (found.string, found.place) == (number, place)


def test_another_open_string_is_heard_as_itself_though_it_was_not_asked_for():
    found = assign(GUITAR, GUITAR.open_hz(5) * 1.002, (6, FRET_12))
    assert found is not None
    assert (found.string, found.place) == (5, OPEN)


def test_a_pitch_near_nothing_is_nobodys():
    assert assign(GUITAR, 1000.0) is None
    assert assign(GUITAR, 20.0, (6, OPEN)) is None


def test_a_new_string_is_followed_from_far_below_its_pitch_when_it_is_asked_for():
    far_hz = GUITAR.open_hz(6) * 2 ** (-700 / 1200)
    assert assign(GUITAR, far_hz, (6, OPEN)) is None
    found = assign(GUITAR, far_hz, (6, OPEN), asked_from_cents=NEW_STRING_CENTS)
    assert found is not None
    assert (found.string, found.cents) == (6, pytest.approx(-700.0))
    other = assign(GUITAR, GUITAR.open_hz(5), (4, OPEN), asked_from_cents=NEW_STRING_CENTS)
    assert other is not None
    assert other.string == 5


def test_a_channel_of_its_own_decides_the_string():
    found = assign(GUITAR, GUITAR.open_hz(5), None, only_string=5)
    assert found is not None
    assert found.string == 5
    assert assign(GUITAR, GUITAR.open_hz(5), None, only_string=1) is None


@pytest.mark.parametrize("number", range(1, 7))
def test_an_octave_above_an_open_string_is_its_fret_12_where_that_may_be(number):
    found = assign(GUITAR, GUITAR.place_hz(number, FRET_12), also=(FRET_12,))
    assert found is not None
    assert (found.string, found.place) == (number, FRET_12)
    assert assign(GUITAR, GUITAR.open_hz(number), also=(FRET_12,)).place == OPEN
