"""``oscservice measure``: rows, keys, rates, channels, and files that can't be used."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from instrument_tunings import tunings_toml
from numpy.typing import NDArray
from oscservice_process import run_command, run_process
from simulated_recordings import LEAD_S, NOTE_S, REST_S, guitar, open_strings, played

from oscservice.instrument.pitch import OPEN, Place

KEYS = [
    *["file", "channel", "onset_s", "string", "place", "note", "f1_hz", "cents", "se_cents", "f0_hz", "inharmonicity"],
    *["inharmonicity_se", "string_hz", "string_se_cents", "ambiguity_cents", "partials"],
    *["level_dbfs", "strength_db", "attack_cents", "window_start_s", "window_length_s", "flags"],
]


def rows(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def cents(heard_hz: float, true_hz: float) -> float:
    return 1200.0 * math.log2(heard_hz / true_hz)


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Strings 6, 5 and 4, open, in one file."""
    path = tmp_path_factory.mktemp("three") / "three.wav"
    soundfile.write(path, open_strings(guitar(), (6, 5, 4)), 48000, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def note() -> NDArray[np.float32]:
    """One open G at 48 kHz, shape (frames,)."""
    return open_strings(guitar(), (3,))[:, 0]


def test_each_note_of_a_file_is_a_row_with_the_documented_keys(three: Path) -> None:
    got = run_command("measure", "--json", three)
    assert (got.code, got.err) == (0, "")
    found = rows(got.out)
    assert [list(row) for row in found] == [KEYS] * 3
    assert [row["note"] for row in found] == ["E2", "A2", "D3"]
    for row, number in zip(found, (6, 5, 4), strict=True):
        assert cents(row["f1_hz"], guitar().open_hz(number)) == pytest.approx(0.0, abs=0.6)
        assert row["cents"] == pytest.approx(0.0, abs=0.6)  # the guitar is in tune, and A4 is 440 Hz
        assert 0.0 < row["se_cents"] < 0.5
        assert (row["file"], row["channel"], row["string"], row["place"]) == (str(three), 1, None, None)
    plucks_s = [LEAD_S + k * (NOTE_S + REST_S) for k in range(3)]
    assert [row["onset_s"] for row in found] == pytest.approx(plucks_s, abs=0.02)


def test_an_instrument_names_the_strings(three: Path) -> None:
    got = run_command("measure", "--json", "--instrument", "six-string-648", three)
    assert [(row["string"], row["place"]) for row in rows(got.out)] == [(6, "open"), (5, "open"), (4, "open")]


def test_an_instrument_in_another_tuning_names_its_strings(three: Path, tmp_path: Path) -> None:
    file = tmp_path / "tunings.toml"
    file.write_text(tunings_toml(), encoding="utf-8")
    words = ("--instrument", file, "--json", three)
    strings = [row.get("string") for row in rows(run_command("measure", *words).out)]
    dropped = [row.get("string") for row in rows(run_command("measure", "--tuning", "drop D", *words).out)]
    assert (strings, dropped) == ([6, 5, 4], [None, 5, 4])


def test_a_note_that_is_no_open_string_is_given_to_none(tmp_path: Path) -> None:
    """C3 can be stopped on strings 6, 5 and 4; the sound doesn't say which."""
    soundfile.write(tmp_path / "c3.wav", played(guitar(), [(5, Place("fret", 3))]), 48000)
    (row,) = rows(run_command("measure", "--json", "--instrument", "six-string-648", tmp_path / "c3.wav").out)
    assert (row["note"], row["string"], row["place"]) == ("C3", None, None)
    assert abs(row["cents"]) < 20.0  # above C3, not above the open D


def test_the_twelfth_fret_is_named(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a3.wav", played(guitar(), [(5, Place("fret", 12))]), 48000)
    (row,) = rows(run_command("measure", "--json", "--instrument", "six-string-648", tmp_path / "a3.wav").out)
    assert (row["note"], row["string"], row["place"]) == ("A3", 5, "fret 12")


def test_the_reference_and_the_expected_note_are_used(three: Path) -> None:
    """A4 at 442 Hz puts the same note 7.85 cents lower: 1200 log2(442/440)."""
    at_440, at_442 = (rows(run_command("measure", "--json", "--reference", hz, three).out) for hz in ("440", "442"))
    assert [a["cents"] - b["cents"] for a, b in zip(at_440, at_442, strict=True)] == pytest.approx(
        [7.8514] * 3, abs=1e-3
    )
    assert rows(run_command("measure", "--json", "--expect", "e2", three).out) == at_440


def test_the_table_shows_every_note(three: Path) -> None:
    got = run_command("measure", three)
    assert got.code == 0
    for name, hz in (("E2", "82.4"), ("A2", "110.0"), ("D3", "146.8")):
        assert any(name in line and hz in line for line in got.out.splitlines()), got.out


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 48000, 96000, 192000])
def test_every_usual_rate_works(tmp_path: Path, rate_hz: int) -> None:
    on = guitar(rate_hz=rate_hz)
    soundfile.write(tmp_path / "note.wav", played(on, [(6, OPEN), (1, OPEN)], 1.5), rate_hz, subtype="PCM_24")
    low, high = rows(run_command("measure", "--json", tmp_path / "note.wav").out)
    assert (low["note"], high["note"]) == ("E2", "E4")
    assert cents(low["f1_hz"], on.open_hz(6)) == pytest.approx(0.0, abs=0.6)
    assert cents(high["f1_hz"], on.open_hz(1)) == pytest.approx(0.0, abs=0.6)


def test_each_channel_of_a_file_is_measured(tmp_path: Path) -> None:
    left, right = (open_strings(guitar(), (number,))[:, 0] for number in (6, 2))
    soundfile.write(tmp_path / "stereo.flac", np.stack([left, right], axis=1), 48000)
    found = rows(run_command("measure", "--json", tmp_path / "stereo.flac").out)
    assert [(row["channel"], row["note"]) for row in found] == [(1, "E2"), (2, "B3")]


def test_clipping_is_flagged(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "hot.wav", np.clip(open_strings(guitar(gain_db=26.0), (3,)), -1.0, 1.0), 48000)
    (row,) = rows(run_command("measure", "--json", tmp_path / "hot.wav").out)
    assert "clipped" in row["flags"]
    assert cents(row["f1_hz"], guitar().open_hz(3)) == pytest.approx(0.0, abs=1.0)


def test_samples_that_are_no_numbers_are_flagged(tmp_path: Path, note: NDArray[np.float32]) -> None:
    """Ten of them in the silence before the note leave it as it was."""
    broken = note.copy()
    broken[1000:1010] = np.nan
    soundfile.write(tmp_path / "whole.wav", note, 48000, subtype="FLOAT")
    soundfile.write(tmp_path / "broken.wav", broken, 48000, subtype="FLOAT")
    (whole,) = rows(run_command("measure", "--json", tmp_path / "whole.wav").out)
    (row,) = rows(run_command("measure", "--json", tmp_path / "broken.wav").out)
    assert row["flags"] == ["not finite: 10"]
    assert cents(row["f1_hz"], whole["f1_hz"]) == pytest.approx(0.0, abs=0.05)


def test_a_truncated_file_is_measured_as_far_as_it_goes_and_flagged(tmp_path: Path, three: Path) -> None:
    whole = three.read_bytes()
    (tmp_path / "cut.wav").write_bytes(whole[: round(len(whole) * 0.62)])
    found = rows(run_command("measure", "--json", tmp_path / "cut.wav").out)
    assert [row["note"] for row in found] == ["E2", "A2"]
    assert all("truncated" in row["flags"] for row in found)


def made(folder: Path) -> dict[str, Path]:
    """Files that hold nothing that can be measured."""
    silence = np.zeros(48000, np.float32)
    soundfile.write(folder / "silence.wav", silence, 48000)
    soundfile.write(folder / "nan.wav", silence * np.nan, 48000, subtype="FLOAT")
    soundfile.write(folder / "noise.wav", 0.1 * np.random.default_rng(1).standard_normal(96000), 48000)
    (folder / "header.wav").write_bytes((folder / "silence.wav").read_bytes()[:44])
    (folder / "half_header.wav").write_bytes((folder / "silence.wav").read_bytes()[:30])
    (folder / "empty.wav").write_bytes(b"")
    (folder / "text.wav").write_text("this is no sound file\n")
    (folder / "folder").mkdir()
    slow = 0.1 * np.sin(np.arange(8000) / 5.0)
    soundfile.write(folder / "slow.wav", slow, 4000)
    return {path.stem: path for path in [*folder.iterdir(), folder / "missing.wav"]}


@pytest.mark.parametrize(
    ("name", "code", "words"),
    [
        ("silence", 1, "no note found: the file is silent"),
        ("nan", 1, "(flags: not finite: 48000)"),
        ("noise", 1, "no note found: "),
        ("header", 2, "holds no samples"),
        ("half_header", 2, "not a sound file that can be read"),
        ("empty", 2, "the file is empty (0 bytes)"),
        ("text", 2, "not a sound file that can be read"),
        ("folder", 2, "not a sound file"),
        ("missing", 2, "there is no such file"),
        ("slow", 2, "a sample rate of 4000 Hz can't be used"),
    ],
)
def test_a_file_without_a_note_ends_with_one_line(tmp_path: Path, name: str, code: int, words: str) -> None:
    path = made(tmp_path)[name]
    got = run_command("measure", "--json", path)
    assert got.code == code
    assert got.complaint.startswith(f"{path}: ")
    assert words in got.complaint
    assert all("reason" in row for row in rows(got.out))


def test_the_other_files_are_still_measured(tmp_path: Path, three: Path) -> None:
    files = made(tmp_path)
    got = run_command("measure", "--json", files["missing"], files["folder"], three, files["silence"])
    assert got.code == 2
    assert [row["note"] for row in rows(got.out)] == ["E2", "A2", "D3"]
    complaints = got.err.splitlines()
    assert [line.split(": ")[0] for line in complaints] == ["oscservice"] * 4
    assert complaints[-1] == "oscservice: 2 of 4 files could not be read"
    for name, line in zip(("missing", "folder", "silence"), complaints, strict=False):
        assert str(files[name]) in line
    assert run_command("measure", three, files["silence"]).code == 0
    assert run_command("measure", files["silence"], files["noise"]).code == 1


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--expect", "h2", "--expect: "),
        ("--tuning", "drop D", "--tuning: found no --instrument; expected the one whose file names the tuning"),
        ("--instrument", "no-such-one", "is neither a preset nor a readable file"),
    ],
)
def test_an_option_that_makes_no_sense_is_one_line(three: Path, option: str, value: str, words: str) -> None:
    got = run_command("measure", option, value, three)
    assert (got.code, got.out) == (2, "")
    assert words in got.complaint


def test_as_a_process_it_ends_with_its_code_and_no_traceback(tmp_path: Path) -> None:
    files = made(tmp_path)
    done = run_process("measure", files["silence"])
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith(f"oscservice: {files['silence']}: no note found")
