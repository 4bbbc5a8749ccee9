"""Foreign messages that are bound to commands: wildcards, conditions, and arguments."""

from __future__ import annotations

import math

import pytest

from oscservice.bindings.binding import (
    Binding,
    Bindings,
    Condition,
    Edges,
    Piece,
    Taken,
    When,
    fill,
    holds,
    is_plain,
    made,
    numbers_in,
)
from oscservice.osc.packet import Colour, Message, decode, encode
from oscservice.osc.pattern import CapturingPattern

NEXT = "/bench/session/next"


def message(address: str, *args: float | str | bool | None, tags: str = "") -> Message:
    kinds = {bool: "T", int: "i", float: "f", str: "s", type(None): "N"}
    return Message(address, args, tags or "".join(kinds[type(one)] for one in args))


def asked(binding: Binding, *messages: Message, sender: str = "a", phase: str = "idle") -> list[int]:
    """Return the number of commands of each message."""
    bindings = Bindings([binding])
    return [len(bindings.commands(one, sender, phase) or []) for one in messages]


# Wildcards


@pytest.mark.parametrize(
    ("pattern", "address", "found"),
    [
        ("/grid/button/*", "/grid/button/12", ("12",)),
        ("/grid/*/*", "/grid/row/3", ("row", "3")),
        ("/grid/b*", "/grid/b", ("",)),
        ("/b?[1-3]{on,off}", "/bx2off", ("x", "2", "off")),
        ("/{a,ab}{bc,c}", "/abc", ("a", "bc")),
        ("/a*b*c", "/axbybzc", ("x", "ybz")),
        ("/exact", "/exact", ()),
        ("//fader/*", "/left/top/fader/7", ("7",)),
        ("/top//*", "/top/a/b/c", ("c",)),
        ("/a*/b//c?", "/ax/b/y/cz", ("x", "z")),
        ("/top//", "/top/anything", ()),
        ("/grid/*", "/grid/1/2", None),
        ("/grid/[1-3]", "/grid/4", None),
    ],
)
def test_the_text_of_each_wildcard(pattern: str, address: str, found: tuple[str, ...] | None) -> None:
    assert CapturingPattern(pattern).match(address) == found


@pytest.mark.parametrize("pattern", ["/a[", "/{a", "/[]", "/a//b//c", "/" + "?" * 10])
def test_a_pattern_that_cant_be_followed_is_refused(pattern: str) -> None:
    with pytest.raises(ValueError):
        CapturingPattern(pattern)


def test_templates_are_filled() -> None:
    assert fill("/bench/string/{2}/focus{1}", ("a", "5")) == "/bench/string/5/focusa"
    assert fill("{x} {0} {10}", ("a",)) == "{x} {0} {10}"
    assert numbers_in("/{1}/{3}{3}") == {1, 3}
    assert [is_plain(text) for text in ("a-1", "", "a b", "a*", "{1}", "é", "a/b", "#")] == [True, True, *[False] * 6]


# Conditions


def test_a_button_counts_when_it_goes_down() -> None:
    conditions = (Condition(1, When.RISING),)
    presses = [message("/b", value) for value in (1, 1, 0, 1.0, 0.0, True, 0, 127)]
    assert asked(Binding("/b", NEXT, conditions=conditions), *presses) == [1, 0, 0, 1, 0, 1, 0, 1]


def test_falling_never_counts_at_first() -> None:
    conditions = (Condition(1, When.FALLING),)
    states = [message("/recording", value) for value in (0, 0, 1, 0, 0, 1, 1, 0)]
    assert asked(Binding("/recording", NEXT, conditions=conditions), *states) == [0, 0, 0, 1, 0, 0, 0, 1]


def test_each_sender_and_address_has_its_own_edges() -> None:
    bindings = Bindings([Binding("/b/*", NEXT, conditions=(Condition(1, When.RISING),))])
    heard = [("a", "/b/1"), ("a", "/b/2"), ("b", "/b/1"), ("a", "/b/1")]
    assert [len(bindings.commands(message(at, 1), who, "") or []) for who, at in heard] == [1, 1, 1, 0]


@pytest.mark.parametrize(
    ("condition", "args", "true"),
    [
        (Condition(1, When.EQUALS, 0.1), (0.10000000149011612,), True),
        (Condition(1, When.EQUALS, 2), (2.0,), True),
        (Condition(1, When.EQUALS, 2), (2.1,), False),
        (Condition(1, When.EQUALS, 1), (True,), True),
        (Condition(1, When.EQUALS, 1), ("1",), False),
        (Condition(2, When.EQUALS, "stop"), (5, "stop"), True),
        (Condition(2, When.EQUALS, "stop"), (5,), False),
        (Condition(1, When.ABOVE, 0.5), (0.6,), True),
        (Condition(1, When.ABOVE, 0.5), (0.5,), False),
        (Condition(1, When.ABOVE, 0.5), (math.nan,), False),
        (Condition(1, When.BELOW, 0.5), (-math.inf,), False),
        (Condition(1, When.BELOW, 0.5), (0,), True),
        (Condition(1, When.RISING), ("on",), False),
        (Condition(1, When.RISING), (), False),
        (Condition(1, When.ANY), (), True),
    ],
)
def test_conditions(condition: Condition, args: tuple[float | str, ...], true: bool) -> None:
    assert holds([condition], args, Edges(), "key") is true


def test_once_means_when_the_condition_has_just_become_true() -> None:
    conditions = (Condition(1, When.ABOVE, 0.5, once=True),)
    fader = [message("/f", value) for value in (0.2, 0.6, 0.9, 0.4, 0.7)]
    assert asked(Binding("/f", NEXT, conditions=conditions), *fader) == [0, 1, 0, 0, 1]


def test_all_conditions_have_to_be_true_and_each_keeps_its_edge() -> None:
    conditions = (Condition(1, When.EQUALS, "x"), Condition(2, When.RISING))
    messages = [message("/b", *args) for args in (("y", 1), ("x", 1), ("x", 0), ("x", 1))]
    assert asked(Binding("/b", NEXT, conditions=conditions), *messages) == [0, 0, 0, 1]


def test_edges_are_forgotten_and_never_pile_up() -> None:
    edges = Edges(most=3)
    for number in range(10):
        edges.became(number, True, at_first=True)
    assert len(edges) == 3
    assert edges.became(9, True, at_first=True) is False
    assert edges.became(0, True, at_first=True) is True


# Arguments


@pytest.mark.parametrize(
    ("piece", "args", "value"),
    [
        (Taken(argument=1), (3,), 3),
        (Taken(argument=1), (0.25,), 0.25),
        (Taken(argument=1), (True,), 1),
        (Taken(argument=1), ("text",), "text"),
        (Taken(argument=2), (3,), None),
        (Taken(argument=1), (None,), None),
        (Taken(argument=1), (b"blob",), None),
        (Taken(argument=1), (math.nan,), None),
        (Taken(argument=1, scale=6.0, offset=-3.0), (0.75,), 1.5),
        (Taken(argument=1, scale=6.0, offset=-3.0, step=0.5), (0.7,), 1.0),
        (Taken(argument=1, low=0.0, high=1.0), (127,), 1.0),
        (Taken(argument=1, low=0.0, high=1.0), (-5,), 0.0),
        (Taken(argument=1, scale=2.0), ("text",), None),
        (Taken(argument=1, scale=1e300), (1e300,), None),
        (Taken(argument=1, scale=1e300, step=1.0), (1e300,), None),
        (Taken(argument=1, step=1e-300), (1e300,), None),
        (Taken(argument=1, scale=1e300, high=1.0), (1e300,), None),
        (Taken(argument=1, type="int"), (2.6,), 3),
        (Taken(argument=1, type="rgba"), ("#FF8000",), Colour(0xFF8000FF)),
        (Taken(argument=1, type="rgba"), ("#00ff7f20",), Colour(0x00FF7F20)),
        (Taken(argument=1, type="rgba", map={"to move": "#FF0000"}, otherwise="#000000"), ("slack",), Colour(0xFF)),
        (Taken(argument=1, type="rgba"), ("red",), None),
        (Taken(argument=1, type="rgba"), (255,), None),
        (Taken(argument=1, type="float"), (2,), 2.0),
        (Taken(argument=1, type="int"), ("2",), None),
        (Taken(argument=1, type="text"), (2,), "2"),
        (Taken(argument=1, decimals=1, sign=True, after=" mm"), (0.449,), "+0.4 mm"),
        (Taken(argument=1, decimals=1, sign=True), (-0.01,), "+0.0"),
        (Taken(argument=1, decimals=0), (-2.5,), "-2"),
        (Taken(argument=1, before="string "), (6,), "string 6"),
        (Taken(argument=1, before="<", after=">"), ("settled",), "<settled>"),
        (Taken(argument=1, longest=4), ("settled",), "sett"),
        (Taken(argument=1, map={"to move": 2, "settled": 1}), ("settled",), 1),
        (Taken(argument=1, map={"to move": 2}), ("slack",), None),
        (Taken(argument=1, map={"to move": 2}, otherwise=0), ("slack",), 0),
        (Taken(argument=1, map={"1": "on", "0": "off"}), (1.0,), "on"),
        (Taken(argument=1, map={"1": "on", "0": "off"}), (False,), "off"),
        (Taken(wildcard=1), (), "x"),
        (Taken(wildcard=2), (), 7),
        (Taken(wildcard=2, scale=0.5), (), 3.5),
        ("string {2} of {1}", (), "string 7 of x"),
        (4, (), 4),
    ],
)  # fmt: skip
def test_arguments_are_made(piece: Piece, args: tuple[float | str | None, ...], value: float | str | None) -> None:
    found = made([piece], args, ("x", "7"))
    assert found == (None if value is None else (value,))
    if value is not None and found is not None:
        assert type(found[0]) is type(value)


# Bindings


def test_a_release_is_ignored_unless_the_binding_has_a_condition() -> None:
    press, release, bare = message("/b", 1), message("/b", 0), message("/b")
    assert asked(Binding("/b", NEXT), press, release, message("/b", 0.0), bare, message("/b", False)) == [1, 0, 0, 1, 0]
    passed_on = Binding("/b", "/bench/listen", (Taken(argument=1),))
    assert asked(passed_on, press, release, bare) == [1, 1, 0]


def test_one_binding_serves_all_strings() -> None:
    bindings = Bindings([Binding("/grid/button/*", "/bench/string/{1}/focus", ("fret {1}",))])
    (own,) = bindings.commands(message("/grid/button/5", 1), "a", "") or []
    assert own == Message("/bench/string/5/focus", ("fret 5",), "s")


def test_every_binding_that_matches_is_carried_out_in_order() -> None:
    listen, quick = Binding("/rec", "/bench/listen", (1,)), Binding("/rec", "/bench/session/quick", (".",))
    found = Bindings([listen, quick]).commands(message("/rec", 1), "a", "idle")
    assert [one.address for one in found or []] == ["/bench/listen", "/bench/session/quick"]


def test_phases_choose_what_a_button_means() -> None:
    moving = Binding("/b", "/bench/string/1/slackened", phases=frozenset({"moving"}))
    assert [asked(moving, message("/b"), phase=phase) for phase in ("idle", "moving")] == [[0], [1]]


def test_an_unbound_message_gives_none_and_an_unmet_condition_gives_no_command() -> None:
    bindings = Bindings([Binding("/b", NEXT)])
    assert bindings.commands(message("/c", 1), "a", "") is None
    assert bindings.commands(message("/b", 0), "a", "") == []
    assert Bindings([]).commands(message("/b"), "a", "") is None


def test_an_ignored_message_is_known_and_causes_nothing() -> None:
    bindings = Bindings([Binding("/recorder/stop", NEXT)], ["/recorder/meter/*", "/recorder//"])
    assert bindings.commands(message("/recorder/meter/3", 0.5), "a", "") == []
    assert bindings.commands(message("/recorder/a/b", 0.5), "a", "") == []
    assert len(bindings.commands(message("/recorder/stop", 1), "a", "") or []) == 1
    assert bindings.commands(message("/other", 1), "a", "") is None


def test_a_wildcards_text_never_makes_a_pattern_of_a_command() -> None:
    bindings = Bindings([Binding("/b/*", "/bench/string/{1}/focus")])
    for address in ("/b/*", "/b/{1,2}", "/b/[1-6]", "/b/a b", "/b/#", "//b"):
        assert bindings.commands(message(address, 1), "a", "") is None, address
    assert bindings.commands(message("/b/", 1), "a", "") == [], "an empty part would leave //: any levels"


def test_a_binding_makes_messages_that_can_be_sent() -> None:
    bindings = Bindings([Binding("/b/*", "/bench/string/{1}/moved", (Taken(argument=1, scale=0.5),))])
    (own,) = bindings.commands(message("/b/2", 3), "a", "") or []
    (again,) = decode(encode(own.address, *own.args))  # type: ignore[arg-type]
    assert again.message == own
