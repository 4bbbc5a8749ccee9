"""The distance in mm between the saddle place by the first partial and that by the string pitch."""

from __future__ import annotations

import pytest

from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import saddle_ambiguity

LENGTHS_MM = (648.0, 324.0)


def compared(error: float, se: float, apart: float | None, apart_se: float = 0.05) -> Comparison:
    return Comparison(error, se, 6, 0.6, (), apart, apart_se)


def test_a_cent_is_three_eighths_of_a_millimetre() -> None:
    """L / 1731 = 0.374 mm a cent at the 12th fret of a 648 mm scale, to first order (the lengths' ratio alone)."""
    found = saddle_ambiguity(compared(0.0, 0.3, 1.0), LENGTHS_MM)
    assert found is not None
    assert found.mm == pytest.approx(0.374, abs=0.002)
    assert found.se_mm == pytest.approx(0.05 * 0.374, rel=0.01)
    back = saddle_ambiguity(compared(0.0, 0.3, -1.0), LENGTHS_MM)
    assert back is not None
    assert back.mm == pytest.approx(-0.374, abs=0.002)


@pytest.mark.parametrize(
    ("se", "apart", "apart_se", "matters"),
    [
        (0.1, 0.45, 0.05, True),  # 0.17 mm: shows as 0.2
        (0.1, 0.35, 0.05, False),  # 0.13 mm: shows as 0.1, the last place
        (1.2, 1.0, 0.05, False),  # within the doubt of the move
        (0.8, 1.0, 0.05, True),
        (0.1, 1.0, 1.5, False),  # the distance itself isn't known
        (0.1, -1.0, 0.1, True),
    ],
)
def test_it_matters_when_the_advice_would_be_another(se: float, apart: float, apart_se: float, matters: bool) -> None:
    found = saddle_ambiguity(compared(4.0, se, apart, apart_se), LENGTHS_MM)
    assert found is not None
    assert found.matters is matters


def test_unknown_values_have_no_remarks() -> None:
    assert saddle_ambiguity(compared(4.0, 0.3, None), LENGTHS_MM) is None
    assert saddle_ambiguity(compared(1300.0, 0.3, 1.0), LENGTHS_MM) is None, "no saddle nulls an octave"
