"""The frets that are compared, as text and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.advice.compared_frets import ComparedFrets


@given(st.dictionaries(st.integers(1, 24), st.integers(1, 100).map(lambda n: n / 10.0), min_size=1, max_size=12))
def test_text_and_back(weights: dict[int, float]) -> None:
    frets = tuple(sorted(weights))
    played = ComparedFrets(frets, tuple(weights[fret] for fret in frets))
    assert ComparedFrets.parse(str(played), 24) == played
    assert played.weight() == weights


@pytest.mark.parametrize(
    ("text", "last", "frets", "weights"),
    [
        ("", 24, (12,), (1.0,)),
        ("", 10, (10,), (1.0,)),
        ("thorough", 24, (1, 3, 5, 7, 12, 17), (1.0,) * 6),
        ("thorough", 12, (1, 3, 5, 7, 12), (1.0,) * 5),
        ("12, 5x2 7x.5", 24, (5, 7, 12), (2.0, 0.5, 1.0)),
    ],
)
def test_texts_of_compared_frets_are_parsed(
    text: str, last: int, frets: tuple[int, ...], weights: tuple[float, ...]
) -> None:
    assert ComparedFrets.parse(text, last) == ComparedFrets(frets, weights)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("0", "fret 0"),
        ("25", "1 to 24"),
        ("5 5", "twice"),
        ("5x0", "weight 0"),
        ("5x11", "weight 11"),
        ("-3", "'-3' is not a fret"),
        ("open", "'open' is not a fret"),
        ("5 thorough", "'thorough' is not a fret"),
        (" ".join(map(str, range(1, 14))), "13 frets"),
    ],
)
def test_refusals_have_reasons(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        ComparedFrets.parse(text, 24)


def test_errors_are_summed_up_at_the_octave_or_the_last_fret_below_it() -> None:
    assert [ComparedFrets.parse(text, 24).reference for text in ("5", "1 3 7", "5 12 17", "14 17")] == [5, 7, 12, 12]
