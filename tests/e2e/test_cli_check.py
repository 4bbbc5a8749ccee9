"""``oscservice check``: a studio's recordings, through files and exit codes."""

from __future__ import annotations

import json
import math
import os
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from oscservice_process import CommandResult, run_command, run_process
from scipy.signal import resample_poly
from simulated_recordings import guitar, played

from oscservice.hearing import ESTIMATOR
from oscservice.instrument.pitch import OPEN, Place

FRET_12 = Place("fret", 12)
PLACES = ("open", "fret12")
"""As the files are named."""
PLUCKS = 4
INSTRUMENT = "six-string-648"
NAMES = "string{string}_{place}_{take}"
RATE_HZ = 48000
FASTER_HZ = 48111
"""Samples said to be that fast sound 4 cents sharp."""
FASTER_CENTS = 1200.0 * math.log2(FASTER_HZ / RATE_HZ)


@pytest.fixture(scope="module")
def notes() -> dict[str, NDArray[np.float32]]:
    """Plucks of two strings, open and at fret 12, by the names of their files; shape (frames,) each."""
    on = guitar(INSTRUMENT)
    found = {}
    for string in (6, 1):
        for place in (OPEN, FRET_12):
            for take in range(1, PLUCKS + 1):
                name = f"string{string}_{str(place).replace(' ', '')}_{take}"
                found[name] = played(on, [(string, place)])[:, 0]
    return found


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of cached results: the same recordings are measured once for all tests here."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture
def takes(tmp_path: Path, notes: dict[str, NDArray[np.float32]]) -> Path:
    """A folder of recordings, a file a note."""
    folder = tmp_path / "takes"
    folder.mkdir()
    for name, samples in notes.items():
        soundfile.write(folder / f"{name}.flac", samples, RATE_HZ, subtype="PCM_24")
    return folder


@pytest.fixture
def baseline(takes: Path, cache: Path) -> Path:
    path = takes.parent / "base.json"
    assert check(cache, takes, "--names", NAMES, "--instrument", INSTRUMENT, "--baseline", path, "--accept").code == 0
    return path


def check(cache: Path, *words: str | Path) -> CommandResult:
    return run_command("check", *words, "--cache", cache, "--jobs", "1")


def result(cache: Path, *words: str | Path) -> tuple[int, dict[str, Any]]:
    got = check(cache, *words, "--json", "-")
    found: dict[str, Any] = json.loads(got.out)
    assert found["exit_code"] == got.code
    return got.code, found


def against(baseline: Path, *words: str | Path) -> list[str | Path]:
    return [*words, "--names", NAMES, "--instrument", INSTRUMENT, "--baseline", baseline]


def verdicts(found: dict[str, Any]) -> dict[str, str]:
    return {case["case"]: case["verdict"] for case in found["cases"]}


def sharpen(folder: Path, pattern: str, notes: dict[str, NDArray[np.float32]]) -> None:
    for path in folder.glob(pattern):
        soundfile.write(path, notes[path.stem], FASTER_HZ, subtype="PCM_24")


def test_unchanged_recordings_hold_and_are_not_measured_again(takes: Path, baseline: Path, cache: Path) -> None:
    code, found = result(cache, *against(baseline, takes))
    assert (code, found["verdict"]) == (0, "holds")
    assert found["instrument"] == INSTRUMENT
    names = ("string 6 open", "string 6 fret 12", "string 1 open", "string 1 fret 12")
    assert verdicts(found) == dict.fromkeys(names, "holds")
    assert (found["files"], found["cached"], found["notes"]) == (4 * PLUCKS, 4 * PLUCKS, 4 * PLUCKS)
    assert found["refused"] == []


def test_a_string_that_went_sharp_is_reported_in_cents(
    takes: Path, baseline: Path, cache: Path, notes: dict[str, NDArray[np.float32]]
) -> None:
    sharpen(takes, "string6_*", notes)
    code, found = result(cache, *against(baseline, takes))
    assert (code, found["verdict"]) == (1, "drifted")
    assert verdicts(found)["string 6 fret 12"] == "holds", "it went sharp with its open string"
    (six, one) = found["strings"]
    assert (six["string"], six["verdict"], six["what"]) == (6, "drifted", "pitch drift")
    assert six["cents"] == pytest.approx(FASTER_CENTS, abs=0.05)
    assert (one["string"], one["verdict"]) == (1, "holds")


def test_a_fret_that_went_sharp_of_its_open_string_is_reported(
    takes: Path, baseline: Path, cache: Path, notes: dict[str, NDArray[np.float32]]
) -> None:
    sharpen(takes, "string1_fret12_*", notes)
    got = check(cache, *against(baseline, takes))
    assert got.code == 1
    row = next(line for line in got.out.splitlines() if "string 1 fret 12" in line)
    assert row.split()[:1] == ["!"]
    assert ("error drift" in row, "+4.0" in row, "drifted" in row) == (True, True, True)
    assert "12 drifted" not in got.out
    assert "1 drifted, 3 hold" in got.out


@pytest.mark.parametrize("measured_by", ["8" * 64, "another", ""], ids=["a digest of source text", "a name", "none"])
def test_a_baseline_of_another_estimator_is_compared_with_a_remark(
    takes: Path, baseline: Path, cache: Path, measured_by: str
) -> None:
    body = json.loads(baseline.read_text(encoding="utf-8"))
    assert body["estimator"] == str(ESTIMATOR)
    baseline.write_text(json.dumps({**body, "estimator": measured_by}), encoding="utf-8")
    code, found = result(cache, *against(baseline, takes))
    assert code == 0
    remark = "was measured with another estimator: accept its recordings again to rule out a change in the measuring"
    assert found["remarks"] == [f"{baseline} {remark}"]


def test_a_limit_can_be_wider(takes: Path, baseline: Path, cache: Path, notes: dict[str, NDArray[np.float32]]) -> None:
    sharpen(takes, "string6_*", notes)
    assert check(cache, *against(baseline, takes), "--drift", "6").code == 0


def test_a_retuned_string_may_have_another_pitch(
    takes: Path, baseline: Path, cache: Path, notes: dict[str, NDArray[np.float32]]
) -> None:
    sharpen(takes, "string6_*", notes)
    code, found = result(cache, *against(baseline, takes), "--retuned")
    assert (code, found["limits"]["retuned"]) == (0, True)
    sharpen(takes, "string1_fret12_*", notes)
    assert check(cache, *against(baseline, takes), "--retuned").code == 1


def test_without_a_baseline_tolerances_are_judged(
    takes: Path, cache: Path, notes: dict[str, NDArray[np.float32]]
) -> None:
    words = [takes, "--names", NAMES, "--instrument", INSTRUMENT, "--error", "20"]
    code, found = result(cache, *words)
    assert code == 0
    assert {one["found"][0]["what"] for one in found["cases"]} == {"tuning", "error"}
    sharpen(takes, "string6_open_*", notes)
    code, found = result(cache, *words)
    assert (code, verdicts(found)["string 6 open"]) == (1, "out")


def test_notes_are_the_same_by_pitch_and_by_given_string(
    tmp_path: Path, cache: Path, notes: dict[str, NDArray[np.float32]]
) -> None:
    for string in (6, 1):
        whole = np.concatenate([notes[f"string{string}_{place}_{take}"] for place in PLACES for take in (1, 2)])
        soundfile.write(tmp_path / f"s{string}.wav", whole, RATE_HZ, subtype="PCM_24")
    words = ["--instrument", INSTRUMENT, "--error", "20"]
    by_ear = result(cache, tmp_path, *words)
    by_string = result(cache, tmp_path / "s6.wav", tmp_path / "s1.wav", *words, "--names", "s{string}")
    assert by_ear[0] == by_string[0] == 0
    assert by_ear[1]["cases"] == by_string[1]["cases"]
    assert {case["case"]: case["notes"] for case in by_ear[1]["cases"]} == {
        f"string {string} {place}": 2 for string in (6, 1) for place in (OPEN, FRET_12)
    }


def test_a_manifest_says_all_of_it(takes: Path, baseline: Path, cache: Path) -> None:
    manifest = takes.parent / "set.toml"
    manifest.write_text(
        f'name = "before the take"\ninstrument = "{INSTRUMENT}"\nnames = "{NAMES}"\n'
        'files = "takes/*.flac"\nbaseline = "base.json"\n[limits]\ndrift_cents = 1.5\n',
        encoding="utf-8",
    )
    code, found = result(cache, "--manifest", manifest)
    assert (code, found["name"], found["limits"]["drift_cents"]) == (0, "before the take", 1.5)
    fewer = check(cache, "--manifest", manifest, takes / "string6_open_1.flac", "--json", "-")
    assert (fewer.code, json.loads(fewer.out)["files"]) == (2, 1)


def test_an_entry_of_the_manifest_does_not_describe_recordings_on_the_command_line(
    takes: Path, baseline: Path, cache: Path
) -> None:
    manifest = takes.parent / "set.toml"
    head = f'instrument = "{INSTRUMENT}"\nnames = "{NAMES}"\nbaseline = "base.json"\n'
    manifest.write_text(head + '[[recording]]\nfiles = "low.wav"\nstring = 6\n', encoding="utf-8")
    code, found = result(cache, "--manifest", manifest, takes)
    assert (code, found["refused"], len(found["cases"])) == (0, [], 4), "string 1 is no string 6"
    code, found = result(cache, "--manifest", manifest, takes, "--channel", "2")
    assert code == 2
    assert {one["why"] for one in found["refused"]} == {"has 1 channels, and channel 2 was asked for"}


def test_an_entry_of_a_manifest_with_a_typo_is_refused_and_the_rest_is_judged(
    takes: Path, baseline: Path, cache: Path
) -> None:
    manifest = takes.parent / "set.toml"
    head = f'instrument = "{INSTRUMENT}"\nnames = "{NAMES}"\nfiles = "takes/*.flac"\nbaseline = "base.json"\n'
    manifest.write_text(head + '[[recording]]\nfiles = "low.wav"\nstrnig = 6\n', encoding="utf-8")
    got = check(cache, "--manifest", manifest)
    assert got.code == 2
    assert got.complaint == f"{manifest}: line 7: recording 1, strnig: unknown key; did you mean string?"
    assert "16 notes, 1 refused: 4 hold" in got.out


def test_a_list_of_paths_is_read_from_standard_input(takes: Path, baseline: Path, cache: Path) -> None:
    paths = "\n".join(str(path) for path in sorted(takes.iterdir())) + "\n\n"
    words = ["check", "--list", "-", *against(baseline), "--jobs", "1", "--json", "-", "--cache", cache]
    got = run_process(*map(str, words), stdin=paths.encode())
    assert (got.returncode, got.stderr) == (0, "")
    assert json.loads(got.stdout)["files"] == 4 * PLUCKS


def test_junit_and_json_are_written_in_addition_to_the_table(takes: Path, baseline: Path, cache: Path) -> None:
    junit, told_json = takes.parent / "j.xml", takes.parent / "r.json"
    (takes / "string6_open_9.flac").write_bytes(b"noise")
    got = check(cache, *against(baseline, takes), "--junit", junit, "--json", told_json)
    assert got.code == 2
    assert "string 6 open" in got.out
    assert json.loads(told_json.read_text(encoding="utf-8"))["exit_code"] == 2
    suite = ElementTree.fromstring(junit.read_text(encoding="utf-8"))
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("5", "0", "1")


# What can't be used: the rest is judged, each refusal has its line, and the exit code says so.


def test_an_unreadable_file_among_many_has_its_line_and_the_rest_is_judged(
    takes: Path, baseline: Path, cache: Path
) -> None:
    (takes / "string1_open_7.flac").write_bytes(b"fLaC" + b"\0" * 50)
    (takes / "string1_open_8.flac").write_bytes(b"")
    code, found = result(cache, *against(baseline, takes))
    assert (code, found["verdict"]) == (2, "unsure")
    assert set(verdicts(found).values()) == {"holds"}
    got = check(cache, *against(baseline, takes))
    lines = got.err.splitlines()
    assert len(lines) == 2
    assert "string1_open_7.flac: not a sound file that can be read" in lines[0]
    assert "string1_open_8.flac: the file is empty" in lines[1]


def test_one_bad_file_in_a_thousand_does_not_affect_the_others(takes: Path, cache: Path, tmp_path: Path) -> None:
    """The thousand are one recording under as many names, which is measured once and known from then on."""
    many = tmp_path / "many"
    many.mkdir()
    for number in range(1000):
        os.link(takes / "string6_open_1.flac", many / f"string6_open_{number}.flac")
    words = ["--names", NAMES, "--instrument", INSTRUMENT, "--baseline", tmp_path / "many.json"]
    assert check(cache, takes / "string6_open_1.flac", *words, "--accept").code == 0, "known from here on"
    assert check(cache, many, *words, "--accept").code == 0
    (many / "string6_open_500.flac").unlink()
    (many / "string6_open_500.flac").write_bytes(b"RIFF\0\0\0\0WAVE")
    got = check(cache, many, *words)
    assert got.code == 2
    assert "string6_open_500.flac: not a sound file" in got.complaint
    assert "999 notes, 1 refused: 1 hold" in got.out


def test_sample_rates_may_be_mixed(
    takes: Path, baseline: Path, cache: Path, notes: dict[str, NDArray[np.float32]]
) -> None:
    for name in ("string6_open_1", "string1_fret12_2"):
        soundfile.write(takes / f"{name}.flac", resample_poly(notes[name], 2, 1), 2 * RATE_HZ, subtype="PCM_24")
    code, found = result(cache, *against(baseline, takes))
    assert (code, set(verdicts(found).values())) == (0, {"holds"})


def test_stereo_with_a_dead_channel_is_read_from_the_other_and_said(
    takes: Path, baseline: Path, cache: Path, notes: dict[str, NDArray[np.float32]]
) -> None:
    samples = notes["string6_open_1"]
    soundfile.write(takes / "string6_open_1.flac", np.column_stack([np.zeros_like(samples), samples]), RATE_HZ)
    code, found = result(cache, *against(baseline, takes))
    assert (code, found["notes"]) == (0, 4 * PLUCKS)
    (remark,) = found["remarks"]
    assert remark.endswith("string6_open_1.flac: channel 1 is silent; channel 2 was read")
    code, found = result(cache, *against(baseline, takes), "--channel", "1")
    assert code == 2
    assert [one["why"] for one in found["refused"]] == ["channel 1 is silent"]


def test_a_name_that_fits_no_pattern_is_refused(takes: Path, baseline: Path, cache: Path) -> None:
    shutil.copy(takes / "string6_open_1.flac", takes / "lunch.flac")
    got = check(cache, *against(baseline, takes))
    assert got.code == 2
    assert got.complaint.endswith(f"lunch.flac: its name does not fit the pattern {NAMES}")


def test_a_baseline_of_another_instrument_is_refused_and_tolerances_are_judged(
    takes: Path, baseline: Path, cache: Path
) -> None:
    words = [takes, "--names", NAMES, "--instrument", "six-string-628", "--baseline", baseline, "--error", "20"]
    got = check(cache, *words)
    assert got.code == 2
    assert got.complaint == f"{baseline}: a baseline of {INSTRUMENT}, but this is six-string-628"
    code, found = result(cache, *words)
    assert found["limits"] == {
        "tuning_cents": 3.0,
        "error_cents": 20.0,
        "drift_cents": None,
        "retuned": False,
    }
    assert {one["found"][0]["what"] for one in found["cases"]} == {"tuning", "error"}
    assert code in (1, 2)


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--manifest", "set.toml"], "set.toml: line 2: drfit: unknown key; expected one of"),
        (["takes", "--names", "{string"], "--names: a brace without its partner"),
        (["takes"], "there is nothing to compare notes with; add --baseline FILE, or --instrument for tolerances"),
        ([], "there is nothing to check; name recordings, or a manifest with --manifest"),
        (["takes", "--accept"], "--accept needs to know where the baseline goes; add --baseline FILE"),
        (["takes", "--instrument", "none"], "'none' is neither a preset nor a readable file"),
        (["takes", "--in-tuning", "drop D"], "--in-tuning: found no instrument; expected the one whose file names"),
        (["takes", "--instrument", "six-string-648", "--in-tuning", "x"], "six-string-648: tuning: found 'x', this"),
        (["--list", "nowhere.txt"], "nowhere.txt: the list can't be read (No such file or directory)"),
    ],
)
def test_a_mistake_is_one_line(
    takes: Path, cache: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], complaint: str
) -> None:
    monkeypatch.chdir(takes.parent)
    Path("set.toml").write_text('files = "takes/*.flac"\ndrfit = 1\n', encoding="utf-8")
    got = check(cache, *words)
    assert (got.code, got.out) == (2, "")
    assert got.complaint.startswith(complaint)


def test_a_baseline_is_not_overwritten_with_less(takes: Path, baseline: Path, cache: Path) -> None:
    before = baseline.read_bytes()
    (takes / "string1_open_7.flac").write_bytes(b"noise")
    got = check(cache, *against(baseline, takes), "--accept")
    assert got.code == 2
    assert "the baseline was not written" in got.out
    assert baseline.read_bytes() == before


def test_the_same_recordings_make_the_same_baseline(takes: Path, baseline: Path, cache: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.json"
    assert check(cache, *against(again, takes), "--accept", "--no-cache").code == 0
    assert again.read_bytes() == baseline.read_bytes()


def test_a_pattern_that_nothing_fits_is_refused(takes: Path, baseline: Path, cache: Path) -> None:
    got = check(cache, *against(baseline, takes, takes / "*.mp9"))
    assert (got.code, got.complaint) == (2, f"{takes / '*.mp9'}: no file fits this pattern")
