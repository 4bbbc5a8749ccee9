"""Invented instruments, written as ``docs/instruments.md`` says: each loads, and mistakes are named with their line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from oscservice.errors import InputError
from oscservice.instrument.bridge_form import AdjusterForm, BridgeForm
from oscservice.instrument.hardware import ANCHORS, BALANCES, CLOCKWISE_WAYS, NUTS, SADDLES, TOOLS
from oscservice.instrument.hardware_form import FineTunersForm, NutForm
from oscservice.instrument.instrument_file import load_instrument, read_instrument
from oscservice.instrument.instrument_form import InstrumentForm, SetUpForm, StringForm, StringsForm
from oscservice.instrument.pitch import note_number
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import tension_n
from oscservice.instrument.thread import THREADS_MM
from oscservice.instrument.tuning_form import TuningForm
from oscservice.toml_file import Form

FOLDER = Path(__file__).parents[1] / "instruments"
FILES = {file.stem: file.read_text(encoding="utf-8") for file in sorted(FOLDER.glob("*.toml"))}
PAGE = (Path(__file__).parents[2] / "docs" / "instruments.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


@pytest.fixture(scope="module")
def made() -> dict[str, Instrument]:
    return {name: load_instrument(str(FOLDER / f"{name}.toml")) for name in FILES}


def test_twenty_instruments_load(made: dict[str, Instrument]) -> None:
    assert len(made) == 20
    for name, instrument in made.items():
        assert instrument.name == name
        assert Instrument.from_json(instrument.to_json()) == instrument


def test_they_are_as_their_files_say(made: dict[str, Instrument]) -> None:
    seven = made["long-seven"]
    assert [string.scale_mm for string in seven.strings] == [647.7, 654.05, 660.4, 666.75, 673.1, 679.45, 685.8]
    assert (seven.bridge.title, seven.bridge.anchor) == ("spring-balanced, clamped saddles", "string lock")
    assert seven.nut.clamped_with(7) == (5, 6, 7)
    assert seven.tools == {"saddle clamp": "2.5 mm hex key", "nut clamp": "3 mm hex key"}
    assert seven.set_up.relief_mm == pytest.approx(0.2032)
    paired = made["twelve-paired"].bridge
    assert [set(adjuster.influence) for adjuster in paired.adjusters] == [{n, n + 1} for n in range(1, 12, 2)]
    assert (paired.anchor, paired.let_down) == ("body", True)
    for name in ("twelve-paired", "twelve-octaves-first"):
        notes = [note_number(string.note) for string in made[name].strings]
        assert [abs(notes[k] - notes[k + 1]) for k in range(0, 12, 2)] == [0, 0, 12, 12, 12, 12]
    turned = {adjuster.clockwise for adjuster in made["twelve-octaves-first"].bridge.adjusters}
    assert turned == {"toward the nut"}
    baritone = made["long-baritone"]
    assert (baritone.bridge.title, baritone.pegs) == ("spring-balanced, screw-driven saddles", "locking")
    assert baritone.bridge.adjusters[0].mm_per_turn == pytest.approx(0.635)
    nut = made["compensated-six"]
    assert [string.nut_offset_mm for string in nut.strings] == [0.2, 0.3, 25.4 / 64, 0.3, 0.4, 0.5]
    assert nut.string(2).fret_targets_cents == {1: -1.0, 2: -0.5}
    assert [tuning.name for tuning in made["two-tunings"].tunings] == ["standard", "drop D"]
    assert made["old-words"].bridge.title == "spring-balanced, clamped saddles"
    assert made["old-words"].set_up.replace_after_days == 30
    assert made["old-screws"].bridge.let_down
    zero = made["zero-fret-seven"]
    assert (zero.nut.kind, {string.nut_height_mm for string in zero.strings}) == ("zero fret", {0.0})
    assert zero.fine_tuners is not None
    assert not zero.nut.locking
    assert made["capo-acoustic"].string(1).note == "F#4"
    assert made["sprung-blocks"].bridge.let_down
    assert made["own-blocks"].bridge.slacken
    assert not made["drone-five"].bridge.let_down
    assert made["high-strung"].set_up.hours_played == 12.0


def test_their_strings_pull_as_strings_do(made: dict[str, Instrument]) -> None:
    for instrument in made.values():
        for number, string in enumerate(instrument.strings, start=1):
            assert 25.0 < tension_n(string.unit_weight_kg_m, instrument.open_hz(number), string.scale_mm) < 300.0


# The file, the text that is replaced (all of it is one line or a part of one), the replacement, and the message.
MISTAKES = [
    ("long-seven", '"25.5 in"\n', "25.5\n", 'scale: found 25.5 without a unit; did you mean scale_mm? Else write "25'),
    ("long-seven", '"1/16 in"', '"1.6 in"', "string 1, action_12: found '1.6 in', expected a number from 0 to 10 (mm"),
    ("long-seven", '"0.008 in"', '"0.2"', "set_up, relief: found '0.2' without a unit; add mm or in: 0.2 mm or 0.2 in"),
    ("long-seven", '"3/16 in"', '"3/16"', "bridge, toward_nut: found '3/16' without a unit; add mm or in"),
    ("long-seven", "[5, 6, 7]", "[5, 6]", "nut, clamps: found no clamp over string 7, expected each string under one"),
    ("long-seven", 'kind = "locking"\n', "", "nut, clamps: a nut of the kind plain has none; leave it out or write k"),
    ("long-seven", '"saddle clamp"', '"sadle clamp"', "tools: found 'sadle clamp', which is no step with a tool; did"),
    ("long-seven", '"spring-balanced"', '"floating"', "bridge, balance: found 'floating', expected one of spring-bal"),
    ("twelve-paired", '"#4-40"', "40", 'bridge, thread: found 40, expected mm a turn from 0.1 to 3, or in quotes M3,'),
    ("twelve-paired", '"#4-40"', "0.025", "bridge, thread: found 0.025, expected mm a turn from 0.1 to 3, or in quot"),
    ("twelve-paired", "scale_mm = 628.0", "scale_mm = 24.75", "scale_mm: found 24.75, expected a number from 300 to"),
    ("low-bass", "gauge_in = 0.065", "gauge_in = 65", "string 1, gauge_in: found 65, expected inches from 0.004 to 0"),
    ("low-bass", "gauge_in = 0.065", "gauge_mm = 0.065", "string 1, gauge_mm: found 0.065, expected a number from 0."),
    ("low-bass", '"D2"', '"D3"', "string 1, note: found D3 on 1.65 mm, which would pull 944 N; expected 10 to 300 N,"),
    ("compensated-six", 'kind = "compensated"', 'kind = "plain"', "string 1, nut_offset_mm: found 0.2 with a nut tha"),
    ("compensated-six", '"1/64 in"', '"1 in"', "string 3, nut_offset: found '1 in', expected a number from -5 to 5 ("),
    ("two-tunings", ', "D2"]', "]", "tuning 1, notes: found 5, expected 6, one for each string"),
    ("zero-fret-seven", "gauge_in = 0.010", "gauge_in = 0.010, nut_height_mm = 0.4", "string 1, nut_height_mm: found"),
    ("own-blocks", '"6" = 1.0', '"7" = 1.0', "adjuster 2, influence: found string 7, expected 1 to 6"),
    ("drone-five", 'saddle = "', '# "', "bridge, saddle: missing; expected one of clamped, screw-driven, paired, tw"),
    ("re-entrant", '"shaped"', '"clamped"', "bridge, toward_nut_mm, away_mm: found no travel; expected how far it ca"),
    ("high-strung", "2026-11-20", '"2026-11-20"', "strings, fitted: found '2026-11-20', expected a date without quot"),
    ("tape-bass", "0.0040", "0.0400", "string 1, unit_weight_kg_m: found 0.04, expected 0.00324 to 0.00722 (kg/m) fo"),
    ("tape-bass", '["5/64 in", "7/64 in"]', "[0.078, 0.109]", "set_up, action_treble_wanted: found 0.078 without a u"),
]  # fmt: skip


ELSEWHERE = {
    ("long-seven", 'kind = "locking"\n'): "clamps",
    ("compensated-six", 'kind = "compensated"'): "string = [",
    ("zero-fret-seven", "gauge_in = 0.010"): "string = [",
    ("drone-five", 'saddle = "'): "[bridge]",
    ("re-entrant", '"shaped"'): "[bridge]",
}
"""File and replaced text -> how the line begins that is named, where it is another line."""


@pytest.mark.parametrize(("name", "stood", "instead", "words"), MISTAKES)
def test_a_typical_mistake_is_named_with_its_line(name: str, stood: str, instead: str, words: str) -> None:
    text = FILES[name]
    assert stood in text
    edited = text.replace(stood, instead, 1)
    line, message = refusal(edited)
    assert message.startswith(words), message
    there = text[: text.index(stood)].rpartition("\n")[2]
    begins = ELSEWHERE.get((name, stood), "string = [" if there.startswith("    {") else there)
    assert edited.splitlines()[line - 1].startswith(begins)
    if (name, stood) not in ELSEWHERE and begins == there:
        assert line == text[: text.index(stood)].count("\n") + 1


def refusal(text: str) -> tuple[int, str]:
    with pytest.raises(InputError) as caught:
        read_instrument(text, "my.toml")
    message = re.fullmatch(r"my\.toml: line (\d+): ([^\n]*)", str(caught.value))
    assert message is not None, caught.value
    return int(message[1]), message[2]


def with_strings(name: str, order: list[int]) -> str:
    """A file with its strings in another order."""
    text = FILES[name]
    before, _, rest = text.partition("string = [\n")
    body, _, after = rest.partition("\n]\n")
    entries = re.findall(r"\{(?:[^{}]|\{[^{}]*\})*\}", body)
    return f"{before}string = [\n" + "".join(f"{entries[k]},\n" for k in order) + f"]\n{after}"


@pytest.mark.parametrize("name", ["long-seven", "twelve-paired", "twelve-octaves-first", "long-baritone", "low-bass"])
def test_a_set_in_reverse_is_refused(name: str) -> None:
    strings = len(load_instrument(str(FOLDER / f"{name}.toml")).strings)
    assert read_instrument(with_strings(name, list(range(strings))), "x").name == name
    _, words = refusal(with_strings(name, list(range(strings))[::-1]))
    assert re.fullmatch(r"string 1, note: found (\S+, the lowest|the low) .* first; expected the thinnest first", words)


@pytest.mark.parametrize("name", ["twelve-paired", "twelve-octaves-first"])
def test_courses_that_are_taken_apart_are_refused(name: str) -> None:
    _, words = refusal(with_strings(name, [*range(0, 12, 2), *range(1, 12, 2)]))
    assert words == (
        "string 7, note: found E4 again after one string of every course; "
        "expected the two strings of a course side by side"
    )


def test_scales_in_reverse_are_refused() -> None:
    text = FILES["long-seven"]
    scales = re.findall(r'scale = "[^"]*"', text)
    for number, scale in enumerate(scales):
        text = text.replace(scale, f"({number})", 1)
    for number, scale in enumerate(reversed(scales)):
        text = text.replace(f"({number})", scale, 1)
    assert refusal(text)[1] == (
        "string 1, scale_mm: found 685.8 on the thinnest string and 647.7 on the thickest; "
        "expected the longest scale on the thickest string"
    )


# The page


def keys_of(form: type[Form]) -> set[str]:
    return {field.alias or name for name, field in form.model_fields.items()}


@pytest.mark.parametrize(
    "form",
    [InstrumentForm, BridgeForm, AdjusterForm, NutForm, FineTunersForm, StringsForm, SetUpForm, StringForm, TuningForm],
)
def test_the_page_has_every_key(form: type[Form]) -> None:
    tables = {"bridge", "nut", "fine_tuners", "set_up", "strings", "tools", "string", "tuning", "adjuster"}
    given = {key for block in BLOCKS for key in re.findall(r"(?m)^(\w+) =", block)}
    named = set(re.findall(r"`(\w+)`", PAGE)) | given
    assert keys_of(form) - tables <= named
    for table in keys_of(form) & tables:
        assert re.search(rf"\[(bridge\.)?{table}\]", PAGE), table


def test_the_page_has_every_word() -> None:
    for word in (*BALANCES, *SADDLES, *NUTS, *ANCHORS, *CLOCKWISE_WAYS):
        assert f'"{word}"' in PAGE, word
    assert all(f"`{step}`" in PAGE for step in TOOLS)
    assert all(re.search(rf"(?<![\w/]){re.escape(name)}(?!\w)", PAGE) for name in THREADS_MM)


def test_whole_files_on_the_page_load() -> None:
    whole = [block for block in BLOCKS if "[[string]]" in block]
    assert [read_instrument(block, "page").name for block in whole] == ["one-string", "long-seven"]
    assert len(read_instrument(whole[1], "page").strings) == 7


def test_parts_of_files_on_the_page_load() -> None:
    scales, tools, tunings = (block for block in BLOCKS if "[[string]]" not in block)
    text = FILES["two-tunings"]
    for line in scales.splitlines():
        assert read_instrument(text.replace("scale_mm = 648.0", line), "x").string(1).scale_mm == pytest.approx(647.7)
    assert set(read_instrument(text + tools, "x").tools) == {"saddle clamp", "nut clamp"}
    name, entry = tunings.split("\n\n")
    own = name + text.replace('tuning_name = "standard"', "").partition("[[tuning]]")[0] + entry
    assert [tuning.name for tuning in read_instrument(own, "x").tunings] == ["standard", "drop D"]


def test_the_line_on_the_page_is_what_is_said() -> None:
    shown = next(line.strip() for line in PAGE.splitlines() if line.strip().startswith("red.toml: line 3: "))
    wrong = BLOCKS[0].replace("scale_mm = 648.0", "scale_mm = 25.5")
    with pytest.raises(InputError) as caught:
        read_instrument(wrong, "red.toml")
    assert str(caught.value) == shown
