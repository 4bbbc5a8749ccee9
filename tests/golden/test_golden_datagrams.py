"""Golden datagrams: what the daemon sends in three sessions, byte for byte."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

import pytest
from golden.datagrams import DRIVEN, driven, encoded
from golden.stored import EXACT, FOLDER, difference, read

NEAR = 0.0 if EXACT else 1e-6  # floats have 24 bits


def golden_lines(name: str) -> list[str]:
    return read(FOLDER / "datagrams" / f"{name}.jsonl.gz")


def without_repeats(lines: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Lines with what made each be sent. A value that is sent again because its last bits changed is left out: on
    another processor they may not have."""
    last: dict[str, Any] = {}
    why = ""
    for line in lines:
        if line.startswith(">"):
            why = line
        else:
            address, tags, *values = json.loads(line)
            again = set(tags) == {",", "f"} and difference(last.get(address), values, near=NEAR) is None
            last[address] = values
            if again and not EXACT:
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
    now = list(without_repeats(lines))
    for number, ((old, _), (new, why)) in enumerate(zip(golden, now, strict=False), 1):
        if old.startswith(">") or new.startswith(">"):
            assert old == new, f"line {number}, after {why}: not as many messages as there were"
        else:
            found = difference(json.loads(old), json.loads(new), near=NEAR)
            assert found is None, f"line {number}, after {why}: {new}: part {found}"
    assert len(now) == len(golden)


def test_every_way_of_answering_is_in_them() -> None:
    sent = {json.loads(line)[0] for name in DRIVEN for line, why in without_repeats(golden_lines(name)) if line != why}
    ways = ("reply", "error", "event", "reading", "reading/ignored", "cause", "check/string", "string/1/hz", "prompt")
    assert {f"/bench/{way}" for way in ways} <= sent
