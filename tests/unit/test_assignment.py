"""The cases of a file's notes: by name, by manifest, and by pitch and stiffness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from made_up_session import reading

from oscservice.archive.file_measurement import IgnoredSound, MeasuredFile, NoteFound
from oscservice.check.assignment import RecordingInfo, assign
from oscservice.check.file_naming import NameParts
from oscservice.hearing.reading import Reading
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_hz, note_number

GUITAR = load_instrument("six-string-648")
FRET_12 = Place("fret", 12)


def hz(string: int, place: Place = OPEN, cents: float = 0.0) -> float:
    return GUITAR.place_hz(string, place) * float(2.0 ** (cents / 1200.0))


def file(*notes: float | Reading | str, levels: Sequence[float] = (-20.0,), channel: int = 1) -> MeasuredFile:
    """A file with notes of these pitches, or sounds that were no notes, in one channel."""
    found: list[NoteFound | IgnoredSound] = []
    for number, one in enumerate(notes):
        if isinstance(one, str):
            found.append(IgnoredSound(channel, 3.0 * number, one))
        else:
            found.append(NoteFound(channel, 3.0 * number, one if isinstance(one, Reading) else reading(one)))
    return MeasuredFile(48000, len(levels), tuple(found), tuple(levels), ())


def cases(measured: MeasuredFile, info: RecordingInfo, *, known: bool = True) -> tuple[list[str], list[str], list[str]]:
    found = assign("a.wav", measured, info, GUITAR if known else None, 440.0)
    return [str(case) for case, _ in found.notes], list(found.refused), list(found.remarks)


def test_a_name_that_says_string_and_place_is_believed_though_the_string_is_off_by_a_semitone() -> None:
    info = RecordingInfo(NameParts(6, FRET_12))
    assert cases(file(hz(6, FRET_12, -110.0)), info) == (["string 6 fret 12"], [], [])


def test_a_name_that_says_another_note_is_refused() -> None:
    got = cases(file(hz(5)), RecordingInfo(NameParts(6, OPEN)))
    assert got == ([], ["heard A2 (110.0 Hz) at 0.0 s, but expected string 6 open, E2"], [])


def test_a_noise_beside_the_intended_note_is_ignored() -> None:
    notes, refused, remarks = cases(file(hz(6), hz(1)), RecordingInfo(NameParts(6, OPEN)))
    assert (notes, refused) == (["string 6 open"], [])
    assert remarks == ["ignored: heard E4 (329.6 Hz) at 3.0 s, but expected string 6 open, E2"]


def test_a_string_to_a_file_gets_its_places_by_ear() -> None:
    heard = file(hz(6), hz(6, FRET_12, 8.0), hz(6, Place("fret", 7)), hz(6, cents=-30.0))
    notes, refused, _ = cases(heard, RecordingInfo(NameParts(6)))
    assert notes == ["string 6 open", "string 6 fret 12", "string 6 fret 7", "string 6 open"]
    assert refused == []


def test_a_pitch_below_the_open_string_is_no_place_on_it() -> None:
    assert cases(file(hz(6)), RecordingInfo(NameParts(1)))[1] == [
        "heard E2 (82.4 Hz) at 0.0 s, which is no place on string 1"
    ]


def test_places_are_given_in_playing_order_and_their_number_must_fit() -> None:
    info = RecordingInfo(NameParts(6), (OPEN, HARMONIC, FRET_12))
    heard = file(hz(6), hz(6, HARMONIC), hz(6, FRET_12))
    assert cases(heard, info)[0] == ["string 6 open", "string 6 harmonic", "string 6 fret 12"]
    assert cases(file(hz(6)), info)[1] == ["1 note heard, but 3 places given"]


def test_if_some_given_places_were_not_heard_pitch_shows_which() -> None:
    info = RecordingInfo(NameParts(6), (OPEN, OPEN, FRET_12, FRET_12, OPEN))
    heard = file(
        "too short for a note", hz(6), hz(6), "too few partials for a string", hz(6, FRET_12), hz(6, cents=-50.0)
    )
    remark = "4 notes heard, but 5 places given; the pitch of each shows its place"
    assert cases(heard, info) == ([*["string 6 open"] * 2, "string 6 fret 12", "string 6 open"], [], [remark])


@pytest.mark.parametrize(
    ("places", "heard"),
    [
        ((OPEN, FRET_12, OPEN), (hz(6, FRET_12), hz(6, FRET_12))),  # not in this order
        ((OPEN, FRET_12, OPEN), (hz(6), hz(5))),  # another note
        ((OPEN, FRET_12, OPEN), (hz(6), hz(6))),  # a place is missing altogether: nothing could be said of it
        ((OPEN, Place("fret", 1), OPEN), (hz(6), hz(6))),  # a string out of tune could be either
        ((OPEN, HARMONIC, FRET_12), (hz(6), hz(6, FRET_12))),  # the same pitch twice
        ((OPEN, FRET_12), (hz(6), hz(6, FRET_12), hz(6))),  # more than were given
    ],
)
def test_a_file_with_an_ambiguous_pitch_is_refused(places: tuple[Place, ...], heard: tuple[float, ...]) -> None:
    notes, refused, _ = cases(file(*heard), RecordingInfo(NameParts(6), places))
    assert (notes, refused) == ([], [f"{len(heard)} notes heard, but {len(places)} places given"])


def test_without_an_instrument_every_given_place_must_be_heard() -> None:
    assert cases(file(hz(6)), RecordingInfo(NameParts(6), (OPEN, FRET_12)), known=False)[0] == []


def test_unnamed_notes_are_open_or_at_fret_12_by_default() -> None:
    heard = file(hz(6), hz(6, FRET_12), hz(1, cents=-20.0))
    assert cases(heard, RecordingInfo()) == (["string 6 open", "string 6 fret 12", "string 1 open"], [], [])
    fifth = file(hz(2, Place("fret", 7)))
    assert cases(fifth, RecordingInfo())[1] == ["heard F#4 (370.0 Hz) at 0.0 s, which is no place on the instrument"]
    notes, refused, _ = cases(fifth, RecordingInfo(listen_for=(OPEN, Place("fret", 7))))
    assert (notes, refused) == (["string 2 fret 7"], [])


def test_a_pitch_of_two_strings_causes_a_question() -> None:
    info = RecordingInfo(listen_for=(OPEN, Place("fret", 5)))
    assert "? Say which in the file name or in a manifest" in cases(file(hz(5)), info)[1][0]


def test_notes_go_by_their_names_where_there_is_no_instrument() -> None:
    assert cases(file(note_hz(40)), RecordingInfo(), known=False) == (["E2"], [], [])
    soft = NameParts(note=note_number("E2"), labels=(("dynamic", "soft"),))
    assert cases(file(note_hz(40)), RecordingInfo(soft), known=False)[0] == ["E2 (dynamic soft)"]
    assert cases(file(note_hz(43)), RecordingInfo(soft), known=False)[1] == [
        "heard G2 (98.0 Hz) at 0.0 s, but expected E2"
    ]
    assert "without an instrument" in cases(file(note_hz(40)), RecordingInfo(NameParts(6)), known=False)[1][0]


def test_a_string_and_a_note_make_a_fret() -> None:
    assert cases(file(hz(6, FRET_12)), RecordingInfo(NameParts(6, None, note_number("E3"))))[0] == ["string 6 fret 12"]
    assert cases(file(hz(6)), RecordingInfo(NameParts(6, None, note_number("C2"))))[1] == ["string 6 has no C2"]


@pytest.mark.parametrize(
    ("named", "why"), [(NameParts(7, OPEN), "which has 6"), (NameParts(6, Place("fret", 30)), "which has 2")]
)
def test_strings_and_frets_not_on_the_instrument_are_refused(named: NameParts, why: str) -> None:
    assert why in cases(file(hz(6)), RecordingInfo(named))[1][0]


def test_a_dead_channel_is_remarked_and_the_other_is_read() -> None:
    heard = file(hz(6), levels=(-200.0, -20.0), channel=2)
    assert cases(heard, RecordingInfo(NameParts(6))) == (
        ["string 6 open"],
        [],
        ["channel 1 is silent; channel 2 was read"],
    )
    assert cases(heard, RecordingInfo(NameParts(6), channel=1))[1] == ["channel 1 is silent"]
    assert cases(heard, RecordingInfo(NameParts(6), channel=3))[1] == ["has 2 channels, and channel 3 was asked for"]


def test_of_two_channels_the_louder_one_is_read_since_both_hold_the_same_pluck() -> None:
    notes = (NoteFound(1, 0.5, reading(hz(6))), NoteFound(2, 0.5, reading(hz(6))))
    assert cases(MeasuredFile(48000, 2, notes, (-30.0, -20.0), ()), RecordingInfo(NameParts(6))) == (
        ["string 6 open"],
        [],
        [],
    )


def test_a_channel_a_string_needs_one_for_every_string() -> None:
    notes = tuple(NoteFound(n, 0.5, reading(hz(n))) for n in range(1, 6))
    info = RecordingInfo(string_a_channel=True)
    six = MeasuredFile(48000, 6, notes, (-20.0,) * 5 + (-200.0,), ())
    found, refused, _ = cases(six, info)
    assert found == [f"string {n} open" for n in range(1, 6)]
    assert refused == ["channel 6, string 6, is silent"]
    assert cases(replace(six, channels=2, levels_dbfs=(-20.0, -20.0)), info)[1] == [
        "has 2 channels, and the instrument 6 strings"
    ]


def test_a_file_without_a_note_is_reported_with_its_sounds() -> None:
    assert cases(file("more than one string"), RecordingInfo())[1] == ["no note found: more than one string"]
    assert cases(file(levels=(-200.0,)), RecordingInfo())[1] == ["is silent"]
    assert cases(file(), RecordingInfo())[1] == ["no note found: it holds no plucked string"]


def test_a_clipped_note_has_no_strength() -> None:
    clipped = replace(reading(hz(6)), flags=("clipped",))
    ((_, note),) = assign("a.wav", file(clipped), RecordingInfo(NameParts(6)), GUITAR, 440.0).notes
    assert note.strength_db is None
    assert note.inharmonicity_se is None, "an infinite error is none that can be stored"
