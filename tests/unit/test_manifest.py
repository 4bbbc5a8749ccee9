"""Manifests: their meaning, and reports of their mistakes."""

from __future__ import annotations

from pathlib import Path

import pytest

from oscservice.check.file_naming import NameParts
from oscservice.check.manifest import load_manifest, read_manifest
from oscservice.check.verdicts import Limits
from oscservice.errors import InputError
from oscservice.instrument.pitch import OPEN, Place, note_number

WHOLE = """
name = "before the take"
instrument = "six-string-648"
files = "takes/*.wav"
names = "string{string}_{place}_{take}"
baseline = "base.json"
listen_for = ["open", "fret 7"]

[limits]
drift_cents = 1.5

[[recording]]
files = ["low.wav", "more/low.wav"]
string = 6
places = ["open", "fret 12", "open"]
channel = 2

[[recording]]
files = "six.wav"
string_a_channel = true

[[recording]]
files = "ring.wav"
note = "E2"
labels = { dynamic = "soft" }
"""


def test_a_manifest_is_read_with_its_own_entries_before_the_rest() -> None:
    found = read_manifest(WHOLE, "set.toml", Path("/songs"), "set")
    assert (found.name, found.instrument, found.baseline) == (
        "before the take",
        "six-string-648",
        Path("/songs/base.json"),
    )
    assert found.limits == Limits(drift_cents=1.5)
    low, six, ring, rest = found.recordings
    assert low.patterns == ("low.wav", "more/low.wav")
    assert low.info.named == NameParts(6)
    assert low.info.places == (OPEN, Place("fret", 12), OPEN)
    assert (low.info.channel, low.names) == (2, None)
    assert six.info.string_a_channel
    assert six.names is not None, "it says nothing of its notes, so the names of all do"
    assert ring.info.named == NameParts(note=note_number("E2"), labels=(("dynamic", "soft"),))
    assert rest.patterns == ("takes/*.wav",)
    assert {some.info.listen_for for some in found.recordings} == {(OPEN, Place("fret", 7))}
    assert {some.folder for some in found.recordings} == {Path("/songs")}


def test_an_instrument_that_is_no_preset_is_a_file_beside_the_manifest(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('instrument = "red.toml"\nfiles = "a.wav"\n', encoding="utf-8")
    found = load_manifest(file)
    assert (found.name, found.instrument) == ("mine", str(tmp_path / "red.toml"))


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('files = "a"\ninstrumnet = "x"', 2, "instrumnet: unknown key; did you mean instrument?"),
        ('name = "x"', 1, "files: missing; expected them, or [[recording]] entries"),
        ('files = "a"\nnames = "{strnig}"\n', 2, "names: found '{strnig}', expected a text in quotes with fields"),
        ('files = "a"\n[limits]\ndrift_cent = 1.0', 3, "limits, drift_cent: unknown key; did you mean drift_cents?"),
        ('files = "a"\n[limits]\ndrift_cents = -1.0', 3, "limits, drift_cents: found -1.0, expected cents above 0"),
        ('files = "a"\nfiles = "b"', 2, "not valid TOML"),
        ("files = []", 1, "files: found [], expected a path"),
        ('files = "a"\nlisten_for = [12]', 2, "listen_for: found [12], expected a list of places"),
        ('files = "a"\nreference_hz = "440"', 2, "reference_hz: found '440', expected a number from 380 to 500"),
        ('files = "a"\nstring_a_channel = true\nchannel = 2', 2, "string_a_channel: expected no channel beside it"),
    ],
)
def test_a_mistake_is_one_line_with_its_place_and_what_was_expected(text: str, line: int, words: str) -> None:
    with pytest.raises(InputError) as refusal:
        read_manifest(text, "set.toml", Path())
    said = str(refusal.value)
    assert said.startswith(f"set.toml: line {line}")
    assert words in said
    assert "\n" not in said


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("[[recording]]\nstring = 6", 1, "recording 1, files: missing; expected a path"),
        ('[[recording]]\nfiles = "a"\nstring = 13', 3, "recording 1, string: found 13, expected a string's number"),
        ('[[recording]]\nfiles = "a"\nplaces = ["open", "fret x"]', 3, "recording 1, places: found ['open', 'fret x']"),
        ('[[recording]]\nfiles = "a"\nnames = "{string}"\nstring = 2', 3, "recording 1, names: expected nothing else"),
    ],
)
def test_a_mistake_in_an_entry_drops_only_that_entry(text: str, line: int, words: str) -> None:
    with pytest.raises(InputError) as refusal:  # where nothing else is left, as any other
        read_manifest(text, "set.toml", Path())
    said = str(refusal.value)
    assert said.startswith(f"set.toml: line {line}: ")
    assert words in said
    rest = text + '\n[[recording]]\nfiles = "rest.wav"\nstring = 5\n'
    found = read_manifest(rest, "set.toml", Path())
    assert found.refused == (said,)
    assert found.recordings[0].patterns == ("rest.wav",)


def test_a_missing_manifest_is_reported() -> None:
    with pytest.raises(InputError, match="is no file; give the path of a manifest"):
        load_manifest(Path("/nowhere/set.toml"))


def test_the_example_is_a_manifest() -> None:
    example = Path(__file__).parents[2] / "examples" / "strings-check.toml"
    found = load_manifest(example)
    assert found.limits == Limits(drift_cents=1.0, retuned=True)
    assert [some.info.named.string for some in found.recordings] == [6, None]
