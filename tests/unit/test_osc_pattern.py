"""Address patterns: the rules of OSC 1.0 one by one, and patterns made to be slow."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pattern_vectors import MATCHES

from oscservice.osc.pattern import Pattern, is_pattern, matches

# Worked out by hand from the matching rules of the OSC 1.0 specification (Wright, 2002).
VECTORS = [
    *MATCHES,
    ("/{,pre}fix", "/prefix", True),
    ("/{a,ab}{bc,c}", "/abc", True),
    ("/{a,b}*", "/cab", False),
    ("/a!b", "/a!b", True),
    ("/a-b", "/a-b", True),
    ("/*c*e*", "/abdec", False),
    ("/[a-cx]", "/x", True),
    ("/[!a]", "/", False),
    ("/{*,?}", "/a", False),  # inside braces all is literal
]
# The OSC 1.1 paper (Freed and Schmeder, NIME 2009) has the first; the others follow from "any number of levels".
LEVELS = [
    ("//spherical", "/position/spherical", True),
    ("//spherical", "/spherical", True),
    ("//spherical", "/a/b/c/spherical", True),
    ("//spherical", "/position/spherical/x", False),
    ("//spherical", "/aspherical", False),
    ("/a//b", "/a/b", True),
    ("/a//b", "/a/x/y/b", True),
    ("/a//b", "/a", False),
    ("/a//b", "/x/a/b", False),
    ("/a//b/c", "/a/b/b/c", True),
    ("/a//b//c", "/a/b/x/b/c", True),
    ("/a//b//c", "/a/c/b", False),
    ("//[1-3]/cents", "/string/2/cents", True),
    ("//?/{cents,note}", "/string/2/note", True),
    ("/string//*", "/string/2/note", True),
    ("/a//", "/a/b", True),
    ("/a//", "/a/b/c", True),
    ("/a//", "/a", False),
    ("/a//", "/b/a", False),
    ("//", "/a", True),
    ("//", "/a/b/c", True),
    ("//*", "/a/b/c", True),
    ("//a//", "/b/a/c", True),
    ("//a//", "/b/a", False),
    ("a//b", "/a/b", False),
]
MALFORMED = [
    "///",
    "///a",
    "/a///b",
    "////",
    "/a[//]",
    "/[",
    "/[a",
    "/a[]",
    "/[!]",
    "/[z-a]",
    "/{",
    "/{a",
    "/{a,b",
    "/[a/b]",
    "/{a/b}",
]


@pytest.mark.parametrize(("pattern", "address", "expected"), VECTORS + LEVELS)
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
    assert matches("//a" * 32, "/a" * 40)
    assert not matches("//a" * 33, "/a" * 40)


@pytest.mark.parametrize("address", ["/a?", "/*", "/[a]", "/{a}", "/a]", "//a", "/a//b", "/a//"])
def test_is_pattern(address: str) -> None:
    assert is_pattern(address)


def test_a_plain_address_is_no_pattern() -> None:
    assert not is_pattern("/string/3/set_aside-x!")


@pytest.mark.parametrize("run", ["*" * 32, "*a" * 32, "{a,aa}" * 16, "{,a}" * 16, "?*" * 16, "[!b]*" * 10])
def test_runs_made_to_be_slow_are_not(run: str) -> None:
    """Twenty stars take a backtracking matcher ten seconds; with these it would run until the test run is killed."""
    assert not Pattern("/" + run + "!").matches("/" + "a" * 250)
    assert not matches("/" + run + "!", "/" + "a" * 250)


@pytest.mark.parametrize("run", ["//a" * 31 + "//b", "//*" * 16, "//" + "/".join("*" * 20) + "//b" * 5])
def test_runs_of_levels_made_to_be_slow_are_not(run: str) -> None:
    assert not matches(run + "/!", "/a" * 120)


@given(st.text("ab*?", max_size=8), st.text("ab", max_size=8))
def test_stars_and_question_marks_agree_with_a_regular_expression(pattern: str, address: str) -> None:
    regular = re.compile(pattern.replace("?", ".").replace("*", ".*"))
    assert matches("/" + pattern, "/" + address) == (regular.fullmatch(address) is not None)


def by_recursion(pattern: list[str], address: list[str]) -> bool:
    """``//`` said as plainly as can be: an empty part of the pattern, which is left out or takes one part more."""
    if not pattern or not address:
        return pattern == address
    if not pattern[0]:
        return by_recursion(pattern[1:], address) or by_recursion(pattern, address[1:])
    return pattern[0] in ("*", address[0]) and by_recursion(pattern[1:], address[1:])


@given(
    st.lists(st.sampled_from(["", "a", "b", "*"]), min_size=1, max_size=7),
    st.lists(st.sampled_from(["a", "b"]), min_size=1, max_size=6),
)
def test_levels_agree_with_recursion(pattern: list[str], address: list[str]) -> None:
    ends_below = pattern[-1] == ""
    text = "/" + "/".join(pattern) + ("/" if ends_below else "")
    well_formed = ("", "") not in pairwise(pattern)
    expected = well_formed and by_recursion([*pattern, "*"] if ends_below else pattern, address)
    assert matches(text, "/" + "/".join(address)) == expected


@given(st.text("ab-!*?[]{},/", max_size=16), st.text("ab-!/", max_size=10))
def test_any_text_matches_or_does_not(pattern: str, address: str) -> None:
    pattern, address = "/" + pattern, "/" + address
    assert matches(pattern, address) in (True, False)
    if not is_pattern(pattern):
        assert matches(pattern, address) == (pattern == address)


def test_no_class_crosses_a_slash() -> None:
    for pattern in ("/a[!b]c", "/a[*-z]c", "/a[!d-f]c"):
        assert matches(pattern, "/a/c") is False
        assert Pattern(pattern).matches("/axc")
    assert matches("/a[*-z]c", "/a.c")
    assert matches("/a[*-z]c", "/a0c")
