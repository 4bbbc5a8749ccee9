"""Golden datagrams: what the daemon sends in three sessions, byte for byte."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

import pytest
from golden import differences
from golden.datagrams import DRIVEN, driven, encoded
from golden.differences import CHANGED_NUMBERS
from golden.stored import EXACT, FOLDER, difference, may_differ_by, read, without_numbers

from oscservice.sentences.sentence_table import ENGLISH

NEAR = 0.0 if EXACT else 1e-6  # floats have 24 bits
ROOT = "/bench"

WHERE_NEW_ADDRESSES_GO = "a new address goes into NEW_ADDRESSES of tests/golden/differences.py"


def golden_lines(name: str) -> list[str]:
    return read(FOLDER / "datagrams" / f"{name}.jsonl.gz")


def path_of(address: str) -> str:
    """The address as the lists of differences have it, with its numbers."""
    return address.removeprefix(ROOT)


def without_new_addresses(lines: Iterable[str]) -> Iterator[str]:
    """Lines without the messages that the golden datagrams do not know: to new addresses, and of inspection items."""
    caution = None
    for line in lines:
        if not line.startswith(">"):
            address, _, *values = json.loads(line)
            path = path_of(address)
            if without_numbers(path) in differences.NEW_ADDRESSES or (path == "/event" and _of_new_item(values[0])):
                continue
            if path == "/prompt/caution":
                told = json.dumps(values[0])
                if values[0] in CAUTIONS or told == caution:  # no other comes after it: none is sent twice
                    continue
                caution = told
        yield line


CAUTIONS = {
    ENGLISH.text(*key, tool="", adjuster=ENGLISH.text("tool", "cutter", "name"))
    for key in ENGLISH.texts
    if key[0] == "item" and key[1] in differences.CAUTIONED_ITEMS and key[2].startswith("caution")
}
"""Those cautions: they are left out."""


def _of_new_item(text: str) -> bool:
    return any(text.startswith(f"inspection: {item} ") for item in differences.NEW_ITEMS)


def without_repeats(lines: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Lines with what made each be sent. A value that is sent again because its last bits changed is left out: on
    another processor they may not have. The same goes for a number that may differ from the golden one."""
    last: dict[str, Any] = {}
    why = ""
    for line in lines:
        if line.startswith(">"):
            why = line
        else:
            address, tags, *values = json.loads(line)
            path = path_of(address)
            again = set(tags) == {",", "f"} and difference(last.get(address), values, path, NEAR) is None
            last[address] = values
            if again and (not EXACT or may_differ_by(path)):
                continue
        yield line, why


@pytest.mark.parametrize("name", DRIVEN)
def test_the_daemon_sends_the_same(name: str) -> None:
    lines, sent = driven(name)
    for line, packet in zip(lines, sent, strict=True):
        if packet is not None:
            address, _, *values = json.loads(line)
            assert packet == encoded(address, values), f"{packet!r} is not how {line} is encoded"
    golden = list(without_repeats(golden_lines(name)))
    now = list(without_repeats(without_new_addresses(lines)))
    for number, ((old, _), (new, why)) in enumerate(zip(golden, now, strict=False), 1):
        if old.startswith(">") or new.startswith(">"):
            assert old == new, f"line {number}, after {why}: not as many messages as before; {WHERE_NEW_ADDRESSES_GO}"
            continue
        (address, *before), (sent_to, *after) = json.loads(old), json.loads(new)
        assert address == sent_to, f"line {number}, after {why}: to {sent_to}; {WHERE_NEW_ADDRESSES_GO}"
        found = difference(before, after, path_of(address), NEAR)
        assert found is None, f"line {number}, after {why}: {new}: {found}"
    assert len(now) == len(golden), WHERE_NEW_ADDRESSES_GO


def test_a_new_address_is_left_out_if_it_is_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = ["> heard", '["/bench/string/6/hz", ",f", 82.4]', '["/bench/string/6/strum", ",i", 1]']
    assert list(without_new_addresses(lines)) == lines
    monkeypatch.setattr(differences, "NEW_ADDRESSES", frozenset({"/string/strum"}))
    assert list(without_new_addresses(lines)) == lines[:2]


def test_a_number_of_an_address_may_differ_if_it_is_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    path = path_of("/bench/string/6/fret/12/error")
    assert difference([",f", 2.0], [",f", 2.1], path) is not None
    monkeypatch.setitem(CHANGED_NUMBERS, "/string/fret/error", 0.1)
    assert difference([",f", 2.0], [",f", 2.1], path) is None
    assert difference([",f", 2.0], [",f", 2.5], path) is not None
    sent = [f'["/bench/string/6/fret/12/error", ",f", {cents}]' for cents in (2.0, 2.1, 2.5)]
    assert [line for line, _ in without_repeats(sent)] == [sent[0], sent[2]]


def test_every_way_of_answering_is_in_them() -> None:
    sent = {json.loads(line)[0] for name in DRIVEN for line, why in without_repeats(golden_lines(name)) if line != why}
    ways = ("reply", "error", "event", "reading", "reading/ignored", "cause", "check/string", "string/1/hz", "prompt")
    assert {f"/bench/{way}" for way in ways} <= sent
