"""A mistake in an instrument file: one line with file, line, field, what stood there and what was expected."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.errors import InputError
from oscservice.instrument.instrument_file import preset_toml, read_instrument
from oscservice.instrument.pitch import Place
from oscservice.toml_file import find_line

TEXT = preset_toml("six-string-648")
LINES = TEXT.splitlines()


def refusal(text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_instrument(text, "my.toml")
    message = str(caught.value)
    assert "\n" not in message
    return message


# Replaced text, replacement, and words that the message must have.
MISTAKES = [
    ("frets = 24", "frets = 99", ["frets: found 99", "from 1 to 36"]),
    ("frets = 24", "frets = 22.5", ["frets: found 22.5", "whole number"]),
    ("frets = 24", 'frets = "24"', ["frets: found '24'"]),
    ("frets = 24", "frets = true", ["frets: found true"]),
    ("scale_mm = 648.0", "scale_mm = 25.5", ["scale_mm: found 25.5", "300 to 1000 (mm)"]),
    ("scale_mm = 648.0", "scale_mm = -648.0", ["scale_mm: found -648.0, expected a number from 300 to 1000 (mm)"]),
    ("scale_mm = 648.0", "scale_mm = nan", ["scale_mm: found nan"]),
    ("scale_mm = 648.0", "scale_mm = 1" + "0" * 400, ["scale_mm: found 1000"]),
    ("scale_mm = 648.0", "scale = 648.0", ["scale: found 648.0 without a unit; did you mean scale_mm?"]),
    ("reference_hz = 440.0", "reference_hz = 44.0", ["reference_hz: found 44.0", "380 to 500"]),
    ('saddle = "clamped"', 'saddle = "floating"', ["bridge, saddle: found 'floating'", "clamped, screw-driven"]),
    ('balance = "spring-', 'balance = "floating" #', ["balance: found 'floating', expected one of spring-balanced"]),
    ("toward_nut_mm = 5.0", "toward_nut_mm = -5.0", ["bridge, toward_nut_mm: found -5.0"]),
    ("toward_nut_mm = 5.0", 'thread = "M3"', ['bridge, thread: a bridge with saddle = "clamped" has no']),
    ("gauge_in = 0.046", "gauge_in = 46", ["string 6, gauge_in: found 46", "inches"]),
    ("gauge_in = 0.046", "guage_in = 0.046", ["string 6, guage_in: unknown key", "did you mean gauge_in?"]),
    ("gauge_in = 0.046", "gauge_in = 0.046\ngauge_mm = 1.17", ["string 6, gauge: expected either gauge_in"]),
    ("core_mm = 0.457", "core_mm = 4.0", ["string 6, core", "not thinner than the gauge"]),
    ("setback_mm = 4.9", "setback_mm = 4.9\noffset_cents = 60", ["string 6, offset_cents: found 60, expected"]),
    ("setback_mm = 4.9", "setback_mm = 500.0", ["string 6, setback_mm: found 500.0", "-20 to 30"]),
    ('note = "E2"', 'note = "H2"', ["string 6, note: found 'H2'", "a note name"]),
    ('note = "E2"', "note = 40", ["string 6, note: found 40"]),
    ('note = "E2"', 'note = "E3"', ["string 6", "E3", "would pull 311 N", "octave"]),
    ("gauge_in = 0.013", "gauge_in = .013", ["not valid TOML"]),
    ("[bridge]", "[bridge", ["not valid TOML"]),
    ("frets = 24", "frets = 24\nframes = 1", ["frames: unknown key"]),
    ("frets = 24", 'frets = 24\nidentity = ""', ["identity: found '', expected a text of 1 to 60 characters"]),
    ("frets = 24", 'frets = 24\nidentity = " red one"', ["identity: found ' red one'", "no blank at its ends"]),
    ("frets = 24", 'frets = 24\nidentity = "red\\none"', ["identity: found"]),
    ("frets = 24", "frets = 24\nidentity = 7", ["identity: found 7"]),
    ("frets = 24", f'frets = 24\nidentity = "{"r" * 61}"', ["identity: found"]),
]  # fmt: skip


@pytest.mark.parametrize(("stood", "instead", "words"), MISTAKES)
def test_a_mistake_is_named_by_line_and_field(stood: str, instead: str, words: list[str]) -> None:
    line = next(n for n, text in enumerate(LINES, start=1) if text.startswith(stood))
    edited = TEXT.replace("\n" + stood, "\n" + instead, 1)
    message = refusal(edited)
    if "\n" in instead or "core" in instead:
        found = re.match(r"my\.toml: line (\d+)", message)
        assert found is not None
        assert line <= int(found.group(1)) <= line + 1
    else:
        assert re.match(rf"my\.toml: line {line}\b", message), message
    for word in words:
        assert word in message


OWN = """
[[bridge.adjuster]]
name = "treble"
influence = { "1" = 1.0, "2" = 1.0, "3" = 1.0 }
toward_nut_mm = 3.0

[[bridge.adjuster]]
name = "bass"
influence = { "4" = 1.0, "5" = 1.0, "6" = 1.0 }
away_mm = 2.5
"""
OWN_TEXT = preset_toml("six-string-628-fixed").replace("\n[[string]]", OWN + "\n[[string]]", 1)
OPENED = "[[bridge.adjuster]]"
THIRD = '\n[[bridge.adjuster]]\nname = "third"\naway_mm = 1.0\ninfluence = '

# Replaced text in the bridge's own adjusters, replacement, its line, and words of the message.
BRIDGE_MISTAKES = [
    ("away_mm = 2.5", "", None, "adjuster 2, toward_nut_mm, away_mm: found no travel"),
    ("away_mm = 2.5", "away_mm = 0.0", "away_mm = 0.0", "expected how far it can still move, in mm"),
    ("away_mm = 2.5", "away_mm = -1.0", "away_mm = -1.0", "adjuster 2, away_mm: found -1.0, expected a number from 0"),
    ("away_mm = 2.5", "away_mm = 2.5\nstep_mm = 3.0", "step_mm", "step_mm: found 3, expected no more than the travel"),
    ("away_mm = 2.5", "away_mm = 2.5\nstep_mm = 0", "step_mm", "adjuster 2, step_mm: found 0, expected a number"),
    ("away_mm = 2.5", 'away_mm = 2.5\nthread = "M7"', "thread", "adjuster 2, thread: found 'M7'"),
    ("away_mm = 2.5", 'away_mm = 2.5\nmeans = "glue"', "means", "adjuster 2, means: found 'glue', expected one of"),
    ("away_mm = 2.5", 'away_mm = 2.5\nmeans = "screw"', "means", "adjuster 2, means: found a screw without its thread"),
    (
        "away_mm = 2.5",
        'away_mm = 2.5\nmeans = "shaped"\nthread = "M3"',
        'thread = "M3"',
        "adjuster 2, thread: an adjuster that is shaped has no screw; leave it out",
    ),
    ("away_mm = 2.5", "away = 2.5", "away = 2.5", "adjuster 2, away: found 2.5 without a unit; did you mean away_mm?"),
    ('name = "bass"', 'name = "treble" # too', 'name = "treble" # too', "adjuster 2, name: found 'treble' again"),
    ('"6" = 1.0', '"7" = 1.0', 'influence = { "4"', "adjuster 2, influence: found string 7, expected 1 to 6"),
    ('"6" = 1.0', '"06" = 1.0, "6" = 1.0', 'influence = { "4"', "each string once"),
    ('"6" = 1.0', '"six" = 1.0', 'influence = { "4"', "adjuster 2, influence: found {'4': 1.0, '5': 1.0, 'six': 1.0}"),
    ('"6" = 1.0', '"6" = true', 'influence = { "4"', "adjuster 2, influence: found"),
    ('"6" = 1.0', '"6" = 0.0', 'influence = { "4"', "adjuster 2, influence: found"),
    ('"6" = 1.0', '"6" = nan', 'influence = { "4"', "adjuster 2, influence: found"),
    (', "6" = 1.0', "", "[[bridge.adjuster]]", "bridge, adjuster: found none that moves string 6"),
    (
        '{ "4" = 1.0, "5" = 1.0, "6" = 1.0 }',
        '{ "4" = 0.5, "5" = 0.5, "6" = 0.5 }\naway_mm = 1.0' + THIRD + '{ "4" = 2.0, "5" = 2.0, "6" = 2.0 }',
        'influence = { "4" = 2.0',
        "adjuster 3, influence: found that 'third' moves the strings only as 'bass' can, expected a way",
    ),
    (
        '{ "4" = 1.0, "5" = 1.0, "6" = 1.0 }',
        '{ "4" = 1.0, "5" = 1.0, "6" = 1.0 }\naway_mm = 1.0'
        + THIRD
        + '{ "1" = 1, "2" = 1, "3" = 1, "4" = -1, "5" = -1, "6" = -1 }',
        'influence = { "1" = 1, "2" = 1',
        "'third' moves the strings only as 'treble' and 'bass' can",
    ),
    ("[[bridge.adjuster]]", "toward_nut_mm = 1.0\n[[bridge.adjuster]]", "toward_nut_mm = 1.0", "leave it out here"),
]


@pytest.mark.parametrize(("stood", "instead", "at", "words"), BRIDGE_MISTAKES)
def test_a_mistake_in_a_bridges_own_adjusters(stood: str, instead: str, at: str | None, words: str) -> None:
    assert stood in OWN_TEXT
    text = OWN_TEXT.replace(stood, instead, 1)
    if THIRD in text:  # it takes the travel that stood below the adjuster before it
        text = text.replace("\naway_mm = 2.5", "", 1)
    message = refusal(text)
    assert words in message
    found = int(re.match(r"my\.toml: line (\d+)", message).group(1))  # type: ignore[union-attr]
    lines = text.splitlines()
    assert found == [n for n, line in enumerate(lines, start=1) if line.startswith(at or OPENED)][0 if at else 1]


def test_a_fixed_saddle_takes_no_thread_and_no_step_without_travel() -> None:
    fixed = '"shaped"'
    text = preset_toml("six-string-628-fixed")
    assert "has no saddle screw" in refusal(text.replace(fixed, fixed + '\naway_mm = 1.0\nthread = "M3"'))
    assert "found no travel" in refusal(text.replace(fixed, fixed + "\nstep_mm = 0.2"))


def test_a_wound_string_needs_a_core() -> None:
    message = refusal(TEXT.replace("core_mm = 0.432\n", ""))
    header = [n for n, line in enumerate(LINES, start=1) if line == "[[string]]"][4]
    assert message == f"my.toml: line {header}: string 5, core: a wound string needs core_in or core_mm"


def test_a_plain_string_has_no_core_of_its_own() -> None:
    assert "a plain string has no core" in refusal(TEXT.replace("gauge_in = 0.010", "gauge_in = 0.010\ncore_mm = 0.2"))


def test_a_screw_needs_its_thread() -> None:
    text = TEXT.replace('"clamped"', '"screw-driven"')
    assert 'bridge, thread: a bridge with saddle = "screw-driven" needs its thread' in refusal(text)
    old = text.replace('balance = "spring-balanced"', 'kind = "screw-driven fixed"').replace("saddle = ", "# ")
    assert "bridge, thread: a bridge of the kind screw-driven fixed needs its thread" in refusal(old)
    assert "bridge, thread: found 'M9'" in refusal(text.replace("away_mm", 'thread = "M9"\naway_mm', 1))
    by_number = read_instrument(text.replace("away_mm", "thread = 0.7\naway_mm", 1), "x")
    assert by_number.bridge.adjusters[0].mm_per_turn == 0.7


def test_no_strings_and_too_many() -> None:
    head = TEXT[: TEXT.index("\n[[string]]")]
    assert "string: missing; expected 1 to 12 [[string]] entries" in refusal(head)
    assert "1 to 12 [[string]] entries" in refusal(TEXT + TEXT[TEXT.index("\n[[string]]") :] * 2)


def test_the_first_missing_key_of_an_empty_file_is_reported() -> None:
    assert refusal("").startswith("my.toml: line 1: name: missing")


def test_file_content_is_not_repeated_when_it_is_no_toml() -> None:
    """The message may travel over a network, and the path may be of any file."""
    assert "secret" not in refusal("secret words of another file\n")


def test_gauges_and_cores_in_either_unit() -> None:
    text = TEXT.replace("gauge_in = 0.046", "gauge_mm = 1.1684").replace("core_mm = 0.457", "core_in = 0.018")
    metric = read_instrument(text, "x")
    assert metric.string(6).gauge_mm == pytest.approx(0.046 * 25.4)
    assert metric.string(6).core_mm == pytest.approx(0.4572)
    assert metric.string(6).unit_weight_kg_m == pytest.approx(read_instrument(TEXT, "x").string(6).unit_weight_kg_m)


def test_a_measured_unit_weight_replaces_the_chart() -> None:
    text = TEXT.replace("gauge_in = 0.046", "gauge_in = 0.046\nunit_weight_kg_m = 0.0070")
    assert read_instrument(text, "x").string(6).unit_weight_kg_m == 0.0070


def test_lines_are_found_in_inline_tables_and_past_multiline_texts() -> None:
    text = 'title = """\n[bridge]\nkind = 1\n"""\nbridge.kind = "x"\nstring = [\n  {note = "E4"},\n]\n'
    assert find_line(text, ("bridge", "kind")) == 5
    assert find_line(text, ("string", 0, "note")) == 6
    assert find_line(text, ("name",)) == 1


def test_lines_of_a_bridges_own_adjusters() -> None:
    text = '[bridge]\nkind = "x"\n[[bridge.adjuster]]\nname = "a"\n[[bridge.adjuster]]\nname = "b"\n'
    assert find_line(text, ("bridge", "kind")) == 2
    assert find_line(text, ("bridge", "adjuster")) == 3
    assert find_line(text, ("bridge", "adjuster", 1)) == 5
    assert find_line(text, ("bridge", "adjuster", 1, "name")) == 6
    below = text + "[bridge.adjuster.influence]\n1 = 1.0\n"
    assert find_line(below, ("bridge", "adjuster", 1, "influence")) == 7
    assert find_line(below, ("bridge", "adjuster", 1, "influence", "1")) == 8
    assert find_line(text + "influence.1 = 1.0\n", ("bridge", "adjuster", 1, "influence")) == 7
    assert find_line('bridge.kind = "x"\nbridge.adjuster = [{}]\n', ("bridge", "adjuster", 0, "name")) == 2


EDITED = [
    TEXT,
    OWN_TEXT,
    preset_toml("six-string-648-locking"),
    preset_toml("twelve-string-648"),
    *(
        (Path(__file__).parents[1] / "instruments" / f"{name}.toml").read_text()
        for name in ("long-seven", "two-tunings")
    ),
]


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(EDITED), st.data())
def test_any_edit_is_read_or_refused_in_one_line(given_text: str, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(given_text)))
    end = data.draw(st.integers(start, min(len(given_text), start + 40)))
    instead = data.draw(st.text(alphabet="abc=[]{}\"'\n.#0159-_e\x00é ", max_size=12))
    message = "my.toml: line 1"
    try:
        read_instrument(given_text[:start] + instead + given_text[end:], "my.toml")
    except InputError as refused:
        message = str(refused)
    assert re.fullmatch(r"my\.toml: line \d+[^\n]*", message)


def test_a_capo_in_the_file_is_the_nut_of_the_remaining_neck() -> None:
    text = preset_toml("six-string-648")
    plain = read_instrument(text, "x.toml")
    capo = read_instrument(text.replace("frets = ", "capo = 2\nfrets = ", 1), "x.toml")
    assert capo.frets == plain.frets - 2
    assert [capo.open_hz(n) for n in (1, 6)] == pytest.approx([plain.place_hz(n, Place("fret", 2)) for n in (1, 6)])
    assert capo.string(1).scale_mm == pytest.approx(plain.string(1).scale_mm * 2.0 ** (-2 / 12))


def test_a_capo_beyond_the_last_fret_is_refused() -> None:
    text = preset_toml("six-string-648").replace("frets = ", "capo = 9\nfrets = ", 1)
    few = re.sub(r"(?m)^frets = \d+", "frets = 7", text)
    with pytest.raises(InputError, match=r"x\.toml: line \d+: capo: fret 9 leaves no fret"):
        read_instrument(few, "x.toml")
