"""Hardware beside the saddles in instrument files: nut, fine tuners, pegs, tools, strings, targets of frets."""

from __future__ import annotations

import re

import pytest

from oscservice.errors import InputError
from oscservice.instrument.fretting import fretted_error_cents, fretted_string
from oscservice.instrument.hardware import TOOLS
from oscservice.instrument.instrument_file import load_instrument, preset_toml, read_instrument
from oscservice.instrument.modified_instrument import with_capo
from oscservice.instrument.spec import Instrument

TEXT = preset_toml("six-string-628")
SEVEN = preset_toml("seven-string-648")


def given(tables: str, string_1: str = "", text: str = TEXT) -> str:
    """The preset with more tables, and more keys of string 1."""
    head, rest = text.split("\n[[string]]", 1)
    return f"{head}\n{tables}\n[[string]]{rest}".replace("\nsetback_mm", f"\n{string_1}setback_mm", 1)


def read(tables: str, string_1: str = "", text: str = TEXT) -> Instrument:
    return read_instrument(given(tables, string_1, text), "my.toml")


# Nut


@pytest.mark.parametrize(
    ("clamps", "held"),
    [
        ("", ((1, 2), (3, 4), (5, 6), (7,))),
        ("clamps = 2", ((1, 2), (3, 4), (5, 6), (7,))),
        ("clamps = 3", ((1, 2, 3), (4, 5, 6), (7,))),
        ("clamps = 12", ((1, 2, 3, 4, 5, 6, 7),)),
        ("clamps = [[1], [3, 2], [4, 5, 6, 7]]", ((1,), (3, 2), (4, 5, 6, 7))),
    ],
)
def test_clamps_are_counted_from_string_1_or_listed(clamps: str, held: tuple[tuple[int, ...], ...]) -> None:
    nut = read(f'[nut]\nkind = "locking"\n{clamps}\n', text=SEVEN).nut
    assert (nut.locking, nut.clamps) == (True, held)


def test_a_nut_is_plain_unless_the_file_says_otherwise() -> None:
    plain = read("")
    assert (plain.nut.kind, plain.nut.clamps, plain.fine_tuners, plain.pegs) == ("plain", (), None, "plain")
    assert plain.bridge.anchor == "bridge"


def test_a_compensated_nut_shifts_the_string_in_the_model() -> None:
    moved = read('[nut]\nkind = "compensated"\n', "nut_offset_mm = 0.4\n").string(1)
    plain = read("").string(1)
    with_offset, without = (fretted_string(one, 329.63) for one in (moved, plain))
    assert with_offset.nut_shift_mm == -0.4
    assert without.nut_shift_mm == 0.0
    # A shorter open string is tuned to the same pitch: every fret is flatter by about 1200 log2(L / (L - 0.4)).
    for fret in (1, 5, 12):
        change = fretted_error_cents(with_offset, fret) - fretted_error_cents(without, fret)
        assert change == pytest.approx(-1.1, abs=0.15)


# Fine tuners, pegs, tools


def test_fine_tuners_have_a_range_and_a_way() -> None:
    found = read('[fine_tuners]\nrange_cents = 150\nclockwise = "down"\n').fine_tuners
    assert found is not None
    assert (found.range_cents, found.clockwise) == (150.0, "down")
    default = read("[fine_tuners]\n").fine_tuners
    assert default is not None
    assert (default.range_cents, default.clockwise) == (200.0, "up")


def test_pegs_may_lock_and_strings_may_end_elsewhere() -> None:
    text = TEXT.replace("\nfrets", '\npegs = "locking"\nfrets', 1)
    found = read_instrument(text.replace("\naway_mm", '\nanchor = "stop tail"\naway_mm', 1), "my.toml")
    assert (found.pegs, found.bridge.anchor) == ("locking", "stop tail")


def test_each_step_may_have_a_tool_of_its_own() -> None:
    for step in TOOLS:
        assert read(f'[tools]\n"{step}" = "2.5 mm hex key"\n').tools == {step: "2.5 mm hex key"}
        assert read(f'[tools]\n{step.replace(" ", "_")} = "mine"\n').tools == {step: "mine"}


# Strings


def test_the_set_that_is_on_has_a_table() -> None:
    strings = (
        '[strings]\nfitted = 2026-11-20\nset = "10 to 46, nickel-wound"\nstretched_in = true\nhours_played = 3.5\n'
        "replace_after_hours = 25\n"
    )
    found = read(strings).set_up
    assert (found.strings_fitted, found.string_set) == ("2026-11-20", "10 to 46, nickel-wound")
    assert found.stretched_in is True
    assert (found.hours_played, found.replace_after_hours, found.replace_after_days) == (3.5, 25.0, 60)


def test_older_files_give_day_and_days_among_the_targets() -> None:
    old = TEXT.replace("# strings_fitted", "strings_fitted").replace("after_days = 60", "after_days = 30")
    found = read_instrument(old, "my.toml").set_up
    assert (found.strings_fitted, found.replace_after_days) == ("2026-11-25", 30)
    assert (found.string_set, found.stretched_in, found.hours_played) == ("", None, None)
    assert found.replace_after_hours == 40.0


def test_pickups_have_targets() -> None:
    targets = '[set_up]\npickup_treble_wanted = ["1/16 in", "3/32 in"]\npickup_bass_wanted_mm = [2, 3]'
    text = TEXT.replace("[set_up]", targets, 1)
    found = read_instrument(text, "my.toml").set_up
    assert found.pickup_treble_wanted_mm == (25.4 / 16, pytest.approx(25.4 * 3 / 32))
    assert found.pickup_bass_wanted_mm == (2.0, 3.0)


def test_frets_may_have_targets_of_their_own() -> None:
    found = read("", 'fret_targets_cents = { "3" = -2.0, "12" = 1 }\n')
    assert found.string(1).fret_targets_cents == {3: -2.0, 12: 1.0}
    assert found.string(2).fret_targets_cents == {}
    assert Instrument.from_json(found.to_json()) == found


def test_a_capo_leaves_no_offset_at_its_fret() -> None:
    nut = load_instrument("six-string-648-compensated")
    assert {string.nut_offset_mm for string in with_capo(nut, 2).strings} == {0.0}


# The tables, more keys of string 1, the line that is named, and the message.
MISTAKES = [
    ('[nut]\nkind = "locked"\n', "", "kind", "nut, kind: found 'locked', expected one of plain, locking, zero fret,"),
    ('[nut]\nkind = "plain"\nclamps = 2\n', "", "clamps", "nut, clamps: a nut of the kind plain has none; leave it o"),
    ("[nut]\nclamps = 2\n", "", "clamps", 'nut, clamps: a nut of the kind plain has none; leave it out or write kind'),
    *[
        (f'[nut]\nkind = "locking"\nclamps = {clamps}\n', "", "clamps", f"nut, clamps: {words}")
        for clamps, words in (
            ("0", "found 0, expected how many strings each clamp holds: 2; or the strings under each: [[1, 2]"),
            ("2.0", "found 2.0, expected how many strings each clamp holds"),
            ("[1, 2]", "found [1, 2], expected how many strings each clamp holds"),
            ("[[1, 2], [3, 4]]", "found no clamp over string 5, expected each string under one clamp"),
            ("[[1, 2], [2, 3], [4, 5, 6]]", "found string 2 twice, expected each string under one clamp"),
            ("[[1, 2], [3, 4], [5, 6, 7]]", "found string 7, expected 1 to 6"),
        )
    ],
    ('[nut]\nkind = "compensated"\n', "", "kind", "nut, kind: found compensated, expected nut_offset_mm under one [["),
    ("", "nut_offset_mm = 0.4\n", "nut_offset_mm", "string 1, nut_offset_mm: found 0.4 with a nut that is plain; exp"),
    ('[nut]\nkind = "zero fret"\n', "", "nut_height_mm", "string 1, nut_height_mm: found 0.35 with a zero fret, expe"),
    ("[fine_tuners]\nrange_cents = 5\n", "", "range_cents", "fine_tuners, range_cents: found 5, expected a number fr"),
    ('[fine_tuners]\nclockwise = "left"\n', "", "clockwise", "fine_tuners, clockwise: found 'left', expected one of"),
    ('[tools]\n"saddle key" = "x"\n', "", '"saddle key"', "tools: found 'saddle key', which is no step with a tool;"),
    ("[tools]\npeg = 3\n", "", "peg", "tools: found 3, expected steps and their tools, both in quotes"),
    ("[strings]\nreplace_after_days = 30\n", "", "replace_after_days = 30", "strings, replace_after_days: found besi"),
    ('[strings]\nfitted = "2026-11-25"\n', "", "fitted", "strings, fitted: found '2026-11-25', expected a date witho"),
    ("[strings]\nhours_played = -1\n", "", "hours_played", "strings, hours_played: found -1, expected a number of ho"),
    ("[strings]\nstretched_in = 1\n", "", "stretched_in", "strings, stretched_in: found 1, expected true or false"),
    ("[[strings]]\nfitted = 2026-11-25\n", "", "[[strings]]", "strings: found a list of tables, expected a [strings]"),
    ("", 'fret_targets_cents = { "23" = 1 }\n', "fret_t", "string 1, fret_targets_cents: found fret 23, expected 1 t"),
    ("", 'fret_targets_cents = { "0" = 1 }\n', "fret_t", "string 1, fret_targets_cents: found {'0': 1}, expected fre"),
    ("", 'fret_targets_cents = { "3" = 51 }\n', "fret_t", "string 1, fret_targets_cents: found {'3': 51}, expected f"),
    ("", "fret_targets_cents = [1.0]\n", "fret_t", "string 1, fret_targets_cents: found [1.0], expected frets and th"),
]  # fmt: skip


@pytest.mark.parametrize(("tables", "string_1", "at", "words"), MISTAKES)
def test_a_mistake_is_named_with_its_line(tables: str, string_1: str, at: str, words: str) -> None:
    text = given(tables, string_1)
    with pytest.raises(InputError) as caught:
        read_instrument(text, "my.toml")
    found = re.fullmatch(r"my\.toml: line (\d+): ([^\n]*)", str(caught.value))
    assert found is not None, caught.value
    assert found[2].startswith(words)
    lines = text.splitlines()
    begun = [n for n, line in enumerate(lines, 1) if line.startswith("[[string]]" if string_1 else tables[:5])]
    named = [n for n, line in enumerate(lines, 1) if line.startswith(at) and n >= begun[0]]
    assert int(found[1]) == named[0]
