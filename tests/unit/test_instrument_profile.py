"""Instruments: presets, files, and what follows from them."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from oscservice.errors import InputError
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.profile import KINDS, Instrument, load_instrument, preset_names, preset_toml
from oscservice.instrument.tomlcheck import read_instrument


def test_presets_cover_every_kind_of_bridge_and_4_to_8_strings() -> None:
    presets = [load_instrument(name) for name in preset_names()]
    assert {preset.bridge.kind for preset in presets} == set(KINDS)
    assert {len(preset.strings) for preset in presets} == {4, 5, 6, 7, 8}


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_is_whole(name: str) -> None:
    preset = load_instrument(name)
    assert preset.name == name
    assert Instrument.from_json(preset.to_json()) == preset
    pitches = [preset.open_hz(n) for n in range(1, len(preset.strings) + 1)]
    assert pitches == sorted(pitches, reverse=True)
    assert "assumed" in preset_toml(name)  # core diameters are nobody's published numbers


@pytest.mark.parametrize("name", preset_names())
def test_a_copied_preset_reads_the_same(name: str, tmp_path: Path) -> None:
    copy = tmp_path / "mine.toml"
    copy.write_text(preset_toml(name), encoding="utf-8")
    assert load_instrument(str(copy)) == load_instrument(name)


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


def test_paired_saddles_move_two_strings_and_an_odd_one_alone() -> None:
    guitar = load_instrument("six-string-648-paired")
    assert [set(a.influence) for a in guitar.bridge.adjusters] == [{1, 2}, {3, 4}, {5, 6}]
    text = preset_toml("bass-5-864").replace('"screw-driven fixed"', '"paired saddles"')
    assert [set(a.influence) for a in read_instrument(text, "x").bridge.adjusters] == [{1, 2}, {3, 4}, {5}]


def test_a_bar_moves_every_string_along_a_line() -> None:
    treble, bass = load_instrument("six-string-628-bar").bridge.adjusters
    for n in range(1, 7):
        assert treble.influence[n] + bass.influence[n] == pytest.approx(1.0)
        assert treble.influence[n] == pytest.approx(bass.influence[7 - n])
    steps = [treble.influence[n] - treble.influence[n + 1] for n in range(1, 6)]
    assert steps == pytest.approx([52.0 / 5.0 / 82.0] * 5, abs=1e-5)


def test_a_fixed_saddle_has_nothing_to_move() -> None:
    acoustic = load_instrument("acoustic-645")
    assert acoustic.bridge.adjusters == ()
    assert acoustic.adjuster_of(1) is None


def test_a_multi_scale_instrument_keeps_each_scale() -> None:
    scales = [string.scale_mm for string in load_instrument("eight-string-multi-scale").strings]
    assert (scales[0], scales[-1]) == (648.0, 711.0)
    assert scales == sorted(scales)


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
