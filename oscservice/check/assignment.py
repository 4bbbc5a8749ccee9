"""The cases that a file's notes belong to: by its name, by the manifest, or by pitch and stiffness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from oscservice.archive.file_measurement import MeasuredFile, NoteFound
from oscservice.check.file_naming import NameParts, in_words
from oscservice.check.verdicts import Case, Labels, Note
from oscservice.hearing.note_identity import identify
from oscservice.hearing.reading import finite_or_none
from oscservice.instrument.pitch import OPEN, Place, cents_between, nearest_note, note_hz, note_name, note_number
from oscservice.instrument.spec import Instrument
from oscservice.sentences.plural import counted

ANOTHER_CENTS = 200.0
"""A pitch further than this from the named note is another note. Up to it the name counts: a string may be out of tune
by as much."""

SURE = 0.8
"""Least probability of a string and a place that are found by pitch and stiffness."""

DEAD_DBFS = -90.0
"""A channel with a lower mean level is silent: not connected, or muted."""

_NEAR_CENTS = 50.0

DEFAULT_PLACES = (OPEN, Place("fret", 12))
"""Places that notes may be at if nothing else is given: those that a set-up compares."""


@dataclass(frozen=True)
class RecordingInfo:
    """The information about a file before it is measured.

    Attributes:
        named: of every note in it, from its name or the manifest.
        places: of its notes in the order they are played; empty: one for all, or by pitch.
        channel: from 1; 0: the loudest one.
        string_a_channel: channel 1 is string 1, and so on.
        listen_for: places that a note may be at, if the string is not given.
    """

    named: NameParts = field(default_factory=NameParts)
    places: tuple[Place, ...] = ()
    listen_for: tuple[Place, ...] = DEFAULT_PLACES
    channel: int = 0
    string_a_channel: bool = False


@dataclass(frozen=True)
class Assigned:
    """The notes of a file by case, in the order they were heard; refusals and remarks, a line each without the file's
    name."""

    notes: tuple[tuple[Case, Note], ...] = ()
    refused: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def assign(
    file: str, measured: MeasuredFile, info: RecordingInfo, instrument: Instrument | None, reference_hz: float
) -> Assigned:
    """Assign each note of a file to its case.

    Args:
        file: its name, as it is shown.
        measured: its notes.
        info: the information about it.
        instrument: the one it was played on; None: notes are known by name only.
        reference_hz: A4, if there is no instrument.
    """
    found = _Found(file, info, instrument, reference_hz)
    if info.string_a_channel:
        found.by_channel(measured)
    else:
        channel = info.channel or _loudest(measured)
        if channel > measured.channels:
            found.refused.append(f"has {measured.channels} channels, and channel {channel} was asked for")
        elif measured.levels_dbfs[channel - 1] < DEAD_DBFS:
            found.refused.append(f"channel {channel} is silent" if measured.channels > 1 else "is silent")
        else:
            dead = [n for n, level in enumerate(measured.levels_dbfs, start=1) if level < DEAD_DBFS and n != channel]
            if dead:
                numbers = " and ".join(map(str, dead))
                found.remarks.append(f"channel {numbers} is silent; channel {channel} was read")
            found.take(measured, channel, info.named)
    return Assigned(tuple(found.notes), tuple(found.refused), tuple(found.remarks))


def _loudest(measured: MeasuredFile) -> int:
    levels = measured.levels_dbfs
    return max(range(1, measured.channels + 1), key=lambda channel: (levels[channel - 1], -channel))


class _Found:
    """Collects the notes of a file."""

    def __init__(self, file: str, info: RecordingInfo, instrument: Instrument | None, reference_hz: float) -> None:
        self._file = file
        self._info = info
        self._instrument = instrument
        self._reference_hz = instrument.reference_hz if instrument is not None else reference_hz
        self.notes: list[tuple[Case, Note]] = []
        self.refused: list[str] = []
        self.remarks: list[str] = []

    def by_channel(self, measured: MeasuredFile) -> None:
        """Take each channel as one string's."""
        strings = measured.channels if self._instrument is None else len(self._instrument.strings)
        if measured.channels != strings:
            self.refused.append(f"has {measured.channels} channels, and the instrument {strings} strings")
            return
        for channel, level in enumerate(measured.levels_dbfs, start=1):
            if level < DEAD_DBFS:
                self.refused.append(f"channel {channel}, string {channel}, is silent")
            else:
                named = self._info.named
                self.take(measured, channel, NameParts(channel, named.place, named.note, named.labels))

    def take(self, measured: MeasuredFile, channel: int, named: NameParts) -> None:
        """Take the notes of one channel."""
        sounds = [one for one in measured.found if one.channel == channel]
        heard = [one for one in sounds if isinstance(one, NoteFound)]
        at = f"channel {channel}: " if self._info.string_a_channel else ""
        if not heard:
            reasons = [one.reason for one in sounds if not isinstance(one, NoteFound)]
            why = reasons[0] if reasons else "it holds no plucked string"
            self.refused.append(f"{at}no note found: {why}")
            return
        places: Sequence[Place | None] = self._info.places or [named.place] * len(heard)
        if len(places) != len(heard):
            mismatch = f"{at}{counted(len(heard), 'note')} heard, but {counted(len(places), 'place')} given"
            by_pitch = self._some_of(self._info.places, heard, named.string)
            if by_pitch is None:
                self.refused.append(mismatch)
                return
            self.remarks.append(f"{mismatch}; the pitch of each shows its place")
            places = by_pitch
        fitting, others = 0, list[str]()
        for one, place in zip(heard, places, strict=True):
            found = self._case(one, NameParts(named.string, place, named.note, named.labels))
            if isinstance(found, Case):
                fitting += 1
                self.notes.append((found, _note(one, self._file)))
            else:
                others.append(f"{at}{found}")
        if others and fitting and (named.place is not None or named.note is not None):
            self.remarks += [f"ignored: {line}" for line in others]  # noises beside the intended note
        else:
            self.refused += others

    def _some_of(self, places: Sequence[Place], heard: Sequence[NoteFound], string: int | None) -> list[Place] | None:
        """Return the places of the notes if some were not heard: None unless their pitch leaves no choice and every
        place is among them."""
        strings = 0 if self._instrument is None else len(self._instrument.strings)
        if self._instrument is None or string is None or not 1 <= string <= strings or len(heard) > len(places):
            return None
        found, rest = [], iter(places)
        for one in heard:
            near = [
                place
                for place in dict.fromkeys(places)
                if abs(cents_between(one.reading.f1_hz, self._instrument.place_hz(string, place))) <= ANOTHER_CENTS
            ]
            if len(near) != 1 or near[0] not in rest:  # `in` continues after the last one found
                return None
            found += near
        return found if set(found) == set(places) else None

    def _case(self, one: NoteFound, named: NameParts) -> Case | str:
        """Return the case of a note, or the reason why it has none."""
        reading = one.reading
        number, _ = nearest_note(reading.f1_hz, self._reference_hz)
        heard = f"{note_name(number)} ({reading.f1_hz:.1f} Hz) at {one.onset_s:.1f} s"
        if self._instrument is None or (named.note is not None and named.string is None):
            return self._by_note(reading.f1_hz, named, number, heard)
        if named.string is None:
            return self._by_pitch(one, self._instrument, named, heard)
        if not 1 <= named.string <= len(self._instrument.strings):
            return f"string {named.string} is not on the instrument, which has {len(self._instrument.strings)}"
        place = named.place
        if place is None and named.note is not None:
            open_note = note_number(self._instrument.string(named.string).note)
            if not 0 <= named.note - open_note <= self._instrument.frets:
                return f"string {named.string} has no {note_name(named.note)}"
            place = _fretted(named.note - open_note)
        if place is None:
            off = cents_between(reading.f1_hz, self._instrument.open_hz(named.string))
            if not 0 <= round(off / 100.0) <= self._instrument.frets:
                return f"heard {heard}, which is no place on string {named.string}"
            place = _fretted(round(off / 100.0))
        if place.fret > self._instrument.frets:
            return f"fret {place.fret} is not on the instrument, which has {self._instrument.frets}"
        case = self._on(self._instrument, named.string, place, named.labels)
        if abs(cents_between(reading.f1_hz, self._instrument.place_hz(named.string, place))) > ANOTHER_CENTS:
            return f"heard {heard}, but expected {case}, {note_name(case.note)}"
        return case

    def _by_note(self, f1_hz: float, named: NameParts, number: int, heard: str) -> Case | str:
        note = number if named.note is None else named.note
        if abs(cents_between(f1_hz, note_hz(note, self._reference_hz))) > ANOTHER_CENTS:
            return f"heard {heard}, but expected {in_words(named)}"
        if named.string is None:
            return Case(0, None, note, named.labels)
        if named.place is None and named.note is None:
            return f"string {named.string} is given without an instrument; expected one, or the note"
        return Case(named.string, named.place, note, named.labels)

    def _by_pitch(self, one: NoteFound, instrument: Instrument, named: NameParts, heard: str) -> Case | str:
        """Return the case by pitch and stiffness."""
        reading = one.reading
        places = self._info.listen_for if named.place is None else (named.place,)
        identity = identify(
            instrument,
            reading.f1_hz,
            inharmonicity=reading.inharmonicity,
            inharmonicity_se=reading.inharmonicity_se,
            also=places,
        )
        likely = [found for found in identity.likely if found.place in places]
        total = sum(found.probability for found in likely) + identity.nothing
        if not likely or abs(likely[0].cents) > _NEAR_CENTS:
            return f"heard {heard}, which is no place on the instrument"
        best = likely[0]
        if best.probability < SURE * total:
            rival = likely[1] if len(likely) > 1 else None
            other = "" if rival is None else f" or string {rival.string} {rival.place}"
            return (
                f"heard {heard}: string {best.string} {best.place}{other}? Say which in the file name or in a manifest"
            )
        return self._on(instrument, best.string, best.place, named.labels)

    def _on(self, instrument: Instrument, string: int, place: Place, labels: Labels) -> Case:
        return Case(string, place, note_number(instrument.string(string).note) + place.semitones, labels)


def _fretted(semitones: int) -> Place:
    return Place("fret", semitones) if semitones else OPEN


def _note(one: NoteFound, file: str) -> Note:
    reading = one.reading
    clipped = "clipped" in reading.flags
    return Note(
        reading.f1_hz,
        reading.se_cents,
        None if clipped else finite_or_none(reading.strength_db),
        reading.inharmonicity,
        finite_or_none(reading.inharmonicity_se),
        file,
        one.onset_s,
    )
