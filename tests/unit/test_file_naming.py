"""Notes described by file names."""

from __future__ import annotations

from pathlib import PurePath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.check.file_naming import NameParts, compile_names
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_number

FRET_12 = Place("fret", 12)


@pytest.mark.parametrize(
    ("pattern", "name", "expected"),
    [
        ("string{string}_{place}_{take}", "string6_fret12_3.wav", NameParts(6, FRET_12)),
        ("string{string}_{place}_{take}", "string6_open_3.flac", NameParts(6, OPEN)),
        ("string{string}_{place}_{take}", "string6_harmonic_take 10.flac", NameParts(6, HARMONIC)),
        ("{string}-{fret}", "1-0.wav", NameParts(1, OPEN)),
        ("{string}-{fret}", "1-12.wav", NameParts(1, FRET_12)),
        ("{string} {place}.wav", "2 fret 7.aiff", NameParts(2, Place("fret", 7))),
        ("{note}_{dynamic}_{take}", "eb3_mf_1.flac", NameParts(note=note_number("Eb3"), labels=(("dynamic", "mf"),))),
        ("{note}_{any}_{take}", "gb2_mf_1.flac", NameParts(note=note_number("F#2"))),
        ("{note}", "A-1.flac", NameParts(note=note_number("A-1"))),
        ("{any}{note}_{any}", "take 4 E2_loud.wav", NameParts(note=note_number("E2"))),
        ("{player}/{string}_{place}", "archive/anna/3_open.wav", NameParts(3, OPEN, labels=(("player", "anna"),))),
        ("v1.2 {string}_{place}", "v1.2 3_open.wav", NameParts(3, OPEN)),
        ("x{string}(a|b)", "x4(a|b).wav", NameParts(4)),
    ],
)
def test_a_pattern_reads_a_name(pattern: str, name: str, expected: NameParts) -> None:
    assert compile_names(pattern).read(PurePath(name)) == expected


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("string{string}_{place}", "string6_bridge.wav"),
        ("string{string}_{place}", "notes.wav"),
        ("{note}", "h2.wav"),
        ("{string}", "thick.wav"),
        ("{player}/{string}", "6.wav"),
    ],
)
def test_a_name_that_does_not_fit_is_reported(pattern: str, name: str) -> None:
    assert compile_names(pattern).read(PurePath(name)) is None


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("", "empty"),
        ("takes", "no field"),
        ("{string}_{place", "without its partner"),
        ("{}", "is no field"),
        ("{strnig}_{place}", "did you mean {string}"),
        ("{notes}", "did you mean {note}"),
        ("{String}_{place}", "did you mean string"),
        ("{string}{string}", "is there twice"),
        ("{place}_{fret}", "say the same"),
        ("{any}" * 9, "9 fields"),
    ],
)
def test_a_pattern_with_a_mistake_is_refused_in_one_line(pattern: str, words: str) -> None:
    with pytest.raises(ValueError, match=words) as refusal:
        compile_names(pattern)
    assert "\n" not in str(refusal.value)


@given(
    string=st.integers(1, 12),
    fret=st.integers(0, 36),
    label=st.text("abcdefghijklmnop0123456789", min_size=1, max_size=8),
)
def test_a_pattern_reads_the_names_it_writes(string: int, fret: int, label: str) -> None:
    place = Place("fret", fret) if fret else OPEN
    name = f"s{string} {label} {str(place).replace(' ', '')}.wav"
    assert compile_names("s{string} {kind} {place}").read(PurePath(name)) == NameParts(
        string, place, None, (("kind", label),)
    )
