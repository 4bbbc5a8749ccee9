"""Address patterns: the rules of OSC 1.0 one by one, and patterns made to be slow."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.osc.pattern import Pattern, is_pattern, matches

# Worked out by hand from the matching rules of the OSC 1.0 specification (Wright, 2002).
VECTORS = [
    ("/string/*/cents", "/string/1/cents", True),
    ("/string/*", "/string/1/cents", False),
    ("/string/?/cents", "/string/12/cents", False),
    ("/string/[1-3]/cents", "/string/3/cents", True),
    ("/string/[1-3]/cents", "/string/4/cents", False),
    ("/string/[!1-3]/cents", "/string/4/cents", True),
    ("/string/[!1-3]/cents", "/string/2/cents", False),
    ("/string/[135]/cents", "/string/3/cents", True),
    ("/{state,stop}", "/stop", True),
    ("/{state,stop}", "/start", False),
    ("/st{ate,op}", "/state", True),
    ("/{,pre}fix", "/fix", True),
    ("/{,pre}fix", "/prefix", True),
    ("/{a,ab}{bc,c}", "/abc", True),
    ("/{a,b}*", "/cab", False),
    ("/a[-]b", "/a-b", True),
    ("/a[x-]b", "/a-b", True),
    ("/a[a!]b", "/a!b", True),
    ("/a!b", "/a!b", True),
    ("/a-b", "/a-b", True),
    ("/a*", "/a", True),
    ("/*", "/a/b", False),
    ("/*c*e*", "/abcde", True),
    ("/*c*e*", "/abdec", False),
    ("/**b", "/aab", True),
    ("/?/b/*c", "/a/b/xyc", True),
    ("/a.b", "/axb", False),
    ("/a+b", "/aab", False),
    ("/a/", "/a", False),
    ("/A", "/a", False),
    ("/[a-cx]", "/x", True),
    ("/[!a]", "/", False),
    ("/{*,?}", "/a", False),  # inside braces all is literal
]
MALFORMED = ["/[", "/[a", "/a[]", "/[!]", "/[z-a]", "/{", "/{a", "/{a,b", "/[a/b]", "/{a/b}"]


@pytest.mark.parametrize(("pattern", "address", "expected"), VECTORS)
def test_matching_rules(pattern: str, address: str, expected: bool) -> None:
    assert matches(pattern, address) is expected


@pytest.mark.parametrize("pattern", MALFORMED)
def test_malformed_patterns_match_nothing(pattern: str) -> None:
    with pytest.raises(ValueError):
        Pattern(pattern)
    assert not any(matches(pattern, address) for address in (pattern, "/", "/a", "/b", "/a/b"))


def test_pattern_characters_are_bounded() -> None:
    assert matches("/" + "?" * 32, "/" + "a" * 32)
    assert not matches("/" + "?" * 33, "/" + "a" * 33)


@pytest.mark.parametrize("address", ["/a?", "/*", "/[a]", "/{a}", "/a]"])
def test_is_pattern(address: str) -> None:
    assert is_pattern(address)


def test_a_plain_address_is_no_pattern() -> None:
    assert not is_pattern("/string/3/set_aside-x!")


@pytest.mark.parametrize("run", ["*" * 32, "*a" * 32, "{a,aa}" * 16, "{,a}" * 16, "?*" * 16])
def test_runs_made_to_be_slow_are_not(run: str) -> None:
    """Twenty stars take a backtracking matcher ten seconds; with these it would run until the test run is killed."""
    assert not Pattern("/" + run + "!").matches("/" + "a" * 250)
    assert not matches("/" + run + "!", "/" + "a" * 250)


@given(st.text("ab*?", max_size=8), st.text("ab", max_size=8))
def test_stars_and_question_marks_agree_with_a_regular_expression(pattern: str, address: str) -> None:
    regular = re.compile(pattern.replace("?", ".").replace("*", ".*"))
    assert matches("/" + pattern, "/" + address) == (regular.fullmatch(address) is not None)


@given(st.text("ab-!*?[]{},/", max_size=16), st.text("ab-!/", max_size=10))
def test_any_text_matches_or_does_not(pattern: str, address: str) -> None:
    assert matches("/" + pattern, "/" + address) in (True, False)
    if not is_pattern(pattern):
        assert matches("/" + pattern, "/" + address) == (pattern == address)
