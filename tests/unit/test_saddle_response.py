"""A string's own cents per millimetre, learnt from moves, compared with a brute-force calculation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.advice.comparison import Comparison
from oscservice.advice.saddle_response import (
    ODD_SD,
    ODD_SHARE,
    SMALLEST_RATIO,
    SOUND_SD,
    Response,
    common_ratio,
    first_response,
    geometric_equivalent,
    response_warning,
)
from oscservice.instrument.instrument_file import load_instrument

SCREW = load_instrument("six-string-628").adjuster_of(1)
CLAMP = load_instrument("six-string-648").adjuster_of(1)


def density(x, mean, sd):
    return np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))


@pytest.mark.parametrize(("heard", "se"), [(-8.0, 0.5), (-5.0, 0.5), (-10.0, 1.5), (-8.6, 0.3)])
def test_a_move_is_weighed_as_by_brute_force(heard: float, se: float) -> None:
    geometric = -8.0
    grid = np.linspace(-1.0, 3.0, 40001)
    prior = (1.0 - ODD_SHARE) * density(grid, 1.0, SOUND_SD) + ODD_SHARE * density(grid, 1.0, ODD_SD)
    posterior = prior * density(heard, geometric * grid, se)
    posterior /= posterior.sum()
    found = Response().after(geometric, heard, se)
    mean = sum(w * m for w, m in zip(found.weights, found.means, strict=True))
    assert mean == pytest.approx(float(posterior @ grid), abs=1e-3)
    assert found.odd_probability == pytest.approx(float(posterior[np.abs(grid - 1.0) > 0.2].sum()), abs=2e-3)


def test_several_moves_are_weighed_as_by_brute_force() -> None:
    moves = [(-8.0, -9.5, 0.5), (3.0, 3.9, 0.8), (-2.0, -2.3, 0.4)]
    grid = np.linspace(-1.0, 3.0, 40001)
    posterior = (1.0 - ODD_SHARE) * density(grid, 1.0, SOUND_SD) + ODD_SHARE * density(grid, 1.0, ODD_SD)
    found = Response()
    for geometric, heard, se in moves:
        posterior *= density(heard, geometric * grid, se)
        found = found.after(geometric, heard, se)
    posterior /= posterior.sum()
    mean = sum(w * m for w, m in zip(found.weights, found.means, strict=True))
    assert mean == pytest.approx(float(posterior @ grid), abs=1e-3)
    assert found.odd_probability == pytest.approx(float(posterior[np.abs(grid - 1.0) > 0.2].sum()), abs=2e-3)


@pytest.mark.parametrize("ratio", [0.7, 1.3])
@pytest.mark.parametrize("se", [0.2, 0.3, 0.5])
def test_an_answer_three_tenths_off_is_named_after_one_clear_move(ratio: float, se: float) -> None:
    found = Response().after(-8.0, -8.0 * ratio, se)
    assert found.is_odd
    assert found.ratio == pytest.approx(ratio, abs=0.03)


def named_share(ratio: float, se: float, moves: int, repeats: int) -> float:
    """Return the number of times it is named within so many moves of 8 cents, measured with that standard error."""
    rng = np.random.default_rng(2)
    named = 0
    for _ in range(repeats):
        found = Response()
        for _ in range(moves):
            found = found.after(-8.0, -8.0 * ratio + rng.normal(0.0, se), se)
            if found.is_odd:
                named += 1
                break
    return named / repeats


@pytest.mark.parametrize("ratio", [0.7, 1.3])
def test_a_move_heard_to_a_third_of_a_cent_is_clear(ratio: float) -> None:
    # Heard to half a cent, one move of eight lies too near the bound: every other time it takes a second one.
    assert named_share(ratio, 0.3, 1, 2000) > 0.85
    assert 0.4 < named_share(ratio, 0.5, 1, 2000) < 0.7
    assert named_share(ratio, 0.5, 3, 2000) > 0.8


@pytest.mark.parametrize("ratio", [0.95, 1.05])
@pytest.mark.parametrize("se", [0.3, 0.8])
def test_an_answer_a_twentieth_off_is_never_named_by_chance(ratio: float, se: float) -> None:
    assert named_share(ratio, se, 4, 1000) <= 0.001


@pytest.mark.parametrize("ratio", [0.95, 1.0, 1.06])
def test_an_ordinary_answer_never_is(ratio: float) -> None:
    found = Response()
    for _ in range(6):
        found = found.after(-8.0, -8.0 * ratio, 0.5)
        assert not found.is_odd
    assert found.ratio == pytest.approx(ratio, abs=0.03)


def test_a_small_or_badly_measured_move_changes_the_estimate_little() -> None:
    assert Response().after(0.3, 3.0, 0.1) == Response()
    assert abs(Response().after(-3.0, -1.0, 4.0).ratio - 1.0) < 0.02


@given(
    moves=st.lists(
        st.tuples(st.floats(-60.0, 60.0), st.floats(-200.0, 200.0), st.floats(0.05, 5.0)), min_size=1, max_size=6
    )
)
def test_any_reading_leaves_valid_probabilities(moves: list[tuple[float, float, float]]) -> None:
    found = Response()
    for geometric, heard, se in moves:
        found = found.after(geometric, heard, se)
        assert math.fsum(found.weights) == pytest.approx(1.0)
        assert all(math.isfinite(x) for x in (*found.weights, *found.means, *found.sds))
        assert found.ratio >= SMALLEST_RATIO
        assert found.sd > 0.0
        assert -1e-9 <= found.odd_probability <= 1.0 + 1e-9


def test_the_next_move_counts_with_the_answer() -> None:
    strong = Response().after(-8.0, -12.0, 0.4)
    for error_cents in (3.0, -3.0):
        asked = geometric_equivalent(Comparison(error_cents, 0.3, 8, 0.6), strong)
        assert asked.error_cents == pytest.approx(error_cents / 1.5, abs=0.1)  # each millimetre does half as much again
        assert asked.se_cents > 0.3 / strong.ratio


def test_strings_with_equal_responses_indicate_a_wrong_thread() -> None:
    # none of these is odd enough by itself
    alike = [Response().after(-4.0, -5.3 + d, 0.5) for d in (-0.2, 0.0, 0.2, 0.1)]
    assert not any(one.is_odd for one in alike)
    ratio = common_ratio(alike)
    assert ratio == pytest.approx(1.3, abs=0.08)
    assert first_response(alike).means[1] == ratio
    told = response_warning(2, dict(enumerate(alike, start=1)), SCREW)
    assert told is not None
    assert "thread" in told
    assert "strings 1, 2, 3, 4" in told
    clamped = response_warning(2, dict(enumerate(alike, start=1)), CLAMP)
    assert clamped is not None
    assert "thread" not in clamped


@pytest.mark.parametrize("ratios", [(1.0, 1.02, 0.97, 1.05), (1.4, 0.7, 1.0, 1.0), (1.1, 1.1, 1.12, 1.09)])
def test_strings_that_answer_soundly_or_each_in_its_way_do_not(ratios: tuple[float, ...]) -> None:
    assert common_ratio(Response().after(-6.0, -6.0 * ratio, 0.5) for ratio in ratios) is None


def test_one_odd_string_is_its_own_trouble() -> None:
    odd = Response().after(-8.0, -4.8, 0.4)
    told = response_warning(3, {3: odd, 4: Response().after(-8.0, -8.1, 0.4)}, SCREW)
    assert told is not None
    assert "string 3" in told
    assert "61%" in told
    assert "play in the screw" in told
    slipped = response_warning(3, {3: odd}, CLAMP)
    assert slipped is not None
    assert "slipped" in slipped
    assert response_warning(4, {3: odd, 4: Response()}, SCREW) is None
