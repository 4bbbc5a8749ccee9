"""Instruments: presets, files, and what follows from them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import ValidationError

from oscservice.errors import InputError
from oscservice.instrument.bridge_kinds import SADDLE_KINDS, BridgeSize, checked, kind_of
from oscservice.instrument.fretting import fretted_error_cents, fretted_string, true_setback_mm
from oscservice.instrument.hardware import BALANCES, NUTS, SADDLES
from oscservice.instrument.instrument_file import load_instrument, preset_names, preset_toml, read_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_number
from oscservice.instrument.spec import MOST_STRINGS, Adjuster, Instrument
from oscservice.instrument.string_physics import tension_n


def test_presets_cover_every_kind_of_hardware_and_number_of_strings() -> None:
    presets = [load_instrument(name) for name in preset_names()]
    assert {preset.bridge.saddle for preset in presets} == set(SADDLES) == set(SADDLE_KINDS)
    assert {preset.bridge.balance for preset in presets} == set(BALANCES)
    assert {preset.nut.kind for preset in presets} == set(NUTS)
    assert {len(preset.strings) for preset in presets} == {4, 5, 6, 7, 8, 12}
    sprung = {(preset.bridge.saddle, preset.nut.locking) for preset in presets if preset.bridge.floating}
    assert sprung == {("clamped", False), ("clamped", True), ("screw-driven", False)}


def test_fine_tuners_go_with_a_locking_nut() -> None:
    for preset in (load_instrument(name) for name in preset_names()):
        assert (preset.fine_tuners is not None) == preset.nut.locking == (preset.bridge.anchor == "string lock")
        if preset.nut.locking:
            assert sorted(n for clamp in preset.nut.clamps for n in clamp) == list(range(1, len(preset.strings) + 1))


def test_a_screw_is_let_down_first_and_turns_away_from_the_nut() -> None:
    for preset in (load_instrument(name) for name in preset_names()):
        screws = [adjuster for adjuster in preset.bridge.adjusters if adjuster.means == "screw"]
        assert preset.bridge.let_down == (bool(screws) and not preset.bridge.slacken)
        assert {adjuster.clockwise for adjuster in screws} <= {"away from the nut"}
        assert all(a.clockwise is None for a in preset.bridge.adjusters if a not in screws)


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_is_whole(name: str) -> None:
    preset = load_instrument(name)
    assert preset.name == name
    assert Instrument.from_json(preset.to_json()) == preset
    notes = [note_number(string.note) for string in preset.strings]
    first = notes[::2] if len(notes) == MOST_STRINGS else notes  # of each course
    assert first == sorted(first, reverse=True)
    assert "assumed" in preset_toml(name)  # core diameters are no published numbers


@pytest.mark.parametrize("name", preset_names())
def test_a_copied_preset_reads_the_same(name: str, tmp_path: Path) -> None:
    copy = tmp_path / "mine.toml"
    copy.write_text(preset_toml(name), encoding="utf-8")
    assert load_instrument(str(copy)) == load_instrument(name)


@pytest.mark.parametrize("balance", BALANCES)
@pytest.mark.parametrize("saddle", SADDLES)
def test_a_built_in_kind_is_possible_with_every_number_of_strings(balance: str, saddle: str) -> None:
    kind = kind_of(balance, saddle)
    assert checked(kind) is kind
    assert (kind.saddle, kind.floating) == (saddle, balance == "spring-balanced")
    assert list(kind.made_for) == list(range(1, MOST_STRINGS + 1))
    for strings in kind.made_for:
        moved = {number for influence in kind.layout(BridgeSize(strings)).values() for number in influence}
        assert moved == set(range(1, strings + 1))


def test_places_follow_equal_temperament() -> None:
    guitar = load_instrument("six-string-648")
    assert guitar.open_hz(5) == pytest.approx(110.0)
    assert guitar.place_hz(5, OPEN) == pytest.approx(110.0)
    assert guitar.place_hz(5, Place("fret", 12)) == pytest.approx(220.0)
    assert guitar.place_hz(5, HARMONIC) == pytest.approx(220.0)
    assert guitar.place_hz(5, Place("fret", 3)) == pytest.approx(130.8128, abs=1e-4)


@pytest.mark.parametrize("number", [0, 7, -1])
def test_a_string_that_is_not_there(number: int) -> None:
    with pytest.raises(ValueError, match="expected 1 to 6"):
        load_instrument("six-string-648").string(number)


def test_separate_saddles_move_one_string_each() -> None:
    guitar = load_instrument("six-string-628")
    assert [a.influence for a in guitar.bridge.adjusters] == [{n: 1.0} for n in range(1, 7)]
    adjuster = guitar.adjuster_of(4)
    assert adjuster is not None
    assert adjuster.influence == {4: 1.0}
    assert adjuster.mm_per_turn == 0.5


def test_paired_saddles_move_two_strings_and_an_odd_one_by_itself() -> None:
    guitar = load_instrument("six-string-648-paired")
    assert [set(a.influence) for a in guitar.bridge.adjusters] == [{1, 2}, {3, 4}, {5, 6}]
    text = preset_toml("bass-5-864").replace('"screw-driven"', '"paired"')
    assert [set(a.influence) for a in read_instrument(text, "x").bridge.adjusters] == [{1, 2}, {3, 4}, {5}]


def test_a_bar_moves_every_string_along_a_line() -> None:
    treble, bass = load_instrument("six-string-628-bar").bridge.adjusters
    for n in range(1, 7):
        assert treble.influence[n] + bass.influence[n] == pytest.approx(1.0)
        assert treble.influence[n] == pytest.approx(bass.influence[7 - n])
    steps = [treble.influence[n] - treble.influence[n + 1] for n in range(1, 6)]
    assert steps == pytest.approx([52.0 / 5.0 / 82.0] * 5, abs=1e-5)


def test_a_fixed_saddle_has_nothing_to_move() -> None:
    fixed = load_instrument("six-string-628-fixed")
    assert fixed.bridge.adjusters == ()
    assert fixed.adjuster_of(1) is None


def test_a_wide_fixed_saddle_is_shaped_string_by_string() -> None:
    room = '"shaped"\ntoward_nut_mm = 0.8\naway_mm = 0.6\n'
    text = preset_toml("six-string-628-fixed").replace('"shaped"', room, 1)
    shaped = read_instrument(text, "x")
    assert [a.name for a in shaped.bridge.adjusters] == [f"crown {n}" for n in range(1, 7)]
    crown = shaped.adjuster_of(3)
    assert crown is not None
    assert (crown.influence, crown.means, crown.mm_per_turn) == ({3: 1.0}, "shaped", None)
    assert (crown.toward_nut_mm, crown.away_mm, crown.step_mm) == (0.8, 0.6, 0.2)
    assert shaped.bridge.slacken


@pytest.mark.parametrize(
    ("preset", "means", "step_mm"),
    [
        ("six-string-648", "clamped by hand", 0.1),
        ("six-string-628", "screw", 0.0625),  # an eighth of M3's 0.5 mm
        ("six-string-648-paired", "screw", 25.4 / 32.0 / 8.0),
        ("six-string-628-bar", "screw", 0.0625),
    ],
)
def test_an_adjuster_has_the_means_and_step_of_its_kind(preset: str, means: str, step_mm: float) -> None:
    for adjuster in load_instrument(preset).bridge.adjusters:
        assert adjuster.means == means
        assert adjuster.step_mm == pytest.approx(step_mm)


def test_a_step_may_be_given() -> None:
    text = preset_toml("six-string-648").replace("away_mm = 5.0", "away_mm = 5.0\nstep_mm = 0.25", 1)
    assert {a.step_mm for a in read_instrument(text, "x").bridge.adjusters} == {0.25}


OWN_ADJUSTERS = """
[[bridge.adjuster]]
name = "treble block"
influence = { "1" = 1.0, "2" = 1.0, "3" = 1.0 }
toward_nut_mm = 3.0
thread = "#5-40"

[[bridge.adjuster]]
name = "bass block"
influence = { "4" = 1.0, "5" = 1.0, "6" = 1.0 }
away_mm = 2.5

[[bridge.adjuster]]
name = "tilt"
toward_nut_mm = 1.0
away_mm = 1.0
means = "shaped"
step_mm = 0.3
influence.1 = 0.5
influence.6 = -0.5
"""


def test_a_bridge_may_have_adjusters_of_its_own() -> None:
    text = preset_toml("six-string-628-fixed").replace("\n[[string]]", OWN_ADJUSTERS + "\n[[string]]", 1)
    treble, bass, tilt = read_instrument(text, "x").bridge.adjusters
    assert (treble.name, treble.influence) == ("treble block", {1: 1.0, 2: 1.0, 3: 1.0})
    assert (treble.toward_nut_mm, treble.away_mm, treble.means) == (3.0, 0.0, "screw")
    assert treble.mm_per_turn == pytest.approx(25.4 / 40.0)
    assert treble.step_mm == pytest.approx(25.4 / 40.0 / 8.0)
    assert (bass.means, bass.step_mm, bass.mm_per_turn) == ("clamped by hand", 0.1, None)
    assert (tilt.influence, tilt.means, tilt.step_mm) == ({1: 0.5, 6: -0.5}, "shaped", 0.3)


def test_a_screw_right_under_a_string_leaves_it_to_that_screw() -> None:
    text = preset_toml("six-string-628-bar").replace("screw_span_mm = 82.0", "screw_span_mm = 52.0")
    treble, bass = read_instrument(text, "x").bridge.adjusters
    assert 1 not in bass.influence
    assert 6 not in treble.influence
    assert treble.influence[1] == bass.influence[6] == 1.0


def test_instruments_of_older_records_load() -> None:
    """Journals hold instruments from before adjusters had means and steps, and strings offsets."""
    for name, means, step_mm in (("six-string-648", "clamped by hand", 0.1), ("bass-4-864", "screw", 0.0875)):
        now = load_instrument(name)
        old = json.loads(now.to_json())
        for adjuster in old["bridge"]["adjusters"]:
            del adjuster["means"], adjuster["step_mm"]
        for string in old["strings"]:
            del string["offset_cents"]
        loaded = Instrument.from_json(json.dumps(old))
        assert loaded == now
        assert {(a.means, round(a.step_mm, 9)) for a in loaded.bridge.adjusters} == {(means, step_mm)}


@pytest.mark.parametrize(
    "wrong",
    [{"means": "glued"}, {"means": ["screw"]}, {"means": "screw"}, {"step_mm": 0.0}, {"mm_per_turn": 10**400}],
)
def test_an_adjuster_that_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    good = {"name": "a", "influence": {1: 1.0}, "toward_nut_mm": 1.0, "away_mm": 1.0, "mm_per_turn": None}
    assert Adjuster.model_validate(good).means == "clamped by hand"
    with pytest.raises(ValidationError):
        Adjuster.model_validate({**good, **wrong})


def test_sessions_go_by_the_identity_or_else_by_the_name(tmp_path: Path) -> None:
    text = preset_toml("six-string-648")
    assert load_instrument("six-string-648").identity == "six-string-648"
    file = tmp_path / "any.toml"
    file.write_text(text.replace('name = "', 'identity = "The red one (2nd)"\nname = "', 1), encoding="utf-8")
    own = load_instrument(str(file))
    assert (own.identity, own.name) == ("The red one (2nd)", "six-string-648")
    assert Instrument.from_json(own.to_json()) == own
    record = json.loads(own.to_json())
    del record["identity"]  # as written before instruments had one
    assert Instrument.from_json(json.dumps(record)).identity == "six-string-648"


def test_an_open_string_may_be_wanted_off_its_note() -> None:
    text = preset_toml("six-string-648").replace('note = "A2"', 'note = "A2"\noffset_cents = -3.0', 1)
    guitar = read_instrument(text, "x")
    assert guitar.open_hz(5) == pytest.approx(109.80955, abs=1e-5)  # 110 Hz times the 400th root of 1/2
    assert guitar.place_hz(5, Place("fret", 12)) == pytest.approx(2.0 * guitar.open_hz(5))
    assert guitar.open_hz(6) == load_instrument("six-string-648").open_hz(6)


def test_a_multi_scale_instrument_keeps_each_scale() -> None:
    scales = [string.scale_mm for string in load_instrument("eight-string-multi-scale").strings]
    assert (scales[0], scales[-1]) == (648.0, 711.0)
    assert scales == sorted(scales)


def test_a_twelve_string_has_two_courses_in_unison_and_four_in_octaves() -> None:
    strings = load_instrument("twelve-string-648").strings
    notes = [note_number(string.note) for string in strings]
    assert [notes[k + 1] - notes[k] for k in range(0, 12, 2)] == [0, 0, 12, 12, 12, 12]
    assert all(strings[k].gauge_mm >= strings[k + 1].gauge_mm for k in range(0, 12, 2))


@pytest.mark.parametrize("name", preset_names())
def test_strings_pull_as_sets_of_the_trade_do(name: str) -> None:
    # common practice, no source: a guitar's strings pull 45 to 125 N each, a bass's 150 to 230 N
    instrument = load_instrument(name)
    low, high = (150.0, 230.0) if name.startswith("bass") else (45.0, 125.0)
    for number, string in enumerate(instrument.strings, start=1):
        assert low < tension_n(string.unit_weight_kg_m, instrument.open_hz(number), string.scale_mm) < high


def test_over_a_zero_fret_strings_are_as_low_as_over_a_fret() -> None:
    text = preset_toml("six-string-628-zero-fret")
    assert {string.nut_height_mm for string in read_instrument(text, "x").strings} == {0.0}
    unsaid = text.replace("nut_height_mm = 0.0\n", "")
    assert unsaid != text
    assert read_instrument(unsaid, "x") == read_instrument(text, "x")


def test_a_compensated_nut_brings_the_low_frets_in_tune() -> None:
    """By the model that the offsets were calculated with: 0.5 cents at most, where a plain nut leaves 0.5 to 1.7."""
    instrument = load_instrument("six-string-648-compensated")
    for number, string in enumerate(instrument.strings, start=1):
        modelled = fretted_string(string, instrument.open_hz(number))
        assert modelled.nut_shift_mm == -string.nut_offset_mm < 0.0
        assert all(abs(fretted_error_cents(modelled, fret)) < 0.6 for fret in range(1, 16))
        plain = fretted_string(string.model_copy(update={"nut_offset_mm": 0.0}), instrument.open_hz(number))
        plain = replace(plain, setback_mm=true_setback_mm(plain))
        assert fretted_error_cents(plain, 1) > abs(fretted_error_cents(modelled, 1))


def test_instruments_cannot_be_changed() -> None:
    with pytest.raises(ValidationError):
        load_instrument("bass-4-864").frets = 3


@pytest.mark.parametrize("name", ["no-such-thing", "", "a" * 5000, "x\0y", "."])
def test_a_name_that_is_neither_preset_nor_file(name: str) -> None:
    with pytest.raises(InputError) as caught:
        load_instrument(name)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 600


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    path = tmp_path / "noise.toml"
    path.write_bytes(b"name = \xff\xfe\x00")
    with pytest.raises(InputError, match="not UTF-8 text"):
        load_instrument(str(path))


def test_an_unknown_preset_is_named() -> None:
    with pytest.raises(InputError, match=r"'six'.*bass-4-864"):
        preset_toml("six")
