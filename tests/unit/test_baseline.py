"""Baselines: read back as they were written, and refused in one line where they are none."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path, PurePath
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.check.baseline import baseline_text, read_baseline, write_baseline
from oscservice.check.verdicts import Case, Note, RecordingHeard
from oscservice.errors import InputError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place

GUITAR = load_instrument("six-string-648")
NOTE = Note(82.41, 0.1, -20.0, 1e-4, 1e-6, "a.wav", 0.5)
HEARD = RecordingHeard(GUITAR, 440.0, {Case(6, OPEN, 40): (NOTE,), Case(6, Place("fret", 12), 52): (NOTE, NOTE)})

finite = st.floats(allow_nan=False, allow_infinity=False)
notes = st.builds(
    Note,
    hz=st.floats(20.0, 5000.0),
    se_cents=st.floats(0.0, 50.0),
    strength_db=st.none() | finite,
    inharmonicity=finite,
    inharmonicity_se=st.none() | finite,
    file=st.text("ab .", max_size=20).map(lambda name: PurePath(name).name),
    onset_s=finite,
)
cases = st.builds(
    Case,
    string=st.integers(0, 12),
    place=st.none() | st.sampled_from([OPEN, HARMONIC, Place("fret", 1), Place("fret", 36)]),
    note=st.integers(0, 127),
    labels=st.dictionaries(st.text(max_size=8), st.text(max_size=8), max_size=3).map(
        lambda d: tuple(sorted(d.items()))
    ),
)
everything = st.builds(
    RecordingHeard,
    instrument=st.sampled_from([None, GUITAR]),
    reference_hz=st.floats(380.0, 500.0),
    notes=st.dictionaries(cases, st.lists(notes, min_size=1, max_size=3).map(tuple), max_size=4),
)


@settings(deadline=None)  # it waits for the disk
@given(heard=everything, estimator=st.text(max_size=10))
def test_written_results_are_read_back_to_the_last_bit(
    tmp_path_factory: pytest.TempPathFactory, heard: RecordingHeard, estimator: str
) -> None:
    path = tmp_path_factory.getbasetemp() / "base.json"
    write_baseline(path, baseline_text(heard, estimator))
    assert read_baseline(path) == (heard, estimator)


def test_the_order_in_which_notes_were_read_does_not_show() -> None:
    turned = RecordingHeard(GUITAR, 440.0, dict(reversed(HEARD.notes.items())))
    assert baseline_text(turned) == baseline_text(HEARD)


def changed(**changes: Any) -> str:
    return json.dumps({**json.loads(baseline_text(HEARD)), **changes})


def with_note(**changes: Any) -> str:
    body = json.loads(baseline_text(HEARD))
    body["cases"][0]["notes"][0] |= changes
    return json.dumps(body)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not a baseline"),
        ("[]", "not a baseline"),
        ("{}", "its form is None"),
        (changed(form="other"), "its form is 'other'"),
        (changed(cases=[{}]), "not a baseline"),
        (changed(cases=[{"string": 1, "place": "nut", "note": "E2", "labels": {}, "notes": []}]), "not a place"),
        (changed(instrument={"name": "x"}), "not a baseline"),
        (with_note(hz=-1.0), "a note of -1.0 Hz"),
        (with_note(hz="82"), "where a number was expected"),
        (with_note(strength_db=True), "where a number was expected"),
        (with_note(pitch=3), "not a baseline"),
        ("[" * 100_000, "not a baseline"),
    ],
)
def test_a_file_that_is_no_baseline_is_refused_in_one_line(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "base.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as refusal:
        read_baseline(path)
    assert str(refusal.value).startswith(f"{path}: ")
    assert words in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_an_unusable_baseline_file_is_reported(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such baseline; make one with --accept"):
        read_baseline(tmp_path / "none.json")
    with pytest.raises(InputError, match="can't be read"):
        read_baseline(tmp_path)
    (tmp_path / "latin.json").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="not UTF-8"):
        read_baseline(tmp_path / "latin.json")
    with pytest.raises(InputError, match="can't be written"):
        write_baseline(tmp_path / "no folder" / "base.json", "")


def test_a_baseline_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "base.json"
    write_baseline(path, baseline_text(HEARD))
    other = replace(HEARD, reference_hz=442.0)
    write_baseline(path, baseline_text(other))
    assert read_baseline(path)[0] == other
    assert [one.name for one in tmp_path.iterdir()] == ["base.json"]
