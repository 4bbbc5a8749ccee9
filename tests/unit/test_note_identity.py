"""The string and place of a note: by pitch, by stiffness, by the request."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from oscservice.hearing.inharmonicity import Stiffness, expected_stiffness, stiffness_at_place
from oscservice.hearing.note_identity import ASKED_ODDS, NEW_STRING_CENTS, KnownString, identify
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place

GUITAR = load_instrument("six-string-648")
FRET_12 = Place("fret", 12)


def likeliest(instrument, f1_hz, asked=None, **more):
    return identify(instrument, f1_hz, asked=asked, **more).best


@pytest.mark.parametrize("number", range(1, 7))
@pytest.mark.parametrize("off_cents", [-60.0, 0.0, 60.0])
def test_an_open_string_near_its_pitch_is_that_string(number, off_cents):
    found = likeliest(GUITAR, GUITAR.open_hz(number) * 2 ** (off_cents / 1200))
    assert found is not None
    assert (found.string, found.place) == (number, OPEN)
    assert found.cents == pytest.approx(off_cents)
    assert found.probability > 0.9


@pytest.mark.parametrize("number", range(1, 7))
@pytest.mark.parametrize("place", [FRET_12, HARMONIC])
def test_the_request_decides_between_fretted_and_harmonic(number, place):
    found = likeliest(GUITAR, GUITAR.place_hz(number, place) * 2 ** (15 / 1200), (number, place))
    assert found is not None
    assert (found.string, found.place) == (number, place)


def test_another_open_string_is_heard_as_itself_though_it_was_not_asked_for():
    found = likeliest(GUITAR, GUITAR.open_hz(5) * 1.002, (6, FRET_12))
    assert found is not None
    assert (found.string, found.place) == (5, OPEN)


def test_a_pitch_far_from_every_place_has_no_string():
    assert likeliest(GUITAR, 1000.0) is None
    assert likeliest(GUITAR, 20.0, (6, OPEN)) is None


def test_a_new_string_is_followed_from_far_below_its_pitch_when_it_is_asked_for():
    far_hz = GUITAR.open_hz(6) * 2 ** (-700 / 1200)
    assert likeliest(GUITAR, far_hz, (6, OPEN)) is None
    found = likeliest(GUITAR, far_hz, (6, OPEN), asked_from_cents=NEW_STRING_CENTS)
    assert found is not None
    assert (found.string, found.cents) == (6, pytest.approx(-700.0))
    other = likeliest(GUITAR, GUITAR.open_hz(5), (4, OPEN), asked_from_cents=NEW_STRING_CENTS)
    assert other is not None
    assert other.string == 5


def test_a_channel_of_its_own_decides_the_string():
    found = likeliest(GUITAR, GUITAR.open_hz(5), None, only_string=5)
    assert found is not None
    assert found.string == 5
    assert likeliest(GUITAR, GUITAR.open_hz(5), None, only_string=1) is None


@pytest.mark.parametrize("number", range(1, 7))
def test_an_octave_above_an_open_string_is_its_fret_12_where_that_may_be(number):
    found = likeliest(GUITAR, GUITAR.place_hz(number, FRET_12), also=(FRET_12,))
    assert found is not None
    assert (found.string, found.place) == (number, FRET_12)
    assert likeliest(GUITAR, GUITAR.open_hz(number), also=(FRET_12,)).place == OPEN


# By stiffness


def note(number, place, cents=0.0, times=1.0, relative_se=0.1):
    """First partial, B (times what the build lets expect) and its standard error of a note on a string."""
    f1_hz = GUITAR.place_hz(number, place) * 2 ** (cents / 1200)
    b = times * math.exp(stiffness_at_place(expected_stiffness(GUITAR, number), place, cents).log_b)
    return {"f1_hz": f1_hz, "inharmonicity": b, "inharmonicity_se": relative_se * b}


def taught(**stiffnesses):
    """Strings in tune whose stiffness six readings have taught, by number after an s."""
    given = {}
    for number in range(1, 7):
        before = expected_stiffness(GUITAR, number)
        log_b = before.log_b + stiffnesses.get(f"s{number}", 0.0)
        given[number] = KnownString(0.0, 15.0, Stiffness(log_b, 0.06))
    return given


def probability(identity, number, place):
    return sum(one.probability for one in identity.likely if (one.string, one.place) == (number, place))


# Strings whose open pitch is another string's fret, and how sure one can be. The wound D at fret 5 and the plain G
# are within a third of each other in B.
SAME_PITCH = [(6, 5, 5, 0.9), (5, 5, 4, 0.98), (4, 5, 3, 0.7), (3, 4, 2, 0.98), (2, 5, 1, 0.98)]


@pytest.mark.parametrize(("stopped", "fret", "other", "sure"), SAME_PITCH)
def test_stiffness_decides_between_two_strings_of_one_pitch(stopped, fret, other, sure):
    place = Place("fret", fret)
    for number, where in ((stopped, place), (other, OPEN)):
        found = identify(GUITAR, **note(number, where), also=(place,), known=taught())
        assert (found.best.string, found.best.place) == (number, where)
        assert found.best.probability > sure
        unheard = identify(GUITAR, note(number, where)["f1_hz"], also=(place,), known=taught())
        assert probability(unheard, number, where) < found.best.probability
        assert unheard.likely[0].probability < 0.8


def test_before_anything_is_learnt_a_core_that_may_be_thicker_leaves_more_doubt():
    place = Place("fret", 5)
    learnt_of = identify(GUITAR, **note(5, OPEN), also=(place,), known=taught())
    unknown = identify(GUITAR, **note(5, OPEN), also=(place,))
    assert 0.6 < probability(unknown, 5, OPEN) < 0.97 < probability(learnt_of, 5, OPEN)


def test_two_places_of_equal_stiffness_are_both_likely():
    # Fret 5 of the wound D and the plain G, one as stiff as the other.
    place = Place("fret", 5)
    even = stiffness_at_place(expected_stiffness(GUITAR, 4), place, 0.0).log_b - expected_stiffness(GUITAR, 3).log_b
    found = identify(GUITAR, **note(3, OPEN, times=math.exp(even)), also=(place,), known=taught(s3=even))
    assert {(one.string, one.place) for one in found.likely[:2]} == {(3, OPEN), (4, place)}
    assert found.best.probability < 0.75
    assert found.rival.probability > 0.2


def test_stiffness_outweighs_what_was_asked_for_when_it_is_clear():
    place = Place("fret", 5)
    found = identify(GUITAR, **note(5, OPEN), asked=(6, place), also=(place,), known=taught())
    assert (found.best.string, found.best.place) == (5, OPEN)
    assert found.best.probability > 0.8
    silent = identify(GUITAR, GUITAR.open_hz(5), asked=(6, place), also=(place,), known=taught())
    assert (silent.best.string, silent.best.place) == (6, place)


def test_a_touched_harmonic_and_fret_12_differ_only_by_the_place_asked_for():
    for asked, other in ((HARMONIC, FRET_12), (FRET_12, HARMONIC)):
        shares = []
        for times in (0.2, 1.0, 5.0):
            heard = note(6, FRET_12, times=times)
            found = identify(GUITAR, **heard, asked=(6, asked), also=(FRET_12,), known=taught())
            assert found.best.place == asked
            shares.append(found.best.probability / probability(found, 6, other))
        assert shares == pytest.approx([shares[0]] * 3)


@given(
    number=st.integers(1, 6),
    cents=st.floats(-30.0, 30.0),
    b=st.floats(1e-7, 1e-1),
    relative_se=st.floats(1e-3, 10.0),
    asked=st.sampled_from([None, (6, OPEN), (5, FRET_12), (1, OPEN)]),
)
@example(number=2, cents=0.0, b=0.00044602717040977753, relative_se=0.5, asked=(5, FRET_12))
def test_a_bad_stiffness_does_not_override_a_clear_pitch(number, cents, b, relative_se, asked):
    hz = GUITAR.open_hz(number) * 2 ** (cents / 1200)
    found = identify(GUITAR, hz, inharmonicity=b, inharmonicity_se=relative_se * b, asked=asked, known=taught())
    assert found.best is not None
    assert (found.best.string, found.best.place) == (number, OPEN)


NOTES = {
    "hz": st.floats(20.0, 2000.0),
    "b": st.floats(0.0, 1e-2),
    "b_se": st.one_of(st.just(math.inf), st.floats(1e-8, 1e-2)),
    "asked": st.one_of(st.none(), st.tuples(st.integers(1, 6), st.sampled_from([OPEN, HARMONIC, FRET_12]))),
    "also": st.lists(st.integers(1, 15).map(lambda k: Place("fret", k)), max_size=3),
}


@given(**NOTES)
def test_probabilities_of_all_answers_and_of_none_make_one(hz, b, b_se, asked, also):
    found = identify(GUITAR, hz, inharmonicity=b, inharmonicity_se=b_se, asked=asked, also=also)
    each = [one.probability for one in found.likely]
    assert all(0.0 <= p <= 1.0 for p in [*each, found.nothing])
    assert math.fsum([*each, found.nothing]) == pytest.approx(1.0)
    assert each == sorted(each, reverse=True)
    places = [(one.string, one.place) for one in found.likely]
    assert len(set(places)) == len(places)
    assert (found.best is None) == (not each or found.nothing >= each[0])


@given(order=st.permutations(range(1, 7)), **NOTES)
def test_the_order_of_the_strings_does_not_matter(order, hz, b, b_se, asked, also):
    turned = GUITAR.model_copy(update={"strings": tuple(GUITAR.string(n) for n in order)})
    new_number = {old: new for new, old in enumerate(order, start=1)}
    asked_there = None if asked is None else (new_number[asked[0]], asked[1])
    here = identify(GUITAR, hz, inharmonicity=b, inharmonicity_se=b_se, asked=asked, also=also)
    there = identify(turned, hz, inharmonicity=b, inharmonicity_se=b_se, asked=asked_there, also=also)
    assert there.nothing == pytest.approx(here.nothing)
    for one in here.likely:
        assert probability(there, new_number[one.string], one.place) == pytest.approx(one.probability)


@given(more=st.floats(1.0, 100.0), **NOTES)
def test_being_asked_for_never_makes_it_less_likely(more, hz, b, b_se, asked, also):
    if asked is None:
        return
    also = [*also, asked[1]] if asked[1].kind == "fret" else also
    chances = [
        probability(
            identify(GUITAR, hz, inharmonicity=b, inharmonicity_se=b_se, also=also, known=taught(), **words), *asked
        )
        for words in ({}, {"asked": asked}, {"asked": asked, "asked_odds": ASKED_ODDS * more})
    ]
    assert chances[0] <= chances[1] * (1 + 1e-9)
    assert chances[1] <= chances[2] * (1 + 1e-9)


@given(steps=st.lists(st.floats(0.0, 1.0), min_size=2, max_size=6))
def test_a_stiffness_nearer_to_that_of_what_was_asked_for_never_makes_it_less_likely(steps):
    place, known = Place("fret", 5), taught()
    low, high = (stiffness_at_place(known[n].stiffness, where, 0.0).log_b for n, where in ((5, OPEN), (6, place)))
    chances = []
    for step in sorted(steps):
        b = math.exp(low + step * (high - low))
        found = identify(
            GUITAR,
            GUITAR.open_hz(5),
            inharmonicity=b,
            inharmonicity_se=0.1 * b,
            asked=(6, place),
            known=known,
        )
        chances.append(probability(found, 6, place))
    assert all(a <= b + 1e-12 for a, b in itertools.pairwise(chances))


@given(**NOTES)
def test_nothing_said_of_stiffness_changes_nothing(hz, b, b_se, asked, also):
    found = identify(GUITAR, hz, asked=asked, also=also)
    assert found == identify(GUITAR, hz, inharmonicity=b, asked=asked, also=also)
    if (best := likeliest(GUITAR, hz, asked, also=also)) is not None:
        assert best == found.best
