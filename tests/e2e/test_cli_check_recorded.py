"""Recorded notes through ``oscservice check``, from end to end.

With ``OSCSERVICE_RECORDINGS``: 96 notes of one electric guitar (CC0), each pitch in four strengths, two takes.
Packaged: twelve open strings and forty samples of four guitars (``packaged/packaged_recordings.py``).
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
import soundfile
from oscservice_process import run_command
from packaged.packaged_recordings import RecordedNote, freepats_notes, guitarsounds_notes

from oscservice.instrument.pitch import nearest_note, note_name

pytestmark = pytest.mark.slow

TAKES_PITCHES = 12
SHARPER = 1.03
"""A rate said to be so much higher: half a semitone, 51 cents."""


def checked(*words: str | Path) -> tuple[int, dict[str, Any]]:
    got = run_command("check", *words, "--json", "-", "--jobs", "1")
    found: dict[str, Any] = json.loads(got.out)
    return got.code, found


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.mark.parametrize(
    ("names", "cases", "at_most_unsure"), [("{note}_{any}_{take}", 12, 8), ("{note}_{dynamic}_{take}", 48, 48)]
)
def test_takes_2_hold_against_takes_1(
    recordings: Path, cache: Path, tmp_path: Path, names: str, cases: int, at_most_unsure: int
) -> None:
    """Nobody touched the guitar between the takes as far as its source says. Single notes scatter by a cent or more, so
    a limit of one cent is often too small for four plucks: unsure, and not drifted."""
    words = ["--names", names, "--baseline", tmp_path / "base.json", "--cache", cache]
    code, found = checked(recordings / "*_1.flac", *words, "--accept")
    assert (code, found["notes"], found["refused"], len(found["cases"])) == (0, 4 * TAKES_PITCHES, [], cases)
    code, found = checked(recordings / "*_2.flac", *words)
    verdicts = [case["verdict"] for case in found["cases"]]
    assert (found["notes"], found["refused"], len(verdicts)) == (4 * TAKES_PITCHES, [], cases)
    assert set(verdicts) <= {"holds", "unsure"}
    assert verdicts.count("unsure") <= at_most_unsure
    assert code == (2 if "unsure" in verdicts else 0)


def test_takes_2_hold_to_five_cents_and_a_planted_drift_of_ten_is_found(
    recordings: Path, cache: Path, tmp_path: Path
) -> None:
    words = ["--names", "{note}_{any}_{take}", "--baseline", tmp_path / "base.json", "--cache", cache]
    assert checked(recordings / "*_1.flac", *words, "--accept")[0] == 0
    code, found = checked(recordings / "*_2.flac", *words, "--drift", "5")
    assert (code, {case["verdict"] for case in found["cases"]}) == (0, {"holds"})
    moved = tmp_path / "moved"
    moved.mkdir()
    for path in recordings.glob("*_2.flac"):
        if not path.stem.startswith("e2"):
            shutil.copy(path, moved)  # as it was, so it need not be measured again
            continue
        samples, rate_hz = soundfile.read(path, dtype="float32")
        soundfile.write(moved / path.name, samples, round(rate_hz * 2.0 ** (10.0 / 1200.0)), subtype="PCM_24")
    code, found = checked(moved, *words)
    assert code == 1
    assert [case["case"] for case in found["cases"] if case["verdict"] == "drifted"] == ["E2"]


def as_files(notes: list[RecordedNote], folder: Path, faster: float = 1.0) -> None:
    """A file a note, named by its set, the note and a number."""
    folder.mkdir()
    for number, note in enumerate(notes):
        name = f"{note.name.split('_')[0]}_{note_name(nearest_note(note.nominal_hz)[0])}_{number}.wav"
        samples = note.samples[: round(note.sound_s * note.rate_hz)]
        soundfile.write(folder / name, samples, round(note.rate_hz * faster), subtype="PCM_24")


@pytest.mark.parametrize("which", ["guitarsounds", "freepats"])
def test_packaged_notes_are_read_by_name_and_a_quarter_tone_is_found_in_each(
    which: str, request: pytest.FixtureRequest, cache: Path, tmp_path: Path
) -> None:
    request.getfixturevalue(which)
    notes = guitarsounds_notes() if which == "guitarsounds" else freepats_notes()
    as_files(notes, tmp_path / "first")
    as_files(notes, tmp_path / "sharper", SHARPER)
    words = ["--names", "{set}_{note}_{any}", "--baseline", tmp_path / "base.json", "--cache", cache]
    code, found = checked(tmp_path / "first", *words, "--accept")
    assert (code, found["refused"], found["notes"]) == (0, [], len(notes))
    _, found = checked(tmp_path / "first", *words, "--drift", "5")
    assert found["cached"] == len(notes)
    findings = [finding for case in found["cases"] for finding in case["found"]]
    assert [finding["cents"] for finding in findings] == pytest.approx([0.0] * len(findings), abs=1e-9)
    unsure = [finding["se_cents"] for finding in findings if finding["verdict"] == "unsure"]
    assert len(unsure) <= 1, "one recorded G3 is read no better than to 6 cents"
    assert all(se_cents > 5.0 for se_cents in unsure)
    code, found = checked(tmp_path / "sharper", *words)
    assert (code, found["refused"]) == (1, [])
    assert {case["verdict"] for case in found["cases"]} == {"drifted"}
