"""Targets of an instrument, and the instrument with measured values."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.advice.prediction import predict
from oscservice.errors import InputError
from oscservice.instrument.fretting import fretted_string
from oscservice.instrument.instrument_file import load_instrument, preset_names, preset_toml, read_instrument
from oscservice.instrument.modified_instrument import (
    with_action,
    with_action_raised,
    with_height_over_fret_1,
    with_relief,
    with_strings_fitted,
)
from oscservice.instrument.setup_targets import (
    RECHECK_ACTION_MM,
    SetUp,
    age_days,
    nut_height_mm,
    over_fret_1_mm,
    relief_at_12_mm,
)
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.spring_bridge import BridgeBuild

GUITAR = load_instrument("six-string-648")
_HEAD, _, _REST = preset_toml("six-string-648").partition("[set_up]")
TEXT = _HEAD + "[bridge]" + _REST.partition("[bridge]")[2]
"""An instrument file without a set-up of its own."""

OWN = """[set_up]
relief_mm = 0.2
relief_wanted_mm = [0.15, 0.25]
action_treble_wanted_mm = [1.4, 1.8]
action_bass_wanted_mm = [1.8, 2.2]
nut_wanted_mm = [0.3, 0.6]
strings_fitted = 2026-10-01
replace_after_days = 30

[bridge]"""


def with_set_up(text: str) -> Instrument:
    return read_instrument(TEXT.replace("[bridge]", text, 1), "own.toml")


# The file


def test_targets_are_in_the_file() -> None:
    assert with_set_up(OWN).set_up == SetUp(
        relief_mm=0.2,
        relief_wanted_mm=(0.15, 0.25),
        action_treble_wanted_mm=(1.4, 1.8),
        action_bass_wanted_mm=(1.8, 2.2),
        nut_wanted_mm=(0.3, 0.6),
        strings_fitted="2026-10-01",
        replace_after_days=30,
        recheck_action_mm=RECHECK_ACTION_MM,
    )
    assert with_set_up(OWN).wanted == with_set_up(OWN).set_up


def test_unspecified_targets_follow_from_the_heights_of_the_strings() -> None:
    plain = read_instrument(TEXT, "own.toml")
    assert plain.set_up == SetUp(recheck_action_mm=RECHECK_ACTION_MM), "older records never ask for it"
    wanted = plain.wanted
    assert wanted.action_treble_wanted_mm == pytest.approx((1.35, 1.85)), "1.6 in the file, a quarter either way"
    assert wanted.action_bass_wanted_mm == pytest.approx((1.75, 2.25))
    assert wanted.relief_wanted_mm == (0.10, 0.35)
    assert wanted.nut_wanted_mm is not None
    low, high = wanted.nut_wanted_mm
    assert all(low < over_fret_1_mm(s.nut_height_mm, s.action_12_mm) < high for s in plain.strings)


@pytest.mark.parametrize("name", preset_names())
def test_presets_lie_as_they_are_wanted(name: str) -> None:
    instrument = load_instrument(name)
    assert "[set_up]" in preset_toml(name)
    wanted, first, last = instrument.wanted, instrument.strings[0], instrument.strings[-1]
    pairs = [
        (wanted.relief_wanted_mm, instrument.set_up.relief_mm),
        (wanted.action_treble_wanted_mm, first.action_12_mm),
        (wanted.action_bass_wanted_mm, last.action_12_mm),
        *[(wanted.nut_wanted_mm, over_fret_1_mm(s.nut_height_mm, s.action_12_mm)) for s in instrument.strings],
    ]
    for limits, value in pairs:
        assert limits is not None
        assert value is not None
        assert limits[0] < value < limits[1]


MISTAKES = [
    ("relief_mm = 0.2", "relief_mm = 9.0", ["set_up, relief_mm: found 9.0", "-2 to 3 (mm)"]),
    ("relief_mm = 0.2", 'relief_mm = "0.2"', ["set_up, relief_mm: found '0.2'"]),
    ("relief_mm = 0.2", "releif_mm = 0.2", ["set_up, releif_mm: unknown key", "did you mean relief_mm?"]),
    ("relief_wanted_mm", "relief_wanted_mm = [0.3, 0.1] #", ["set_up, relief_wanted_mm: found [0.3, 0.1]", "least"]),
    ("relief_wanted_mm", "relief_wanted_mm = [0.3] #", ["set_up, relief_wanted_mm: found [0.3]", "[0.1, 0.3], say"]),
    ("relief_wanted_mm", "relief_wanted_mm = 0.3 #", ["set_up, relief_wanted_mm: found 0.3"]),
    ("action_treble_wanted_mm", 'action_treble_wanted_mm = [1.0, "2"] #', ["action_treble_wanted_mm: found '2'"]),
    ("action_bass_wanted_mm", "action_bass_wanted_mm = [1.0, 22.0] #", ["action_bass_wanted_mm", "from 0 to 10"]),
    ("nut_wanted_mm", "nut_wanted_mm = [0.1, nan] #", ["nut_wanted_mm", "from 0 to 5"]),
    ("strings_fitted", 'strings_fitted = "2026-10-01" #', ["strings_fitted: found '2026-10-01'", "without quotes"]),
    ("strings_fitted", "strings_fitted = 2026-10-01T10:00:00 #", ["strings_fitted: found", "without quotes"]),
    ("strings_fitted", "strings_fitted = 2026-02-30 #", ["not valid TOML"]),
    ("replace_after_days = 30", "replace_after_days = 0", ["replace_after_days: found 0", "from 1 to 3650"]),
    ("replace_after_days = 30", "replace_after_days = 30.5", ["replace_after_days: found 30.5", "whole number"]),
]


@pytest.mark.parametrize(("stood", "instead", "words"), MISTAKES)
def test_a_mistake_is_named_by_line_and_field(stood: str, instead: str, words: list[str]) -> None:
    text = TEXT.replace("[bridge]", OWN.replace("\n" + stood, "\n" + instead), 1)
    with pytest.raises(InputError) as caught:
        read_instrument(text, "my.toml")
    message = str(caught.value)
    line = next(n for n, entry in enumerate(text.splitlines(), start=1) if entry.startswith(instead))
    assert message.startswith(f"my.toml: line {line}")
    assert "\n" not in message
    for word in words:
        assert word in message


def test_records_from_before_there_was_a_set_up_still_load() -> None:
    old = GUITAR.model_dump()
    del old["set_up"]
    loaded = Instrument.model_validate(old)
    assert loaded.set_up == SetUp()
    assert loaded.strings == GUITAR.strings
    own = with_set_up(OWN)
    assert Instrument.from_json(own.to_json()) == own


# Measured values


def test_strings_between_the_sides_lie_on_a_straight_line() -> None:
    changed = with_action(GUITAR, 1.5, 2.5)
    assert [s.action_12_mm for s in changed.strings] == pytest.approx([1.5, 1.7, 1.9, 2.1, 2.3, 2.5])
    assert [s.nut_height_mm for s in changed.strings] == [s.nut_height_mm for s in GUITAR.strings]
    assert changed.wanted == GUITAR.wanted, "what is wanted doesn't follow what was found"
    with pytest.raises(ValueError, match="lie on the frets"):
        with_action(GUITAR, 0.1, 2.0)


def test_a_higher_action_wants_more_setback() -> None:
    before, after = predict(GUITAR), predict(with_action_raised(GUITAR, 0.4))
    assert all(b.setback_mm > a.setback_mm for a, b in zip(before, after, strict=True))


def test_relief_counts_once() -> None:
    """An action that was measured with the relief holds it already; bending the neck afterwards changes the action."""
    unknown = GUITAR.model_copy(update={"set_up": SetUp()})
    known = with_relief(unknown, 0.2, heights_stay=True)
    assert known.strings == unknown.strings
    assert known.set_up.relief_mm == 0.2
    same = with_relief(known, 0.5, heights_stay=False)
    assert same.strings == unknown.strings
    bent = with_relief(known, 0.5, heights_stay=True)
    raised = [b.action_12_mm - a.action_12_mm for a, b in zip(unknown.strings, bent.strings, strict=True)]
    assert raised == pytest.approx([relief_at_12_mm(0.3, 24)] * 6)
    back = with_relief(bent, 0.2, heights_stay=True)
    assert [s.action_12_mm for s in back.strings] == pytest.approx([s.action_12_mm for s in unknown.strings])


@pytest.mark.parametrize(("frets", "share"), [(24, 0.92), (22, 0.89), (14, 0.39), (12, 0.0), (5, 0.0)])
def test_relief_at_fret_12_is_part_of_the_deepest(frets: int, share: float) -> None:
    assert relief_at_12_mm(0.3, frets) == pytest.approx(0.3 * share, abs=0.003)


@pytest.mark.parametrize("number", [1, 3, 6])
def test_the_simulated_string_asks_for_as_much_more_setback_when_the_neck_is_bent(number: int) -> None:
    """Fret 12 going down by r is nut and saddle going up by r as seen from it. The simulator solves that path itself;
    it keeps half of the slack beyond nut and saddle, so its stretch is a little less than the model's."""
    bent_mm = relief_at_12_mm(0.6, GUITAR.frets)
    build = rig_of(GUITAR).builds[number - 1]
    raised = replace(
        build, nut_height_mm=build.nut_height_mm + bent_mm, saddle_height_mm=build.saddle_height_mm + bent_mm
    )
    true_mm = [
        Rig([one], BridgeBuild(floating=False), saddle_mm=[2.0]).find_saddle_in_tune_mm(1) for one in (build, raised)
    ]
    start = with_relief(GUITAR, 0.0, heights_stay=False)
    foretold = [predict(one)[number - 1].setback_mm for one in (start, with_relief(start, 0.6, heights_stay=True))]
    assert foretold[1] - foretold[0] == pytest.approx(true_mm[1] - true_mm[0], rel=0.1)
    assert foretold[1] - foretold[0] > 0.1


def test_the_height_over_fret_1_determines_the_height_at_the_nut() -> None:
    string = GUITAR.string(3)
    over = over_fret_1_mm(string.nut_height_mm, string.action_12_mm)
    assert string.nut_height_mm < over < string.action_12_mm
    assert nut_height_mm(over, string.action_12_mm) == pytest.approx(string.nut_height_mm)
    changed = with_height_over_fret_1(GUITAR, 3, over + 0.1).string(3)
    assert changed.action_12_mm == string.action_12_mm
    assert changed.nut_height_mm - string.nut_height_mm == pytest.approx(0.1 / 0.8877, abs=1e-4)
    assert fretted_string(changed, GUITAR.open_hz(3)).action_12_mm == pytest.approx(string.action_12_mm)
    with pytest.raises(ValueError, match="nut_height_mm"):
        with_height_over_fret_1(GUITAR, 3, 0.0)


def test_days() -> None:
    assert age_days("2026-03-01", "2026-02-27") == 2
    assert age_days("2024-03-01", "2024-02-27") == 3
    assert age_days("", "2026-02-27") is None
    assert age_days("2026-02-27", "") is None
    fitted = with_strings_fitted(GUITAR, "2026-11-25")
    assert fitted.set_up.strings_fitted == "2026-11-25"
    assert fitted.strings == GUITAR.strings
    for wrong in ("2026-02-29", "20261125", "2026-W48-3", "25.11.2026", "today"):
        with pytest.raises(ValueError):
            with_strings_fitted(GUITAR, wrong)


@given(
    name=st.sampled_from(preset_names()),
    treble_mm=st.floats(0.5, 4.0),
    bass_mm=st.floats(0.5, 4.0),
    relief_mm=st.floats(-0.2, 1.0),
    more_mm=st.floats(-0.2, 1.0),
)
def test_measured_action_is_kept_and_a_relief_set_back_restores_the_heights(
    name: str, treble_mm: float, bass_mm: float, relief_mm: float, more_mm: float
) -> None:
    instrument = load_instrument(name)
    measured = with_relief(with_action(instrument, treble_mm, bass_mm), relief_mm, heights_stay=False)
    actions = [s.action_12_mm for s in measured.strings]
    assert (actions[0], actions[-1]) == (treble_mm, pytest.approx(bass_mm))
    assert sorted(actions, reverse=treble_mm > bass_mm) == actions
    assert measured.wanted == instrument.wanted.model_copy(update={"relief_mm": relief_mm})
    bent = with_relief(measured, relief_mm + more_mm, heights_stay=True)
    back = with_relief(bent, relief_mm, heights_stay=True)
    assert [s.action_12_mm for s in back.strings] == pytest.approx(actions)
