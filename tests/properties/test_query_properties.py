"""For any session and any requests the description is JSON in the forms of the query protocol."""

from __future__ import annotations

import json
import math
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.api.address_table import TABLE, concrete_addresses, lookup
from oscservice.api.argument_values import ITEMS, MAX_FRETS, MAX_STRINGS
from oscservice.osc.address import Argument
from oscservice.osc.packet import Value
from oscservice.osc.query_nodes import ATTRIBUTES, Node, described, news, one, whole

SPACES = st.builds(
    lambda strings, frets, items, simulated: concrete_addresses(
        strings, fret_count=frets, items=items, simulated=simulated
    ),
    st.integers(0, MAX_STRINGS),
    st.integers(0, MAX_FRETS),
    st.lists(st.sampled_from(sorted(ITEMS)), unique=True),
    st.booleans(),
)
PREFIXES = st.lists(st.from_regex(r"[A-Za-z0-9._~+-]+", fullmatch=True), min_size=1, max_size=4).map(
    lambda parts: "/" + "/".join(parts)
)
FORMS: dict[str, tuple[type, ...]] = {"i": (int,), "f": (int, float), "s": (str,)}


def value(argument: Argument) -> st.SearchStrategy[Value]:
    """Anything of an argument's type that can be published, and what can't be: NaN and infinity."""
    if argument.tag == "i":
        return st.integers(-(2**31), 2**31 - 1)
    return st.floats(width=32) if argument.tag == "f" else st.text(max_size=20)


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is not JSON")


def conforms(node: Node, told: dict[str, Any]) -> None:
    assert told["FULL_PATH"] == node.full_path
    assert set(told) <= ATTRIBUTES
    assert ("TYPE" in told) == (node.address is not None)
    assert ("CONTENTS" in told) == bool(node.contents)
    for name in ("VALUE", "RANGE", "UNIT", "CLIPMODE"):
        assert len(told.get(name, told.get("TYPE", ""))) == len(told.get("TYPE", ""))
    for tag, item in zip(told.get("TYPE", ""), told.get("VALUE", ()), strict="VALUE" in told):
        assert item is None or (isinstance(item, FORMS[tag]) and not isinstance(item, bool))
        assert not isinstance(item, float) or math.isfinite(item)
    for name, child in told.get("CONTENTS", {}).items():
        conforms(node.contents[name], child)


@settings(max_examples=40, deadline=None)
@given(st.data(), PREFIXES, SPACES)
def test_the_description_is_json_in_the_forms_of_the_protocol(
    data: st.DataObject, prefix: str, paths: list[str]
) -> None:
    nodes = described(TABLE, prefix, paths)
    readable = [node for node in nodes.values() if node.address is not None and not node.unreadable]
    sent = data.draw(st.lists(st.sampled_from(readable), max_size=8, unique_by=lambda node: node.relative))
    known = {node.relative: data.draw(st.tuples(*map(value, node.arguments))) for node in sent}
    told = json.loads(json.dumps(whole(nodes["/"], known), allow_nan=False), parse_constant=refuse)
    conforms(nodes["/"], told)
    for node in sent:
        own = whole(node, known)
        for attribute in ATTRIBUTES:
            assert one(node, attribute, known) == ({attribute: own[attribute]} if attribute in own else {})


@settings(max_examples=60, deadline=None)
@given(PREFIXES, SPACES, SPACES)
def test_a_client_can_follow_by_the_changes_it_is_sent(prefix: str, before: list[str], after: list[str]) -> None:
    """A client that drops what was removed, with all below, and asks again for what was added has the new tree."""
    old, new = described(TABLE, prefix, before), described(TABLE, prefix, after)
    told = news(old, new)
    kept = {path for path in old if not any((path + "/").startswith(gone + "/") for gone in told.removed)}
    came = {path for path in new if any((path + "/").startswith(here + "/") for here in told.added)}
    assert kept | came == set(new)
    assert not kept & came
    assert all(lookup(node.relative) is not None for node in new.values() if node.address is not None)
