"""An instrument after other strings, another tuning, action, nut, reference, or a capo."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.instrument.instrument_file import load_instrument, preset_names
from oscservice.instrument.modified_instrument import (
    NewGauge,
    tuned_by,
    with_action_raised,
    with_capo,
    with_gauges,
    with_notes,
    with_nut_height,
    with_reference,
)
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import fret_position_mm, tension_n

GUITAR = load_instrument("six-string-648")
INCH_MM = 25.4


def saddle_height_mm(instrument: Instrument, number: int) -> float:
    """String over the fret plane at the scale length's end: straight from nut over fret 12."""
    string = instrument.string(number)
    return 2.0 * string.action_12_mm - string.nut_height_mm


def test_new_gauges_have_the_weights_of_the_chart() -> None:
    changed = with_gauges(GUITAR, {1: NewGauge(0.009 * INCH_MM), 6: NewGauge(0.042 * INCH_MM)})
    thin, thick = changed.string(1), changed.string(6)
    assert (thin.wound, thin.core_mm) == (False, thin.gauge_mm)
    # Published string tension chart: .009 plain 1.794e-5 lb/in, .042 nickel wound 3.2279e-4 lb/in.
    assert thin.unit_weight_kg_m == pytest.approx(1.794e-5 * 17.858, rel=1e-3)
    assert thick.unit_weight_kg_m == pytest.approx(3.2279e-4 * 17.858, rel=1e-3)
    assert thick.wound
    assert thick.core_mm / thick.gauge_mm == pytest.approx(0.457 / (0.046 * INCH_MM))
    assert changed.strings[1:5] == GUITAR.strings[1:5]


def test_a_core_makes_a_plain_string_wound_and_back() -> None:
    wound = with_gauges(GUITAR, {3: NewGauge(0.020 * INCH_MM, 0.305)})
    assert (wound.string(3).wound, wound.string(3).core_mm) == (True, 0.305)
    assert wound.string(3).unit_weight_kg_m == pytest.approx(7.495e-5 * 17.858, rel=1e-3)  # the same chart
    gauge_mm = GUITAR.string(3).gauge_mm
    back = with_gauges(wound, {3: NewGauge(gauge_mm, gauge_mm)}).string(3)
    assert (back.wound, back.core_mm) == (False, gauge_mm)
    assert back.unit_weight_kg_m == pytest.approx(GUITAR.string(3).unit_weight_kg_m)


@given(st.integers(-3, 3))
def test_tuned_and_tuned_back_is_the_same(semitones: int) -> None:
    changed = tuned_by(GUITAR, semitones)
    for number in range(1, 7):
        assert changed.open_hz(number) / GUITAR.open_hz(number) == pytest.approx(2.0 ** (semitones / 12.0))
    assert tuned_by(changed, -semitones) == GUITAR


def test_new_notes() -> None:
    changed = with_notes(GUITAR, ["E4", "B3", "G3", "D3", "A2", "D2"])
    assert [s.note for s in changed.strings] == ["E4", "B3", "G3", "D3", "A2", "D2"]
    assert changed.strings[:5] == GUITAR.strings[:5]
    assert changed.string(6).model_copy(update={"note": "E2"}) == GUITAR.string(6)


def test_raised_action() -> None:
    changed = with_action_raised(GUITAR, 0.3)
    for number in range(1, 7):
        before, after = GUITAR.string(number), changed.string(number)
        assert after.action_12_mm == pytest.approx(before.action_12_mm + 0.3)
        assert after.model_copy(update={"action_12_mm": before.action_12_mm}) == before


def test_a_lower_nut_leaves_the_saddles_as_high_as_they_are() -> None:
    changed = with_nut_height(GUITAR, 0.1)
    for number in range(1, 7):
        assert changed.string(number).nut_height_mm == 0.1
        assert saddle_height_mm(changed, number) == pytest.approx(saddle_height_mm(GUITAR, number))


def test_another_reference_retunes_all() -> None:
    changed = with_reference(GUITAR, 432.0)
    assert changed.strings == GUITAR.strings
    assert changed.open_hz(5) == pytest.approx(432.0 / 4.0)


@pytest.mark.parametrize("name", preset_names())
@pytest.mark.parametrize("fret", [1, 3, 7])
def test_a_capo_makes_its_fret_the_nut(name: str, fret: int) -> None:
    """Pitch, tension, frets and saddles: what lies above the capo's fret is where it was."""
    whole = load_instrument(name)
    capo = with_capo(whole, fret)
    assert capo.frets == whole.frets - fret
    for number in range(1, len(whole.strings) + 1):
        old, new = whole.string(number), capo.string(number)
        assert capo.open_hz(number) == pytest.approx(whole.place_hz(number, Place("fret", fret)))
        assert tension_n(new.unit_weight_kg_m, capo.open_hz(number), new.scale_mm) == pytest.approx(
            tension_n(old.unit_weight_kg_m, whole.open_hz(number), old.scale_mm)
        )
        cut = fret_position_mm(old.scale_mm, fret)
        for higher in (1, 5, 12):
            assert cut + fret_position_mm(new.scale_mm, higher) == pytest.approx(
                fret_position_mm(old.scale_mm, fret + higher)
            )
        assert new.setback_mm == old.setback_mm
        assert saddle_height_mm(capo, number) == pytest.approx(saddle_height_mm(whole, number))
        assert new.nut_height_mm == 0.0


def test_offsets_stay_with_their_strings() -> None:
    tempered = GUITAR.model_copy(
        update={"strings": tuple(s.model_copy(update={"offset_cents": -4.0}) for s in GUITAR.strings)}
    )
    changed = tuned_by(tempered, -2)
    assert 1200.0 * math.log2(changed.open_hz(2) / tempered.open_hz(2)) == pytest.approx(-200.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda: with_gauges(GUITAR, {7: NewGauge(0.25)}), "string 7 isn't there; expected 1 to 6"),
        (lambda: with_gauges(GUITAR, {1: NewGauge(25.4)}), "string 1, gauge_mm: 25.4: input should be less than"),
        (lambda: with_gauges(GUITAR, {6: NewGauge(1.2, 1.3)}), "string 6: core of 1.3 mm is not thinner"),
        (lambda: with_gauges(GUITAR, {1: NewGauge(0.6)}), "string 1: E4 on 0.60 mm would pull 403 N; expected 10 to 3"),
        (lambda: tuned_by(GUITAR, 13), "string 1: F5 on 0.25 mm would pull"),
        (lambda: with_notes(GUITAR, ["E4", "B3"]), "notes: found 2, expected 6, string 1 first"),
        (lambda: with_notes(GUITAR, ["E4", "H3", *["E3"] * 4]), "string 2, note: H3: 'H3' is not a note name"),
        (lambda: with_action_raised(GUITAR, 9.0), "string 1, action_12_mm: 10.6: input should be less than or equal"),
        (lambda: with_action_raised(GUITAR, -1.5), "string 1, action_12_mm: 0.1 is not more than half of the height"),
        (lambda: with_action_raised(GUITAR, math.nan), "string 1, action_12_mm: nan: input should be a finite number"),
        (lambda: with_nut_height(GUITAR, -0.1), "string 1, nut_height_mm: -0.1: input should be greater than or equal"),
        (lambda: with_reference(GUITAR, 20.0), "reference_hz: 20.0: input should be greater than or equal to 380"),
        (lambda: with_capo(GUITAR, 24), "capo: fret 24 leaves no fret above it; expected 1 to 23"),
        (lambda: with_capo(GUITAR, 0), "capo: fret 0 leaves no fret above it"),
        (lambda: with_capo(GUITAR, 15), "string 1, scale_mm: 272"),
    ],
)
def test_an_impossible_change_is_one_line(change: object, words: str) -> None:
    assert callable(change)
    with pytest.raises(ValueError) as refusal:
        change()
    assert str(refusal.value).startswith(words)
    assert "\n" not in str(refusal.value)
