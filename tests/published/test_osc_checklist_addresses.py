"""Rules of OSC 1.0 for addresses and patterns, A1 to A4: one test a rule, named after its number.

Source: M. Wright, The Open Sound Control 1.0 Specification, version 1.0, 26 March 2002. The match vectors were worked
out by hand from its rules; python-osc agrees with each. The numbers are this project's own.
"""

from __future__ import annotations

import re

import pytest
from packets import message
from pattern_vectors import MATCHES
from pythonosc.dispatcher import Dispatcher

from oscservice.api.address_table import TABLE, address_space, concrete_addresses
from oscservice.osc.address import Call
from oscservice.osc.dispatch import RefusedCall, resolve
from oscservice.osc.packet import decode, encode
from oscservice.osc.pattern import Pattern, is_pattern, matches

SPACE = address_space("/bench", 6)


def test_a1_names_are_printable_ascii_without_the_reserved_characters() -> None:
    allowed = re.compile(r"[!-\"$-)+\--.0->@-Z\\^-z|~]+")  # all of ! to ~ but # * , / ? [ ] { }
    assert sum(allowed.fullmatch(chr(code)) is not None for code in range(128)) == 94 - 9
    whole = [SPACE.prefix + relative for relative in concrete_addresses(12, items=["screws_and_springs"])]
    assert len(whole) > len(TABLE)
    assert all(allowed.fullmatch(part) for address in whole for part in address[1:].split("/"))
    for reserved in " #*,?[]{}":
        with pytest.raises(ValueError, match="not an OSC address"):
            encode(f"/a{reserved}b")


def test_a2_wildcards_are_the_senders_and_our_own_addresses_are_literal() -> None:
    assert not any(is_pattern(relative) for relative in concrete_addresses(12))
    assert matches("/a[*]b", "/a*b")  # a star in the address is matched as a star, and matches nothing else
    assert not matches("/axb", "/a*b")


def test_a3_pattern_and_address_match_part_by_part() -> None:
    """The specification: same number of parts, each of the pattern's parts matching the address's."""
    assert matches("/?/?/???", "/a/b/cde")  # its two examples: the parts are a, b, cde, and ?, b, *c
    assert not matches("/?/???/?", "/a/b/cde")
    assert matches("/?/b/*c", "/a/b/c")
    for pattern in ("/*", "/?*", "/a?b", "/a[!x]b", "/a{/,x}b", "/a[-0]b", "/***"):
        assert not matches(pattern, "/a/b")
    assert matches("/*/*", "/a/b")
    assert not matches("/*/*", "/a/b/c")
    assert not matches("/a/b/", "/a/b")


@pytest.mark.parametrize(("pattern", "address", "expected"), MATCHES)
def test_a4_the_rules_of_matching(pattern: str, address: str, expected: bool) -> None:
    assert matches(pattern, address) is expected
    other = Dispatcher()
    other.map(address, lambda *_: None)
    assert (list(other.handlers_for_address(pattern)) != []) is expected


def test_a4_what_the_specification_leaves_open_matches_nothing_and_is_an_error() -> None:
    for malformed in ("/bench/[", "/bench/{ping", "/bench/[]ping", "/bench/[!]ping", "/bench/[z-a]ping"):
        with pytest.raises(ValueError):
            Pattern(malformed)
        (refused,) = resolve(decode(message(malformed.encode(), b""))[0].message, SPACE)
        assert isinstance(refused, RefusedCall)
        assert "malformed pattern" in refused.text
    assert not matches("/{*,?}", "/a")  # literal inside braces


def test_a5_a_message_goes_to_every_address_it_matches_with_the_same_arguments() -> None:
    calls = resolve(decode(message(b"/bench/string/[2-4]/moved", b"f", bytes.fromhex("3f000000")))[0].message, SPACE)
    assert {call.concrete for call in calls} == {f"/bench/string/{number}/moved" for number in (2, 3, 4)}
    assert [call.args for call in calls if isinstance(call, Call)] == [(0.5,)] * 3
