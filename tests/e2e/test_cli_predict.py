"""``oscservice predict``: tables and JSON, what a change asks of the saddles, cautions, and what can't be asked."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from instrument_tunings import tunings_toml
from oscservice_process import run_command, run_process

from oscservice.advice.prediction import follow_change, predict
from oscservice.instrument.instrument_file import load_instrument, preset_names, preset_toml
from oscservice.instrument.modified_instrument import NewGauge, tuned_by, with_action_raised, with_capo, with_gauges

GUITAR = load_instrument("six-string-648")


def found(*words: str | Path) -> dict[str, Any]:
    """The JSON object that ``predict`` prints."""
    got = run_command("predict", *words, "--json")
    assert (got.code, got.err) == (0, "")
    assert got.out.count("\n") == 1
    result: dict[str, Any] = json.loads(got.out)
    return result


def preset_with(folder: Path, name: str, **numbers: float) -> Path:
    """Return a copy of a preset in which a key has another value everywhere."""
    lines = preset_toml(name).splitlines()
    for key, value in numbers.items():
        lines = [f"{key} = {value}" if line.startswith(f"{key} =") else line for line in lines]
    file = folder / "copy.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    return file


@pytest.mark.parametrize("name", preset_names())
def test_every_preset_fits_100_columns(name: str) -> None:
    got = run_command("predict", name, "--semitones", "-2")
    assert (got.code, got.err) == (0, "")
    assert max(map(len, got.out.splitlines())) <= 100
    rows = [line.split() for line in got.out.splitlines()]
    for number, string in enumerate(load_instrument(name).strings, start=1):
        assert sum(row[:2] == [str(number), string.note] for row in rows) == 2


def test_as_a_process_it_prints_the_same() -> None:
    words = ("predict", "six-string-648", "--semitones", "-2")
    done = run_process(*words)
    assert (done.returncode, done.stdout, done.stderr) == (0, run_command(*words).out, "")


def test_json_is_the_prediction() -> None:
    got = found("six-string-648")
    assert got["instrument"] == "six-string-648"
    assert got["cautions"] == []
    assert "following" not in got
    for given, foretold in zip(got["strings"], predict(GUITAR), strict=True):
        assert given["string"] == foretold.string
        assert given["note"] == foretold.note
        assert given["setback_mm"] == foretold.setback_mm
        assert given["setback_se_mm"] == foretold.setback_se_mm
        assert given["move_mm"] == foretold.setback_mm - GUITAR.string(foretold.string).setback_mm
        assert given["worth_moving"] is False


def test_changes_are_made_together() -> None:
    words = ["--gauges", "0.011 0.014 - - - 0.052/0.019", "--semitones", "-2", "--action-mm", "+0.3", "--capo", "2"]
    got = found("six-string-648", *words)
    inch = 25.4
    gauges = {1: NewGauge(0.011 * inch), 2: NewGauge(0.014 * inch), 6: NewGauge(0.052 * inch, 0.019 * inch)}
    after = with_capo(with_action_raised(tuned_by(with_gauges(GUITAR, gauges), -2), 0.3), 2)
    for given, followed in zip(got["following"], follow_change(GUITAR, after), strict=True):
        assert given["after_mm"] == pytest.approx(followed.after_mm)
        assert given["change_mm"] == pytest.approx(followed.change_mm)
        assert given["change_se_mm"] == pytest.approx(followed.change_se_mm)
    assert got["change"] == {"action_mm": 0.3, "semitones": -2, "gauges": words[1], "capo": 2}


def test_the_nut_the_reference_and_notes() -> None:
    low = found("six-string-648", "--notes", "E4,B3,G3,D3,A2,D2")["following"]
    assert [one["change_mm"] for one in low[:5]] == [0.0] * 5
    assert low[5]["change_mm"] > 0.3
    assert (low[5]["before_note"], low[5]["after_note"]) == ("E2", "D2")
    assert all(one["change_mm"] > 0.0 for one in found("six-string-648", "--nut-mm", "0.6")["following"])
    assert all(one["change_mm"] < 0.0 for one in found("six-string-648", "--reference", "446")["following"])


def test_the_table_has_the_move_that_a_change_needs() -> None:
    got = run_command("predict", "six-string-648", "--action-mm", "0.5")
    assert (got.code, got.err) == (0, "")
    first = next(f for f in follow_change(GUITAR, with_action_raised(GUITAR, 0.5)) if f.string == 6)
    assert "How each saddle follows: action +0.5 mm" in got.out
    row = [line for line in got.out.splitlines() if line.split()[:2] == ["6", "E2"]][-1]
    assert f"{first.change_mm:.1f} mm away from the nut" in row
    assert f"{first.stays_cents:+.1f}" in row


def test_a_change_is_given_and_told_in_inches() -> None:
    got = run_command("predict", "six-string-648", "--action", "1/64 in", "--lengths", "in")
    assert (got.code, got.err) == (0, "")
    assert "How each saddle follows: action +0.016 in" in got.out
    assert not re.search(r"\bmm\b", got.out.replace(GUITAR.title, ""))
    first = next(f for f in follow_change(GUITAR, with_action_raised(GUITAR, 0.396875)) if f.string == 6)
    row = [line for line in got.out.splitlines() if line.split()[:2] == ["6", "E2"]][-1]
    assert f"{first.change_mm / 25.4:.3f} in away from the nut" in row
    assert found("six-string-648", "--nut", '0.02"')["change"] == {"nut_mm": pytest.approx(0.508)}
    words = ("predict", "six-string-648", "--action", "-0.2 mm")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("OSCSERVICE_LENGTHS", "in")
        assert "action -0.008 in" in run_command(*words).out
    assert "action -0.2 mm" in run_command(*words).out


def test_misplaced_saddles_are_reported_before_the_first_pluck(tmp_path: Path) -> None:
    got = run_command("predict", preset_with(tmp_path, "six-string-648", setback_mm=-1.0, away_mm=4.0))
    assert (got.code, got.err) == (0, "")
    rows = {line.split()[0]: line for line in got.out.splitlines() if line.split()[:1] and line.split()[0].isdigit()}
    assert "2.2 mm away from the nut" in rows["1"]
    assert "room" not in rows["1"]
    assert "5.7 mm away from the nut; room: 4.0 mm" in rows["6"]
    assert "Slacken a string before its saddle is moved" in got.out


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("six-string-648-paired", "(shared)"),
        ("six-string-628-fixed", "fixed: 2.3 mm away from the nut wanted"),
        ("six-string-628", "mm away from the nut"),
    ],
)
def test_bridges_have_their_own_words(tmp_path: Path, name: str, words: str) -> None:
    got = run_command("predict", preset_with(tmp_path, name, setback_mm=-1.0))
    assert (got.code, got.err) == (0, "")
    assert words in got.out


def test_a_crown_is_measured_before_it_is_shaped(tmp_path: Path) -> None:
    """Removed material can't be put back."""
    file = preset_with(tmp_path, "acoustic-645", setback_mm=-1.0)
    crown = '[bridge]\nkind = "fixed saddle"\ntoward_nut_mm = 0.5\naway_mm = 1.0\n'
    text = re.sub(r"\[bridge\].*?(?=\n\[\[string)", crown, file.read_text(encoding="utf-8"), flags=re.DOTALL)
    file.write_text(text, encoding="utf-8")
    got = run_command("predict", file)
    assert (got.code, got.err) == (0, "")
    assert "measure first: 2.6 mm away from the nut" in got.out


def test_a_string_near_breaking_is_cautioned() -> None:
    got = run_command("predict", "six-string-648", "--semitones", "3")
    assert (got.code, got.err) == (0, "")
    told_of = " ".join(got.out.split())
    caution = "Caution: string 1 at G4 after the change (tuned by +3 semitones): 102 N is 83 % of the core's strength"
    assert caution in told_of
    assert "wear eye protection" in told_of
    assert told_of.count("Caution") == 1
    assert len(found("six-string-648", "--semitones", "3")["cautions"]) == 1
    assert "Caution" not in run_command("predict", "six-string-648", "--semitones", "2").out


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--gauges", "0.010 0.013"], "six-string-648: --gauges: found 2, expected 6, string 1 first"),
        (["--gauges", "11 - - - - -"], "six-string-648: --gauges: found '11', expected inches, e.g. 0.011"),
        (["--gauges", "0.011/ - - - - -"], "six-string-648: --gauges: found '0.011/', expected inches"),
        (["--gauges", "nan - - - - -"], "six-string-648: --gauges: found 'nan', expected inches"),
        (["--notes", "E4 B3"], "six-string-648: notes: found 2, expected 6"),
        (["--notes", "E4 B3 G3 D3 A2 D2", "--semitones", "1"], "six-string-648: --notes and --semitones: expected one"),
        (["--tuning", "drop D", "--notes", "E4"], "six-string-648: --notes and --tuning: expected one of them"),
        (["--tuning", "drop D"], "six-string-648: tuning: found 'drop D', this instrument has none; add [[tuning]]"),
        (["--semitones", "24"], "six-string-648: string 1: E6 on 0.25 mm would pull"),
        (["--semitones", "99"], "invalid value for '--semitones'"),
        (["--action", "0.2 m"], "--action: found '0.2 m', whose unit is not mm, cm or in; write 0.2 mm"),
        (["--lengths", "ft"], "invalid value for '--lengths'"),
        (["--action-mm", "40"], "six-string-648: string 1, action_12_mm: 41.6: input should be less than"),
        (["--capo", "24"], "six-string-648: capo: fret 24 leaves no fret above it; expected 1 to 23"),
        (["--reference", "20"], "six-string-648: reference_hz: 20.0: input should be greater than"),
    ],
)
def test_an_unchangeable_setting_is_one_line(words: list[str], complaint: str) -> None:
    got = run_command("predict", "six-string-648", *words)
    assert (got.code, got.out) == (2, "")
    assert got.complaint.startswith(complaint)


def test_an_unknown_instrument_is_one_line() -> None:
    got = run_command("predict", "no-such-one")
    assert (got.code, got.out) == (2, "")
    assert got.complaint.startswith("'no-such-one' is neither a preset nor a readable file")


def test_a_tuning_of_the_file_is_a_change(tmp_path: Path) -> None:
    file = tmp_path / "tunings.toml"
    file.write_text(tunings_toml(), encoding="utf-8")
    got = found(file, "--tuning", "whole tone down")
    assert got["change"] == {"tuning": "whole tone down"}
    assert [one["after_note"] for one in got["following"]] == ["D4", "A3", "F3", "C3", "G2", "D2"]
    assert "shared" not in got


def test_one_place_of_each_saddle_for_two_tunings(tmp_path: Path) -> None:
    file = tmp_path / "tunings.toml"
    file.write_text(tunings_toml(), encoding="utf-8")
    got = found(file, "--tuning", "standard + drop D")
    assert [one["string"] for one in got["shared"]] == [1, 2, 3, 4, 5, 6]
    *_, sixth = got["shared"]
    assert sixth["notes"] == ["E2", "D2"]
    assert sixth["alone_mm"][0] < sixth["setback_mm"] < sixth["alone_mm"][1]
    flat, sharp = sixth["left_cents"]
    assert flat < -0.5
    assert flat == pytest.approx(-sharp, abs=0.05)
    table = run_command("predict", file, "--tuning", "standard + drop D").out
    assert max(map(len, table.splitlines())) <= 100
    shared = table[table.index("One place of each saddle: standard + drop D") :]
    assert "E2 to D2" in shared
    assert "B3" not in shared  # tuned alike by both
