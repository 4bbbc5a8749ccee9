"""The scatter of plucks, learnt from one string for the next."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import invgamma

from oscservice.advice.comparison import PluckReading, compare, joint_errors
from oscservice.advice.pluck_scatter import MOST_WEIGHT, UNKNOWN_SCATTER, PluckScatter, updated_scatter
from oscservice.instrument.pitch import OPEN, Place

FRET = Place("fret", 12)
PATTERN = (OPEN, FRET, FRET, OPEN, FRET, FRET, OPEN, FRET, FRET, OPEN)


def plucked(
    rng: np.random.Generator, fretted_cents: float, open_cents: float, error_cents: float = 0.0
) -> list[PluckReading]:
    """A string plucked by a hand that scatters so much."""
    found = []
    for place in PATTERN:
        off = rng.normal(0.0, open_cents) if place == OPEN else error_cents + rng.normal(0.0, fretted_cents)
        found.append(PluckReading(place, 110.0 * 2.0 ** (place.semitones / 12.0 + off / 1200.0), 0.1))
    return found


def after(hand: PluckScatter, plucks: list[PluckReading]) -> PluckScatter:
    return joint_errors(plucks, {FRET: 1200.0}, hand).scatter_after(hand)


@pytest.mark.parametrize(("scale", "weight"), [(0.3, 3.0), (0.8, 5.0), (1.5, 9.0)])
def test_a_scatter_is_summed_up_as_the_distribution_it_comes_from(scale: float, weight: float) -> None:
    # A scaled inverse chi-squared variable of weight v and scale s is inverse gamma of shape v / 2 and scale v s^2 / 2
    # (scipy.stats.invgamma as the reference).
    rng = np.random.default_rng(1)
    drawn = invgamma.rvs(weight / 2.0, scale=weight * scale**2 / 2.0, size=200_000, random_state=rng)
    even = np.full(len(drawn), 1.0 / len(drawn))
    found = updated_scatter(PluckScatter(1.0, 1.0), drawn, np.ones(len(drawn)), even)
    assert found.scatter_cents == pytest.approx(scale, rel=0.03)
    assert found.weight == pytest.approx(weight, rel=0.05)


@pytest.mark.parametrize(("fretted", "opened"), [(0.25, 0.1), (0.6, 0.15), (1.2, 0.3), (0.8, 0.8)])
def test_scatter_is_learnt_from_a_few_strings(fretted: float, opened: float) -> None:
    scatters, shares = [], []
    for seed in range(12):
        rng, hand = np.random.default_rng(seed), UNKNOWN_SCATTER
        for _ in range(5):
            hand = after(hand, plucked(rng, fretted, opened))
        scatters.append(hand.scatter_cents)
        shares.append(hand.open_share)
    assert float(np.median(scatters)) == pytest.approx(fretted, rel=0.25)
    assert (float(np.median(shares)) > 0.6) == (opened / fretted > 0.9)


@pytest.mark.slow
def test_a_known_scatter_makes_standard_errors_fit() -> None:
    # 300 comparisons by a calm hand and by a hasty one: the stated error of 1 sd holds two thirds of them, once learnt.
    for fretted, opened in ((0.3, 0.1), (1.4, 0.4)):
        rng, within, sure = np.random.default_rng(7), 0, []
        hand = UNKNOWN_SCATTER
        for turn in range(303):
            readings = plucked(rng, fretted, opened, 1.0)
            found = compare(readings, 12, hand)
            if turn >= 3:
                within += abs(found.error_cents - 1.0) <= found.se_cents
                sure.append(found.se_cents)
            hand = after(hand, readings)
        assert 0.62 <= within / 300 <= 0.76
        # Drift between plucks is allowed for beside the scatter.
        alone = fretted / math.sqrt(6.0)
        assert alone < float(np.mean(sure)) < 2.2 * alone + 0.1


@given(st.floats(0.05, 5.0), st.floats(0.0, 3.0), st.integers(0, 10_000))
def test_the_learnt_scatter_stays_plausible_for_any_plucks(fretted: float, opened: float, seed: int) -> None:
    found = after(UNKNOWN_SCATTER, plucked(np.random.default_rng(seed), fretted, opened))
    assert 0.02 <= found.scatter_cents <= 40.0
    assert 0.0 < found.weight <= MOST_WEIGHT
    assert math.isclose(sum(probability for _, probability in found.shares), 1.0)
    assert all(probability > 0.0 for _, probability in found.shares), "nothing is ever ruled out"


def test_more_plucks_make_an_error_surer() -> None:
    hand = PluckScatter(0.6, 4.0, ((0.5, 1.0),))
    assert hand.se_cents(4, 4) == pytest.approx(0.6 * math.sqrt(1 / 4 + 0.25 / 4))
    assert hand.se_cents(8, 4) < hand.se_cents(4, 4) > hand.se_cents(4, 8)
