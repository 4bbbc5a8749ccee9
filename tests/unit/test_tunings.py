"""Named tunings of an instrument file, and saddles that serve two of them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from bench.silent import set_up
from hypothesis import given
from hypothesis import strategies as st
from instrument_tunings import TUNINGS, tuned_instrument, tunings_toml
from invented_sessions import out_of_tune
from scipy.optimize import minimize_scalar

from oscservice.api.event_text import sentence
from oscservice.errors import InputError
from oscservice.instrument.fretting import FrettedString, fretted_error_cents, fretted_string
from oscservice.instrument.instrument_file import load_instrument, preset_toml, read_instrument
from oscservice.instrument.modified_instrument import tuned_by, with_capo, with_fret_targets, with_tuning
from oscservice.instrument.pitch import Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.instrument.tunings import both_tunings, in_tuning
from oscservice.session import events as ev
from oscservice.simulate.guitar_mechanics import Rig

GUITAR = tuned_instrument()
FRETS = range(1, GUITAR.frets + 1)


def refusal(text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_instrument(text, "my.toml")
    return str(caught.value)


def notes(instrument: Instrument) -> list[str]:
    return [string.note for string in instrument.strings]


def test_a_file_without_tunings_has_none() -> None:
    plain = load_instrument("six-string-648")
    assert (plain.tuning, plain.tunings) == ("", ())


def test_the_strings_of_the_file_are_its_first_tuning() -> None:
    assert GUITAR.tuning == "standard"
    assert [tuning.name for tuning in GUITAR.tunings] == ["standard", "drop D", "whole tone down"]
    assert list(GUITAR.tunings[0].notes) == notes(GUITAR) == ["E4", "B3", "G3", "D3", "A2", "E2"]
    unnamed = read_instrument(preset_toml("six-string-648") + TUNINGS, "my.toml")
    assert unnamed.tuning == unnamed.tunings[0].name == "as filed"


def test_another_tuning_has_its_notes_and_offsets() -> None:
    low = with_tuning(GUITAR, "whole tone down")
    assert low.tuning == "whole tone down"
    assert notes(low) == ["D4", "A3", "F3", "C3", "G2", "D2"]
    assert [string.offset_cents for string in low.strings] == [0, 0, -4.5, 0, 0, 2]
    assert low.open_hz(3) / GUITAR.open_hz(3) == pytest.approx(2.0 ** (-204.5 / 1200.0))
    assert with_tuning(low, "standard") == GUITAR
    assert with_tuning(GUITAR, "standard") == GUITAR


def test_a_record_keeps_its_tunings() -> None:
    low = with_tuning(GUITAR, "drop D")
    assert Instrument.from_json(low.to_json()) == low


def test_an_unknown_tuning_is_told_with_the_known_ones() -> None:
    with pytest.raises(ValueError) as caught:
        in_tuning(GUITAR, "drop C")
    assert str(caught.value) == "tuning: found 'drop C', expected one of standard, drop D, whole tone down"
    with pytest.raises(ValueError, match="has none; add"):
        in_tuning(load_instrument("six-string-648"), "drop D")
    with pytest.raises(ValueError, match=r"found 3 names, expected one, or two with \+ between"):
        in_tuning(GUITAR, "standard + drop D + whole tone down")
    with pytest.raises(ValueError, match="found 'drop D' twice, expected two tunings"):
        in_tuning(GUITAR, "drop D + drop D")


@pytest.mark.parametrize(
    ("stood", "instead", "at", "words"),
    [
        ('"A2", "D2"]', '"D2"]', "notes", "tuning 1, notes: found 5, expected 6, one for each string"),
        ("0, 0, 2]", "0, 0]", "offsets_cents", "tuning 2, offsets_cents: found 5, expected 6, one for each string"),
        ('"drop D"', '"standard"', "name", "tuning 1, name: found 'standard' again, expected another name for each"),
        (
            '["E4", "B3", "G3", "D3", "A2", "D2"]',
            '["E4", "B3", "G3", "D3", "A2", "D0"]',
            "notes",
            "tuning 1, notes: found D0 for string 6, which would pull 4 N; expected 10 to 300 N",
        ),
        (
            '["E4", "B3", "G3", "D3", "A2", "D2"]',
            '["D5", "B3", "G3", "D3", "A2", "D2"]',
            "notes",
            "tuning 1, notes: found D5 for string 1, which breaks its core",
        ),
        ('"drop D"', '"drop + D"', "name", "tuning 1, name: found 'drop + D', expected a text of 1 to 40 characters"),
        ('"B3", "G3"', '"H3", "G3"', "notes", "tuning 1, notes: found 'H3', expected the note of each string"),
    ],
)
def test_a_mistake_in_a_tuning_is_named_by_line_and_key(stood: str, instead: str, at: str, words: str) -> None:
    text = tunings_toml(TUNINGS.replace(stood, instead, 1))
    message = refusal(text)
    line = int(message.split("line ")[1].split(":")[0])
    assert words in message
    assert text.splitlines()[line - 1].startswith(at)


def test_the_error_of_a_fret_counts_from_its_target() -> None:
    aimed = with_fret_targets(GUITAR, {2: {5: 3.0, 12: -2.0}})
    assert aimed.place_hz(2, Place("fret", 5)) / GUITAR.place_hz(2, Place("fret", 5)) == pytest.approx(2 ** (3 / 1200))
    assert aimed.place_hz(2, Place("fret", 4)) == GUITAR.place_hz(2, Place("fret", 4))
    assert aimed.place_hz(2, Place("harmonic")) == GUITAR.place_hz(2, Place("harmonic"))
    assert aimed.place_hz(1, Place("fret", 5)) == GUITAR.place_hz(1, Place("fret", 5))
    with pytest.raises(ValueError, match="string 2, fret_targets_cents 5: "):
        with_fret_targets(GUITAR, {2: {5: 51.0}})


def test_a_capo_takes_tunings_and_targets_with_it() -> None:
    aimed = with_fret_targets(GUITAR, {6: {2: 1.0, 5: 3.0}})
    capo = with_capo(aimed, 2)
    assert capo.string(6).fret_targets_cents[3] == 2.0
    assert capo.string(6).fret_targets_cents[1] == capo.string(6).fret_targets_cents[10] == -1.0
    assert max(capo.string(6).fret_targets_cents) == capo.frets
    assert capo.string(1).fret_targets_cents == {}
    assert capo.perpendicular_fret == GUITAR.perpendicular_fret - 2
    low = with_tuning(capo, "drop D")
    assert notes(low) == notes(with_capo(with_tuning(GUITAR, "drop D"), 2))


def squares(string: FrettedString, setback_mm: float, targets_cents: dict[int, float]) -> float:
    moved = replace(string, setback_mm=setback_mm)
    return math.fsum((fretted_error_cents(moved, fret) - targets_cents.get(fret, 0.0)) ** 2 for fret in FRETS)


@pytest.mark.parametrize("number", [1, 3, 6])
def test_targets_for_two_tunings_give_the_least_squares_of_both(number: int) -> None:
    both = in_tuning(GUITAR, "standard + whole tone down")
    strings = [fretted_string(one.string(number), one.open_hz(number)) for one in both_tunings(both)]
    # Independent: the sum of squares over all frets of both tunings, by the full model, as a function of the saddle.
    best = minimize_scalar(
        lambda mm: sum(squares(string, mm, {}) for string in strings), bounds=(-5.0, 15.0), method="bounded"
    )
    targets_cents = both.string(number).fret_targets_cents
    found = minimize_scalar(lambda mm: squares(strings[0], mm, targets_cents), bounds=(-5.0, 15.0), method="bounded")
    alone = minimize_scalar(lambda mm: squares(strings[0], mm, {}), bounds=(-5.0, 15.0), method="bounded")
    assert found.x == pytest.approx(best.x, abs=0.01)
    assert abs(alone.x - best.x) > 0.08  # it makes a difference


def test_a_string_that_is_the_same_in_both_tunings_keeps_its_targets() -> None:
    aimed = with_fret_targets(GUITAR, {1: {3: 1.5}, 6: {3: 2.0}})
    both = in_tuning(aimed, "standard+drop D")
    assert both.tuning == "standard + drop D"
    assert both.strings[:5] == aimed.strings[:5]
    unaimed = in_tuning(GUITAR, "standard + drop D").string(6).fret_targets_cents
    assert both.string(6).fret_targets_cents[3] == pytest.approx(unaimed[3] + 2.0)
    assert unaimed[12] < 0.0  # the lower tuning is the sharper one
    assert notes(both) == notes(GUITAR)


def test_the_own_targets_count_again_in_one_tuning() -> None:
    aimed = with_fret_targets(GUITAR, {6: {3: 2.0}})
    both = in_tuning(aimed, "standard + drop D")
    assert with_tuning(both, "standard").strings == aimed.strings
    assert with_tuning(both, "drop D").string(6).fret_targets_cents == {3: 2.0}
    assert tuned_by(both, -1).string(6).fret_targets_cents == {3: 2.0}
    assert tuned_by(both, -1).tuning == ""
    assert [one.tuning for one in both_tunings(both)] == ["standard", "drop D"]
    assert both_tunings(aimed) == ()


@given(st.sampled_from([("standard", "drop D"), ("drop D", "whole tone down"), ("whole tone down", "standard")]))
def test_the_order_of_two_tunings_is_that_of_the_tuning_in_use_only(names: tuple[str, str]) -> None:
    one, other = in_tuning(GUITAR, " + ".join(names)), in_tuning(GUITAR, " + ".join(reversed(names)))
    assert notes(one) == notes(with_tuning(GUITAR, names[0]))
    for here, there in zip(one.strings, other.strings, strict=True):
        for fret in here.fret_targets_cents:
            assert here.fret_targets_cents[fret] == pytest.approx(-there.fret_targets_cents[fret])


def test_the_line_of_a_session_that_begins_names_the_tuning() -> None:
    lines = []
    for instrument in (load_instrument("six-string-648"), with_tuning(GUITAR, "drop D")):
        begun = ev.SessionBegun(instrument.to_json(), "job 7", 2.0, 12)
        lines.append(sentence(begun))
    assert lines == [
        "session begun: job 7 (tolerance 2 cents)",
        "session begun: job 7 (tolerance 2 cents, tuning drop D)",
    ]


def rms_in_both(rig: Rig, instrument: Instrument) -> float:
    """Root mean square of the true errors at the compared frets of all strings, retuned to each of the two tunings."""
    found = []
    for name in ("standard", "whole tone down"):
        tuned = with_tuning(instrument, name)
        for number in range(1, 7):
            rig.turn_peg(number, cents_between(tuned.open_hz(number), rig.open_hz(number)))
        found += [rig.error_cents(number, fret) for number in range(1, 7) for fret in (3, 7, 12, 17)]
    return math.sqrt(sum(cents**2 for cents in found) / len(found))


@pytest.mark.slow
def test_a_set_up_for_two_tunings_leaves_less_over_both_than_one_for_the_first() -> None:
    guitar = read_instrument(tunings_toml(preset="six-string-628"), "my.toml")
    rms_cents = []
    for tuning in ("standard", "standard + whole tone down"):
        instrument = in_tuning(guitar, tuning)
        rig = out_of_tune(instrument, 1, 2.0)
        how = {"tolerance_cents": 1.0, "placing_mm": 0.05, "scatter_cents": 0.4}
        account = set_up(instrument, rig, 1, frets="3 7 12 17", **how)
        assert account.outcome == "proved"
        assert account.state.instrument is not None
        assert account.state.instrument.tuning == tuning
        rms_cents.append(rms_in_both(rig, guitar))
    alone, both = rms_cents
    # The change of tuning alone makes errors of about d = 2.3 cents at fret 12: d^2 / 2 are left of d^2.
    assert both < alone - 0.15
