"""Contradictions in an instrument file are refused in one line; instruments of the trade are read."""

from __future__ import annotations

import pytest

from oscservice.errors import InputError
from oscservice.instrument.instrument_file import preset_toml, read_instrument

TEXT = preset_toml("six-string-648")


def refusal(text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_instrument(text, "my.toml")
    message = str(caught.value)
    assert "\n" not in message
    return message


# The preset's text edited, the text of the named line, and the message after that.
PLAIN_G = 'note = "G3"\nkind = "plain"\ngauge_in = 0.017'
WOUND_D = 'note = "D3"\nkind = "wound"\ngauge_in = 0.026\ncore_mm = 0.356'
CONTRADICTIONS = [
    (
        (PLAIN_G, 'note = "G3"\nkind = "plain"\ngauge_in = 0.030'),
        "gauge_in = 0.030",
        "string 3, gauge_in: found plain 0.030, expected a plain string of at most 0.026, or wound",
    ),
    (
        (PLAIN_G, 'note = "G3"\nkind = "plain"\ngauge_mm = 0.8'),
        "gauge_mm = 0.8",
        "string 3, gauge_mm: found plain 0.80, expected a plain string of at most 0.66, or wound",
    ),
    (
        (PLAIN_G, 'note = "G3"\nkind = "wound"\ngauge_in = 0.014\ncore_mm = 0.2'),
        "gauge_in = 0.014",
        "string 3, gauge_in: found wound 0.014, expected a wound string of at least 0.016, or plain",
    ),
    (
        (WOUND_D, WOUND_D + "\nunit_weight_kg_m = 0.0005"),
        "unit_weight_kg_m",
        "string 4, unit_weight_kg_m: found 0.0005, expected 0.00137 to 0.00305 (kg/m) for steel, wound 0.026",
    ),
    (
        (PLAIN_G, PLAIN_G + "\nunit_weight_kg_m = 0.0002"),
        "unit_weight_kg_m",
        "string 3, unit_weight_kg_m: found 0.0002, expected 0.00103 to 0.00124 (kg/m) for steel, plain 0.017",
    ),
    (
        (WOUND_D, WOUND_D.replace("0.356", "0.62")),
        "core_mm = 0.62",
        "string 4, core_mm: found 0.620 mm, which alone weighs 0.00236 kg/m; "
        "expected less than the whole string's 0.00226",
    ),
    (
        (WOUND_D, WOUND_D.replace("0.356", "0.15")),
        "core_mm = 0.15",
        "string 4, core_mm: found 0.150 mm, which breaks before D3 (4637 N/mm2); expected 0.18 mm or more",
    ),
    (
        ('note = "E4"\nkind = "plain"\ngauge_in = 0.010', 'note = "D6"\nkind = "plain"\ngauge_in = 0.004'),
        'note = "D6"',
        "string 1, note: found plain at 648 mm, which breaks before D6 (18091 N/mm2); expected a lower note",
    ),
    (
        ("action_12_mm = 2.0\nnut_height_mm = 0.35", "action_12_mm = 0.1\nnut_height_mm = 0.35"),
        "action_12_mm = 0.1",
        "string 6, action_12_mm: found 0.1, expected more than half of nut_height_mm (0.35): "
        'the string would lie on the frets; for inches write action_12 = "0.1 in"',
    ),
]


@pytest.mark.parametrize(("edit", "at", "words"), CONTRADICTIONS)
def test_a_string_that_contradicts_itself(edit: tuple[str, str], at: str, words: str) -> None:
    assert edit[0] in TEXT
    text = TEXT.replace(*edit, 1)
    line = next(n for n, stood in enumerate(text.splitlines(), start=1) if stood.startswith(at))
    assert refusal(text) == f"my.toml: line {line}: {words}"


def test_a_set_in_reverse() -> None:
    head, *strings = TEXT.split("\n[[string]]")
    message = refusal("\n[[string]]".join([head, *reversed([s.rstrip("\n") + "\n" for s in strings])]))
    assert "string 1, note: found E2, the lowest and thickest, first; expected the thinnest first" in message


def strung(*strings: tuple[str, str, float, float | None]) -> str:
    """The preset with other strings: note, kind, gauge in inches, core in mm."""
    entries = [
        f'\n[[string]]\nnote = "{note}"\nkind = "{kind}"\ngauge_in = {gauge}\n'
        + (f"core_mm = {core}\n" if core is not None else "")
        for note, kind, gauge, core in strings
    ]
    return TEXT[: TEXT.index("\n[[string]]")] + "".join(entries)


TWELVE = [
    ("E4", "plain", 0.010, None), ("E4", "plain", 0.010, None), ("B3", "plain", 0.014, None),
    ("B3", "plain", 0.014, None), ("G4", "plain", 0.008, None), ("G3", "wound", 0.024, 0.343),
    ("D4", "plain", 0.012, None), ("D3", "wound", 0.030, 0.38), ("A3", "plain", 0.018, None),
    ("A2", "wound", 0.038, 0.43), ("E3", "wound", 0.026, 0.356), ("E2", "wound", 0.047, 0.46),
]  # fmt: skip
BANJO = [
    ("D4", "plain", 0.010, None), ("B3", "plain", 0.012, None), ("G3", "plain", 0.016, None),
    ("D3", "wound", 0.023, 0.33), ("G4", "plain", 0.010, None),
]  # fmt: skip
HIGH_STRUNG = [
    ("E4", "plain", 0.010, None), ("B3", "plain", 0.014, None), ("G4", "plain", 0.009, None),
    ("D4", "plain", 0.012, None), ("A3", "plain", 0.018, None), ("E3", "wound", 0.026, 0.356),
]  # fmt: skip
FIFTHS = [("E4", "plain", 0.011, None), ("A3", "plain", 0.016, None), ("D3", "wound", 0.026, 0.36)]
TAPE_WOUND = 'note = "E2"\nkind = "wound"\ngauge_in = 0.060\nunit_weight_kg_m = 0.0078\ncore_mm = 0.457'


@pytest.mark.parametrize("strings", [TWELVE, BANJO, HIGH_STRUNG, FIFTHS, [("E2", "wound", 0.046, 0.457)]])
def test_usual_string_sets_are_read(strings: list[tuple[str, str, float, float | None]]) -> None:
    # Courses in octaves, a high last string, a set an octave up, fifths, one string: common practice, no source.
    read = read_instrument(strung(*strings), "x")
    assert [s.note for s in read.strings] == [note for note, *_ in strings]


def test_a_tape_wound_string_is_light_for_its_gauge() -> None:
    stood = 'note = "E2"\nkind = "wound"\ngauge_in = 0.046\ncore_mm = 0.457'
    assert stood in TEXT
    assert read_instrument(TEXT.replace(stood, TAPE_WOUND), "x").string(6).unit_weight_kg_m == 0.0078


def test_a_bar_for_one_string_has_a_screw_too_many() -> None:
    text = preset_toml("six-string-628-bar")
    message = refusal("\n[[string]]".join(text.split("\n[[string]]")[:2]))
    assert "'bass screw' moves the strings only as 'treble screw' can" in message
