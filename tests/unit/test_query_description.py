"""The address space as the open OSC query protocol describes it: the tree, and the attributes of its nodes."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from oscservice.api.address_table import TABLE, concrete_addresses, lookup
from oscservice.api.argument_values import ANSWER
from oscservice.osc.query_nodes import ATTRIBUTES, OPTIONAL, READ, WRITE, described, host_info, news, one, whole

PATHS = concrete_addresses(2, fret_count=3, items=("frets",))
NODES = described(TABLE, "/bench", PATHS)


def test_the_tree_has_exactly_the_addresses_and_their_containers() -> None:
    answers = [a.path for a in TABLE if a.direction is ANSWER]
    methods = {path for path, node in NODES.items() if node.address is not None}
    assert methods == {"/bench" + path for path in PATHS if path not in answers}
    assert answers == ["/reply", "/error"]
    for path, node in NODES.items():
        assert node.full_path == path
        for name, child in node.contents.items():
            assert child is NODES[("" if path == "/" else path) + "/" + name]
    assert sum(len(node.contents) for node in NODES.values()) == len(NODES) - 1


def test_without_an_instrument_only_the_root_and_permanent_addresses_exist() -> None:
    assert list(described(TABLE, "/shop/two", []))[::-1] == ["/", "/shop", "/shop/two"]
    assert "/bench/string" not in described(TABLE, "/bench", concrete_addresses(0))


def test_an_address_that_is_not_declared_is_no_part_of_it() -> None:
    with pytest.raises(ValueError, match="/nonsense is not declared"):
        described(TABLE, "/bench", ["/nonsense"])


def test_a_node_that_is_called_and_contains_others_has_both() -> None:
    told = whole(NODES["/bench/prompt"], {"/prompt": ("pluck",), "/prompt/text": ("Pluck string 1.",)})
    contents = told["CONTENTS"]
    assert isinstance(contents, dict)
    assert (told["TYPE"], told["VALUE"], sorted(contents)) == ("s", ["pluck"], ["caution", "reason", "text", "tool"])
    assert one(NODES["/bench/prompt/text"], "VALUE", {}) == {"VALUE": [None]}


def test_a_pure_container_has_only_its_path_and_contents() -> None:
    assert set(whole(NODES["/bench/string"], {})) == {"FULL_PATH", "CONTENTS"}
    assert one(NODES["/bench/string"], "TYPE", {}) == {}
    assert one(NODES["/bench/phase"], "CONTENTS", {}) == {}


def test_the_description_of_a_live_value() -> None:
    told = whole(NODES["/bench/string/2/cents"], {"/string/2/cents": (-2.5,)})
    assert told == {
        "FULL_PATH": "/bench/string/2/cents",
        "TYPE": "f",
        "ACCESS": READ,
        "VALUE": [-2.5],
        "UNIT": ["time.cents"],
        "CLIPMODE": ["none"],
        "CRITICAL": False,
        "TAGS": ["live"],
        "DESCRIPTION": "Deviation from the pitch of the recognised place; + sharp. Arguments: deviation (cents).",
    }


def test_a_command_is_written_and_its_arguments_have_ranges_and_units() -> None:
    told = whole(NODES["/bench/string/1/moved"], {})
    assert (told["ACCESS"], told["CRITICAL"], told["TYPE"]) == (WRITE, True, "f")
    assert (told["RANGE"], told["UNIT"]) == ([{"MIN": -25, "MAX": 25}], ["distance.mm"])
    assert "VALUE" not in told
    assert NODES["/bench/string/1/moved"].unreadable
    assert not NODES["/bench/phase"].unreadable
    assert not NODES["/bench/string"].unreadable


def test_a_switch_is_from_0_to_1_and_a_word_one_of_its_list() -> None:
    assert one(NODES["/bench/listen"], "RANGE", {}) == {"RANGE": [{"MIN": 0, "MAX": 1}]}
    assert one(NODES["/bench/audio/state"], "RANGE", {}) == {
        "RANGE": [{"VALS": ["starting", "running", "ended", "lost"]}]
    }


def test_a_range_begins_at_0_if_0_means_the_default() -> None:
    ranges = whole(NODES["/bench/subscribe"], {})["RANGE"]
    assert isinstance(ranges, list)
    assert ranges[0] == {"MIN": 0, "MAX": 65535}


def test_arguments_without_unit_or_range_are_null_next_to_others() -> None:
    told = whole(NODES["/bench/reading"], {})
    assert told["TYPE"] == "isisiffff"
    units, ranges = told["UNIT"], told["RANGE"]
    assert units == [None, None, None, None, None, "time.hz", "time.cents", "time.cents", "gain.db"]
    assert isinstance(ranges, list)
    assert ranges[0] == {"MIN": 1, "MAX": 12}
    assert ranges[3] is None
    assert ranges[5] == {"MIN": 0}


def test_arguments_that_may_be_left_out_make_shorter_overloads() -> None:
    told = whole(NODES["/bench/session/begin"], {})
    shorter = told["OVERLOADS"]
    assert told["TYPE"] == "ssfss"
    assert isinstance(shorter, list)
    assert [s["TYPE"] for s in shorter if isinstance(s, dict)] == ["ss", "ssf", "ssfs"]
    assert shorter[0] == {"TYPE": "ss", "CLIPMODE": ["none", "none"]}
    assert "OVERLOADS" not in whole(NODES["/bench/session/next"], {})
    assert whole(NODES["/bench/session/next"], {})["TYPE"] == ""
    assert one(NODES["/bench/string/1/focus"], "OVERLOADS", {}) == {"OVERLOADS": [{"TYPE": ""}]}
    measured = whole(NODES["/bench/session/measured"], {})
    assert (measured["TYPE"], measured["UNIT"]) == ("sf", [None, "distance.mm"])
    assert measured["OVERLOADS"] == [{"TYPE": "ss", "CLIPMODE": ["none", "none"]}]


def test_repeatable_arguments_are_described_once_for_each_string() -> None:
    assert [a.path for a in TABLE if a.rest and a.direction is not ANSWER] == ["/string/{string}/coupling"]
    node = NODES["/bench/string/1/coupling"]
    told = whole(node, {})
    assert (told["TYPE"], told["VALUE"], told["UNIT"]) == ("ff", [None, None], ["time.cents"] * 2)
    assert one(node, "VALUE", {"/string/1/coupling": (100.0, -9.0)}) == {"VALUE": [100.0, -9.0]}


def test_numbers_that_json_has_no_form_for_are_null() -> None:
    for value in (math.nan, math.inf, -math.inf, np.float32("nan")):
        assert one(NODES["/bench/string/1/hz"], "VALUE", {"/string/1/hz": (value,)}) == {"VALUE": [None]}
    told = one(NODES["/bench/string/1/hz"], "VALUE", {"/string/1/hz": (np.float64(82.5),)})
    assert json.dumps(told) == '{"VALUE": [82.5]}'


def test_every_attribute_in_a_description_may_be_asked_for() -> None:
    told = {name for node in NODES.values() for name in whole(node, {})}
    assert told == ATTRIBUTES
    extensions = host_info("a bench", 9787, None)["EXTENSIONS"]
    assert isinstance(extensions, dict)
    assert set(OPTIONAL) == ATTRIBUTES - {"FULL_PATH", "CONTENTS", "TYPE"}
    assert set(OPTIONAL) < set(extensions)
    assert set(extensions.values()) == {True}


def test_every_node_is_described_and_its_lists_are_as_long_as_its_type() -> None:
    for node in NODES.values():
        if node.address is None:
            continue
        told = whole(node, {})
        assert lookup(node.relative) is not None
        assert isinstance(told["TYPE"], str)
        assert told["TYPE"] == "".join(argument.tag for argument in node.arguments)
        assert str(told["DESCRIPTION"]).startswith(node.address.text)
        for name in ("VALUE", "RANGE", "UNIT", "CLIPMODE"):
            items = told.get(name, [None] * len(told["TYPE"]))
            assert isinstance(items, list)
            assert len(items) == len(told["TYPE"]), (node.full_path, name)


def test_host_info_leaves_out_the_wildcard_address() -> None:
    told = host_info("a bench", 9787, "192.0.2.7")
    assert (told["OSC_IP"], told["WS_IP"]) == ("192.0.2.7", "192.0.2.7")
    assert (told["OSC_PORT"], told["WS_PORT"], told["OSC_TRANSPORT"]) == (9787, 9787, "UDP")
    assert not {"OSC_IP", "WS_IP"} & set(host_info("a bench", 9787, None))


def test_news_names_only_the_topmost_nodes_that_came_or_went() -> None:
    nothing, six, seven = (described(TABLE, "/bench", concrete_addresses(n)) for n in (0, 6, 7))
    came = news(nothing, six)
    assert (came.added, came.removed) == (("/bench/string",), ())
    assert news(six, nothing).removed == ("/bench/string",)
    assert news(six, seven).added == ("/bench/string/7",)
    assert news(seven, six).removed == ("/bench/string/7",)
    same = news(six, six)
    assert (same.added, same.removed) == ((), ())
