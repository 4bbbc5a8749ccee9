"""From messages to calls: types, ranges, buttons and patterns."""

from __future__ import annotations

import math
from typing import Any

import pytest

from oscservice.api.address_table import address_space
from oscservice.osc.address import AddressSpace, Call
from oscservice.osc.dispatch import RefusedCall, is_answer, resolve
from oscservice.osc.packet import Message
from oscservice.osc.pattern import matches
from oscservice.osc.refusal import ErrorCode

BENCH = address_space("/bench", string_count=6)


def ask(address: str, tags: str = "", *args: Any, space: AddressSpace = BENCH) -> list[Call | RefusedCall]:
    return resolve(Message(address, args, tags), space)


def taken(address: str, tags: str = "", *args: Any, space: AddressSpace = BENCH) -> tuple[Any, ...]:
    (call,) = ask(address, tags, *args, space=space)
    assert isinstance(call, Call), call
    assert call.concrete == address
    return call.args


def refused(address: str, tags: str = "", *args: Any, space: AddressSpace = BENCH) -> ErrorCode:
    (refusal,) = ask(address, tags, *args, space=space)
    assert isinstance(refusal, RefusedCall), refusal
    assert refusal.text
    assert "\n" not in refusal.text
    return refusal.code


def test_published_dispatch_example() -> None:
    """OSC 1.0 examples page (Wright, 2002): a bundle of three messages calls all six methods, in three groups."""
    methods = ["/first/this/one", "/second/1", "/second/2", "/third/a", "/third/b", "/third/c"]
    bundle = ["/first/this/one", "/second/[1-2]", "/third/*"]
    called = [[method for method in methods if matches(pattern, method)] for pattern in bundle]
    assert called == [methods[:1], methods[1:3], methods[3:]]


def test_a_call_carries_its_declaration_and_string() -> None:
    (call,) = ask("/bench/string/3/moved", "f", -0.5)
    assert isinstance(call, Call)
    assert (call.address.path, call.params, call.args) == ("/string/{string}/moved", {"string": 3}, (-0.5,))


@pytest.mark.parametrize(("tag", "value"), [("i", 1), ("f", 1.0), ("h", 1), ("d", 1.0)])
def test_numbers_come_in_any_number_type(tag: str, value: float) -> None:
    (moved,) = taken("/bench/string/3/moved", tag, value)
    assert (moved, type(moved)) == (1.0, float)
    (port,) = taken("/bench/subscribe", tag, value + 8999)
    assert (port, type(port)) == (9000, int)


def test_a_length_may_come_as_a_text_with_its_unit() -> None:
    assert taken("/bench/string/3/moved", "s", "-0.5 mm") == (-0.5,)
    assert taken("/bench/string/3/moved", "S", "1/64 in") == (0.396875,)
    assert taken("/bench/session/measured", "ss", "relief", "0.008 in") == ("relief", 0.2032)
    assert taken("/bench/string/3/saddle/at", "s", '1 1/2"') == (38.1,)
    assert refused("/bench/session/measured", "ss", "relief", "1 in") is ErrorCode.OUT_OF_RANGE
    assert refused("/bench/session/measured", "ss", "relief", "x" * 201) is ErrorCode.OUT_OF_RANGE
    (refusal,) = ask("/bench/session/measured", "ss", "relief", "0.008")
    assert isinstance(refusal, RefusedCall)
    assert (refusal.code, refusal.text) == (
        ErrorCode.WRONG_TYPES,
        "takes s (what), f or s (value, mm); found '0.008' without a unit; add mm or in: 0.008 mm or 0.008 in",
    )
    (refusal,) = ask("/bench/session/measured", "sb", "relief", b"0.2")
    assert isinstance(refusal, RefusedCall)
    assert refusal.text == "takes s (what), f or s (value, mm); got sb"


@pytest.mark.parametrize(("tag", "value", "on"), [("T", True, 1), ("F", False, 0), ("i", 1, 1), ("f", 0.0, 0)])
def test_switches_come_in_any_type(tag: str, value: float, on: int) -> None:
    (got,) = taken("/bench/listen", tag, value)
    assert (got, type(got)) == (on, int)


def test_optional_arguments_may_be_left_out() -> None:
    assert taken("/bench/session/begin", "ss", "six", "bench 1") == ("six", "bench 1")
    assert taken("/bench/session/begin", "ssi", "six", "bench 1", 2) == ("six", "bench 1", 2.0)
    assert taken("/bench/string/3/focus") == ()
    assert taken("/bench/string/3/focus", "s", "fret 12") == ("fret 12",)


@pytest.mark.parametrize(
    ("address", "tags", "args"),
    [
        ("/bench/string/3/moved", "", ()),
        ("/bench/string/3/moved", "s", ("0.5",)),
        ("/bench/string/3/moved", "ff", (0.5, 0.5)),
        ("/bench/string/3/moved", "T", (True,)),
        ("/bench/string/3/moved", "[f]", ((0.5,),)),
        ("/bench/string/3/moved", "N", (None,)),
        ("/bench/string/3/moved", "t", (1,)),
        ("/bench/string/3/set_aside", "f", (1.0,)),
        ("/bench/string/3/set_aside", "c", ("x",)),
        ("/bench/string/3/set_aside", "b", (b"x",)),
        ("/bench/session/begin", "s", ("six",)),
        ("/bench/session/next", "s", ("x",)),
        ("/bench/session/next", "ff", (1.0, 1.0)),
        ("/bench/listen", "s", ("on",)),
    ],
)
def test_wrong_types(address: str, tags: str, args: tuple[Any, ...]) -> None:
    assert refused(address, tags, *args) is ErrorCode.WRONG_TYPES


@pytest.mark.parametrize(
    ("address", "tags", "args"),
    [
        ("/bench/string/3/moved", "f", (math.nan,)),
        ("/bench/string/3/moved", "d", (-math.inf,)),
        ("/bench/string/3/moved", "f", (25.5,)),
        ("/bench/string/3/moved", "d", (1e300,)),
        ("/bench/listen", "i", (2,)),
        ("/bench/listen", "f", (0.5,)),
        ("/bench/listen", "f", (math.inf,)),
        ("/bench/subscribe", "f", (9000.5,)),
        ("/bench/subscribe", "i", (80,)),
        ("/bench/session/begin", "ssf", ("six", "x", 0.0)),
        ("/bench/session/inspect", "ss", ("frets", "fine")),
        ("/bench/string/3/set_aside", "s", ("x" * 201,)),
        ("/bench/string/3/set_aside", "s", ("two\nlines",)),
        ("/bench/string/3/set_aside", "s", ("\x1b[2J",)),
    ],
)
def test_out_of_range(address: str, tags: str, args: tuple[Any, ...]) -> None:
    assert refused(address, tags, *args) is ErrorCode.OUT_OF_RANGE


@pytest.mark.parametrize(
    "address",
    [
        *("/", "/bench", "/bench/", "/benchmark/ping", "/ping", "/bench/nonsense", "/bench/string/13/focus"),
        *("/bench/phase", "/bench/string/3/cents", "///ping", "/bench///ping", "/bench/ping/"),
        *("/bench/ping#", "/bench/pi ng"),
    ],
)
def test_unknown_addresses(address: str) -> None:
    assert refused(address) is ErrorCode.UNKNOWN_ADDRESS


@pytest.mark.parametrize("address", ["//ping", "/bench//ping", "//bench/ping"])
def test_two_slashes_reach_a_command_at_any_depth(address: str) -> None:
    (call,) = ask(address)
    assert isinstance(call, Call)
    assert call.concrete == "/bench/ping"


@pytest.mark.parametrize(("tag", "value"), [("f", 0.0), ("i", 0), ("F", False), ("d", 0.0)])
@pytest.mark.parametrize("address", ["/bench/session/next", "/bench/string/3/focus", "/bench/string/[1-3]/slackened"])
def test_a_button_release_is_ignored(address: str, tag: str, value: float) -> None:
    assert ask(address, tag, value) == []


@pytest.mark.parametrize(("tag", "value"), [("f", 1.0), ("i", 127), ("T", True), ("I", True)])
def test_a_button_press_calls_without_arguments(tag: str, value: float) -> None:
    assert taken("/bench/session/next", tag, value) == ()


def test_zero_is_a_number_where_a_number_is_asked_for() -> None:
    assert taken("/bench/string/3/moved", "f", 0.0) == (0.0,)


def test_a_pattern_calls_every_address_it_matches_with_the_same_arguments() -> None:
    calls = ask("/bench/string/[!1-4]/moved", "i", 1)
    assert [(c.concrete, c.args) for c in calls if isinstance(c, Call)] == [
        ("/bench/string/5/moved", (1.0,)),
        ("/bench/string/6/moved", (1.0,)),
    ]
    both = ask("/bench/session/{next,undo}")
    assert [c.concrete for c in both] == ["/bench/session/next", "/bench/session/undo"]
    assert [c.concrete for c in ask("/b*/p?ng")] == ["/bench/ping"]


def test_every_match_of_a_pattern_is_checked_for_itself() -> None:
    outcomes = ask("/bench/string/1/{moved,set_aside}", "f", 1.0)
    assert [type(outcome) for outcome in outcomes] == [Call, RefusedCall]


@pytest.mark.parametrize("address", ["/bench/nothing*", "/bench/string/[7-9]/focus", "/bench/phas?", "/bench/[", "/*"])
def test_a_pattern_without_a_match_or_a_malformed_one(address: str) -> None:
    assert refused(address) is ErrorCode.UNKNOWN_ADDRESS


def test_patterns_reach_the_strings_there_are() -> None:
    eight, none = address_space("/bench", string_count=8), address_space("/bench")
    assert len(ask("/bench/string/*/slackened", space=eight)) == 8
    assert refused("/bench/string/*/slackened", space=none) is ErrorCode.UNKNOWN_ADDRESS


def test_simulator_commands_need_the_simulated_source() -> None:
    simulated = address_space("/bench", 6, simulated=True)
    assert refused("/bench/simulator/damp") is ErrorCode.REFUSED
    assert refused("/bench/simulator/*") is ErrorCode.UNKNOWN_ADDRESS
    assert taken("/bench/simulator/damp", space=simulated) == ()
    assert taken("/bench/simulator/pluck", "is", 1, "fret 12", space=simulated) == (1, "fret 12")


def test_another_root() -> None:
    left = address_space("/shop/left", 6)
    assert taken("/shop/left/session/next", space=left) == ()
    assert len(ask("/shop/*/string/?/slackened", space=left)) == 6
    assert refused("/bench/session/next", space=left) is ErrorCode.UNKNOWN_ADDRESS


@pytest.mark.parametrize("address", ["/bench/reply", "/bench/error", "/other/error", "/done", "/fail", "/reply"])
def test_answers_are_known_as_such(address: str) -> None:
    assert is_answer(Message(address, (), ""))


def test_a_command_is_no_answer() -> None:
    assert not is_answer(Message("/bench/ping", (), ""))
