"""Roots of a function, to the bits of scipy's ``brentq``."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from oscservice.instrument.root import root

FUNCTIONS: dict[str, Callable[[float], float]] = {
    "line": lambda x: 3.0 * x - 1.0,
    "cubic": lambda x: x**3 - 2.0 * x - 5.0,
    "steep": lambda x: math.expm1(8.0 * x) - 2.0,
    "flat": lambda x: (x - 0.3) ** 9,
    "wave": lambda x: math.cos(x) - x,
    "steps": lambda x: math.floor(4.0 * x) + 0.5,
    "jump": lambda x: -1.0 if x < 0.123 else 1.0,
    "far": lambda x: math.atan(x - 1e3) + 1.5,
    "tiny": lambda x: 1e-200 * (x - 0.7) ** 3,
}


@pytest.mark.parametrize("name", FUNCTIONS)
@given(
    first=st.floats(-40.0, 40.0),
    last=st.floats(-40.0, 40.0),
    off=st.floats(-2.0, 2.0),
    within=st.sampled_from([2e-12, 1e-9, 1e-13, 1e-3, 1.0]),
)
def test_the_root_has_the_bits_of_scipys(name: str, first: float, last: float, off: float, within: float) -> None:
    def function(x: float) -> float:
        return FUNCTIONS[name](x) - off

    try:
        expected = brentq(function, first, last, xtol=within)
    except (ValueError, RuntimeError):
        with pytest.raises(ValueError, match="no root"):
            root(function, first, last, within=within)
    else:
        assert root(function, first, last, within=within) == expected


def test_a_root_at_an_end_is_found() -> None:
    assert root(lambda x: x, 0.0, 5.0) == 0.0
    assert root(lambda x: x - 5.0, 0.0, 5.0) == 5.0


def test_where_there_is_none_the_values_are_told() -> None:
    with pytest.raises(ValueError, match=r"no root from 1 to 2: the function is 1 and 4 there"):
        root(lambda x: x * x, 1.0, 2.0)
    with pytest.raises(ValueError, match="not a number at 0"):
        root(lambda x: math.nan if -1.0 < x < 1.0 else x, -1.0, 1.0)
