"""The estimator's number: raised when a reading changes, and part of what a result depends on.

Golden vectors are compared within what another processor may change. Libraries choose their instructions by the
processor, and sums differ in the last bit; five kinds of kernels changed frequencies by at most 1e-12 of their value
and standard errors, which rest on an iteration's end, by 3e-7. A change to the estimator is larger by orders.
"""

from __future__ import annotations

import json
from typing import Any

import hearing_vectors
import pytest

from oscservice.archive.file_measurement import difference, fingerprint, measured_with
from oscservice.hearing import ESTIMATOR
from oscservice.instrument.pitch import cents_between

STORED = json.loads(hearing_vectors.FILE.read_text(encoding="utf-8"))
MOST_CENTS = 1e-6
MOST_RELATIVE = 1e-5
NEXT = "raise ESTIMATOR in oscservice/hearing/__init__.py, then make the vectors again: python tests/hearing_vectors.py"


def differences(wanted: dict[str, Any], found: dict[str, Any]) -> list[str]:
    """Return the fields in which two readings differ by more than another processor explains."""
    assert wanted.keys() == found.keys(), f"a reading has other fields: {NEXT}"
    different = []
    for name, old in wanted.items():
        new = found[name]
        if name.endswith("_hz"):
            same = abs(cents_between(new, old)) <= MOST_CENTS
        elif isinstance(old, float):
            same = new == pytest.approx(old, rel=MOST_RELATIVE, abs=1e-7)
        else:
            same = new == old
        if not same:
            different.append(f"{name} {new} where {old} is stored")
    return different


@pytest.fixture(scope="module")
def readings() -> dict[str, dict[str, Any]]:
    return hearing_vectors.readings()


def test_the_vectors_are_of_every_note_and_of_this_estimator() -> None:
    assert STORED["readings"].keys() == hearing_vectors.NOTES.keys()
    assert STORED["estimator"] == ESTIMATOR, f"the vectors are of another estimator: {NEXT}"


@pytest.mark.parametrize("name", hearing_vectors.NOTES)
def test_a_note_is_read_as_this_estimator_read_it(name: str, readings: dict[str, dict[str, Any]]) -> None:
    different = differences(STORED["readings"][name], readings[name])
    assert different == [], f"the estimator has changed: {NEXT}"


def test_a_difference_is_found() -> None:
    one = STORED["readings"]["glide"]
    assert differences(one, one) == []
    assert differences(one, {**one, "f1_hz": one["f1_hz"] * (1.0 + 1e-9)}) != []
    assert differences(one, {**one, "se_cents": one["se_cents"] * 1.0001}) != []
    assert differences(one, {**one, "flags": ["short"]}) != []
    with pytest.raises(AssertionError, match="other fields"):
        differences(one, {**one, "more": 1.0})


def test_every_part_changes_the_fingerprint_and_is_named() -> None:
    ours = measured_with()
    assert ours["estimator"] == str(ESTIMATOR)
    assert all(ours.values())
    assert difference(ours, ours) == ""
    for name in ours:
        theirs = {**ours, name: "other"}
        assert fingerprint(theirs) != fingerprint(ours)
        assert ("another version of oscservice" if name == "estimator" else name) in difference(ours, theirs)
    assert difference(ours, {}) == "another version of oscservice"
