"""The stiff-string law through partials: exact on exact ones, robust against strangers, and honest about both."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chance_bounds import fewest, sd_bounds
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.hearing.inharmonicity import StiffString, stiff_string
from oscservice.instrument.pitch import cents_between


def exact(f0_hz: float, inharmonicity: float, k: int) -> float:
    """H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203: f_k = k f0 sqrt(1 + B k^2)."""
    return k * f0_hz * math.sqrt(1.0 + inharmonicity * k * k)


def heard(
    draw: np.random.Generator, numbers: list[int], f0_hz: float, inharmonicity: float, stray_cents: float
) -> dict[int, tuple[float, float]]:
    """Partials that stray from the law and are heard with errors of their own, of 0.02 to 0.3 cents."""
    partials = {}
    for k in numbers:
        se = float(np.exp(draw.uniform(math.log(0.02), math.log(0.3))))
        off = stray_cents * draw.standard_normal() + se * draw.standard_normal()
        partials[k] = exact(f0_hz, inharmonicity, k) * 2.0 ** (off / 1200.0), se
    return partials


@settings(max_examples=60, deadline=None)
@given(
    st.floats(23.0, 1319.0),
    st.floats(1e-6, 2e-3),
    st.sets(st.integers(1, 10), min_size=3),
)
def test_inharmonicity_is_recovered_from_stiff_partials(f0_hz, inharmonicity, numbers):
    law = stiff_string({k: (exact(f0_hz, inharmonicity, k), 0.05) for k in numbers})
    assert law.f0_hz == pytest.approx(f0_hz, rel=1e-9)
    assert law.inharmonicity == pytest.approx(inharmonicity, abs=1e-9)
    assert law.string_hz == pytest.approx(exact(f0_hz, inharmonicity, 1), rel=1e-9)
    assert law.partials == tuple(sorted(numbers))


def spread(laws: list[tuple[StiffString, float, float]]) -> tuple[list[float], list[float]]:
    """Errors of string pitch and of B over their standard errors; laws come with true f0 and B."""
    pitch = [cents_between(law.string_hz, exact(f0, b, 1)) / law.string_se_cents for law, f0, b in laws]
    return pitch, [(law.inharmonicity - b) / law.inharmonicity_se for law, _, b in laws]


def drawn(numbers: list[int], stray_cents: float) -> list[tuple[StiffString, float, float]]:
    """150 laws with true f0 and B."""
    draw = np.random.default_rng(len(numbers))
    laws = []
    for _ in range(150):
        f0_hz, inharmonicity = float(draw.uniform(40.0, 400.0)), float(np.exp(draw.uniform(-9.7, -7.6)))
        law = stiff_string(heard(draw, numbers, f0_hz, inharmonicity, stray_cents))
        laws.append((law, f0_hz, inharmonicity))
    return laws


EVERY = [[1, 2, 3], [1, 2, 3, 5], [1, 2, 3, 4, 5, 6], list(range(1, 11))]


@pytest.mark.slow
@pytest.mark.parametrize(("stray_cents", "inside"), [(0.0, 0.95), (0.5, 0.95), (1.5, 0.85)])
@pytest.mark.parametrize("numbers", EVERY, ids=len)
def test_truth_lies_within_two_standard_errors(stray_cents, inside, numbers):
    """95 times in 100 up to half a cent of straying. Strings whose partials stray three times as far are rare; there a
    few partials that happen to agree are believed too readily."""
    for ratios in spread(drawn(numbers, stray_cents)):
        assert np.count_nonzero(np.abs(ratios) < 2.0) >= fewest(inside, len(ratios))


@pytest.mark.parametrize(("numbers", "calmest"), list(zip(EVERY, (0.4, 0.65, 0.8, 0.8), strict=True)))
def test_standard_errors_are_as_large_as_the_errors(numbers, calmest):
    """At half a cent of straying. Three or four partials can't show how little they stray: their doubt is wider."""
    for ratios in spread(drawn(numbers, 0.5)):
        low, high = sd_bounds(calmest, 1.25, len(ratios))
        assert low < np.std(ratios) < high


def test_strangers_among_the_partials_are_left_out():
    """One partial of ten is 15 to 60 cents off: hum, a neighbour, a sum of lower ones."""
    draw = np.random.default_rng(8)
    laws, left_out = [], 0
    for _ in range(100):
        partials = heard(draw, list(range(1, 11)), 110.0, 1.5e-4, 0.5)
        stranger = int(draw.integers(1, 11))
        hz, se = partials[stranger]
        partials[stranger] = hz * 2.0 ** (draw.choice([-1.0, 1.0]) * draw.uniform(15.0, 60.0) / 1200.0), se
        law = stiff_string(partials)
        left_out += stranger not in law.partials
        laws.append((law, 110.0, 1.5e-4))
        assert abs(cents_between(law.string_hz, exact(110.0, 1.5e-4, 1))) < 2.0
    assert left_out >= fewest(0.99, 100)
    for ratios in spread(laws):
        assert np.count_nonzero(np.abs(ratios) < 2.0) >= fewest(0.95, 100)


def test_two_strangers_of_ten_are_left_out_or_doubted():
    draw = np.random.default_rng(9)
    narrow = 0
    for _ in range(40):
        partials = heard(draw, list(range(1, 11)), 82.4, 3e-4, 0.3)
        for stranger in draw.choice(np.arange(2, 11), 2, replace=False).tolist():
            hz, se = partials[stranger]
            partials[stranger] = hz * 2.0 ** (draw.uniform(20.0, 60.0) / 1200.0), se
        law = stiff_string(partials)
        assert abs(cents_between(law.string_hz, exact(82.4, 3e-4, 1))) < 3.0 * law.string_se_cents
        assert abs(law.inharmonicity - 3e-4) < 4.0 * law.inharmonicity_se
        narrow += law.string_se_cents < 1.0
    assert narrow >= fewest(0.9, 40)


@pytest.mark.parametrize("numbers", [[1], [2], [1, 2], [3, 7]])
def test_fewer_than_three_partials_say_nothing_of_stiffness(numbers):
    law = stiff_string({k: (k * 100.0, 0.1) for k in numbers})
    assert law.inharmonicity == 0.0
    assert math.isinf(law.inharmonicity_se)
    assert law.string_hz == law.f0_hz == pytest.approx(100.0)
    assert 0.1 < law.string_se_cents < 1.0
    assert law.partials == tuple(numbers)


def test_no_partial_is_no_string():
    with pytest.raises(ValueError, match="at least one"):
        stiff_string({})


def test_partials_that_fall_flat_give_no_stiffness_below_zero():
    law = stiff_string({k: (100.0 * k * (1.0 - 2e-5 * k * k), 0.1) for k in range(1, 9)})
    assert law.inharmonicity == 0.0
    assert math.isfinite(law.inharmonicity_se)
    assert law.string_hz == pytest.approx(law.f0_hz)


def test_an_unsure_partial_hardly_counts_and_a_sure_one_does():
    partials = {k: (exact(110.0, 1e-4, k), 0.05) for k in range(1, 7)}
    partials[1] = partials[1][0] * 2.0 ** (3.0 / 1200.0), 20.0
    law = stiff_string(partials)
    assert abs(cents_between(law.string_hz, exact(110.0, 1e-4, 1))) < 0.05


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.floats(0.2, 5.0))
def test_another_unit_of_frequency_changes_nothing_else(seed, factor):
    partials = heard(np.random.default_rng(seed), [1, 2, 3, 4, 6, 7], 110.0, 2e-4, 0.5)
    law = stiff_string(partials)
    scaled = stiff_string({k: (hz * factor, se) for k, (hz, se) in partials.items()})
    assert scaled.string_hz == pytest.approx(law.string_hz * factor, rel=1e-8)
    assert scaled.inharmonicity == pytest.approx(law.inharmonicity, abs=1e-9)
    assert scaled.string_se_cents == pytest.approx(law.string_se_cents, rel=1e-4)
