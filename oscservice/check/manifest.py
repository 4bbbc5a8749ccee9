"""The recordings of a check: files, folders, patterns and lists, and manifests that name them.

A manifest is a TOML file. It names the recordings, the notes in them, and the state they are compared
with. ``gather`` finds the files, sorted as people count.
"""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

import soundfile
from pydantic import AfterValidator, Field, PlainValidator, ValidationError, model_validator
from pydantic_core import ErrorDetails

from oscservice.check.assignment import DEFAULT_PLACES, RecordingInfo
from oscservice.check.file_naming import NameParts, Names, compile_names
from oscservice.check.verdicts import Limits, Refusal
from oscservice.defaults import A4_HZ, LARGEST_LIMIT_CENTS, MOST_CHANNELS, REFERENCE_RANGE_HZ
from oscservice.errors import InputError
from oscservice.instrument.instrument_file import preset_names
from oscservice.instrument.pitch import Place, note_number
from oscservice.instrument.spec import MOST_STRINGS, ReferenceHz
from oscservice.toml_file import Form, first_mistake, parse, toml_text


def _names(given: str) -> str:
    compile_names(given)
    return given


def _places(given: object) -> tuple[Place, ...]:
    if not isinstance(given, list) or not given or not all(isinstance(text, str) for text in given):
        raise ValueError("no places")
    return tuple(Place.parse(text) for text in given)


def _one_or_more(given: object) -> tuple[str, ...]:
    found = (given,) if isinstance(given, str) else tuple(given) if isinstance(given, list) else ()
    if not found or not all(isinstance(text, str) and text for text in found):
        raise ValueError("no files")
    return found


def _note(given: str) -> str:
    note_number(given)
    return given


Text = Annotated[str, Field(min_length=1, max_length=400)]
Files = Annotated[Any, PlainValidator(_one_or_more)]
Places = Annotated[Any, PlainValidator(_places)]
Pattern = Annotated[Text, AfterValidator(_names)]
Channel = Annotated[int, Field(ge=1, le=MOST_CHANNELS)]
LimitCents = Annotated[float, Field(gt=0.0, le=LARGEST_LIMIT_CENTS)]

_FILES = 'a path, a folder or a pattern such as "takes/*.wav", or a list of these'
_PLACES = 'a list of places: ["open", "fret 12"], say'
_LIMIT = f"cents above 0, to {LARGEST_LIMIT_CENTS:g}"
_REFERENCE = "a number from {:g} to {:g} (Hz, usually {})".format(*REFERENCE_RANGE_HZ, A4_HZ)
_PATTERN = 'a text in quotes with fields such as {string}, {place}, {note}, {take}: "string{string}_{place}_{take}"'
_CHANNEL = f"a whole number from 1 to {MOST_CHANNELS}"


class LimitsForm(Form):
    """The ``[limits]`` table: the largest deviations that are accepted."""

    tuning_cents: LimitCents | None = Field(None, description=_LIMIT)
    error_cents: LimitCents | None = Field(None, description=_LIMIT)
    drift_cents: LimitCents | None = Field(None, description=_LIMIT)
    retuned: bool = Field(False, description="true or false")


class RecordingForm(Form):
    """One ``[[recording]]`` entry: some of the recordings, and what is played in them."""

    files: Files = Field(description=_FILES)
    names: Pattern | None = Field(None, description=_PATTERN)
    string: Annotated[int, Field(ge=1, le=MOST_STRINGS)] | None = Field(
        None, description=f"a string's number, from 1 to {MOST_STRINGS}"
    )
    place: Annotated[str, AfterValidator(lambda text: str(Place.parse(text)))] | None = Field(
        None, description='a place in quotes: "open", "harmonic" or "fret 12", say'
    )
    places: Places | None = Field(None, description=f"{_PLACES}, one for each note in the order they are played")
    note: Annotated[str, AfterValidator(_note)] | None = Field(None, description="a note name in quotes, e.g. E2")
    labels: dict[Text, Text] = Field({}, description='texts that tell it apart: { dynamic = "soft" }, say')
    listen_for: Places | None = Field(None, description=_PLACES)
    channel: Channel | None = Field(None, description=_CHANNEL)
    string_a_channel: bool | None = Field(None, description="true or false")

    @model_validator(mode="after")
    def _one_description(self) -> RecordingForm:
        if self.place is not None and self.places is not None:
            raise ValueError("places: expected either place or places")
        if self.names is not None and (self.place or self.places or self.string or self.note or self.labels):
            raise ValueError("names: expected nothing else beside it that says what the notes are")
        if self.string_a_channel and (self.channel or self.string):
            raise ValueError("string_a_channel: expected neither channel nor string beside it")
        return self


class ManifestForm(Form):
    """The whole file."""

    name: Text | None = Field(None, description="a text in quotes")
    instrument: Text | None = Field(None, description="a preset or an instrument file, in quotes")
    reference_hz: ReferenceHz = Field(A4_HZ, description=_REFERENCE)
    files: Files | None = Field(None, description=_FILES)
    names: Pattern | None = Field(None, description=_PATTERN)
    listen_for: Places | None = Field(None, description=_PLACES)
    channel: Channel | None = Field(None, description=_CHANNEL)
    string_a_channel: bool = Field(False, description="true or false")
    baseline: Text | None = Field(None, description="the path of a baseline in quotes")
    limits: LimitsForm | None = Field(None, description="a [limits] table")
    recording: list[RecordingForm] = Field([], description="[[recording]] entries")

    @model_validator(mode="after")
    def _some_files(self) -> ManifestForm:
        if self.files is None and not self.recording:
            raise ValueError("files: missing; expected them, or [[recording]] entries")
        if self.string_a_channel and self.channel:
            raise ValueError("string_a_channel: expected no channel beside it")
        return self


@dataclass(frozen=True)
class Recordings:
    """Some files, and the known facts about them.

    Attributes:
        patterns: paths, folders and globs.
        folder: where relative paths begin.
        info: the known facts about all of them.
        names: pattern of their names; None if the names are not read.
    """

    patterns: tuple[str, ...]
    folder: Path
    info: RecordingInfo = field(default_factory=RecordingInfo)
    names: Names | None = None


@dataclass(frozen=True)
class CheckSet:
    """The recordings of a check, and the state they are compared with.

    Attributes:
        name: of the set.
        recordings: in the order they are read; a file that several entries name belongs to the first.
        instrument: preset or path; None: notes are compared with their names.
        reference_hz: A4, where there is no instrument.
        baseline: the accepted state to compare with.
        limits: those in the manifest.
        refused: entries that were left out for a mistake in them, a line each.
        info, names: as in ``Recordings``, for recordings that are given in addition.
    """

    name: str = ""
    recordings: tuple[Recordings, ...] = ()
    instrument: str | None = None
    reference_hz: float = A4_HZ
    baseline: Path | None = None
    limits: Limits = field(default_factory=Limits)
    refused: tuple[str, ...] = ()
    info: RecordingInfo = field(default_factory=RecordingInfo)
    names: Names | None = None


def load_manifest(path: Path) -> CheckSet:
    """Return the check set of the manifest at ``path``; its paths begin at its own folder. A [[recording]] entry with a
    mistake is left out and reported in ``refused``: the rest can be judged.

    Raises:
        InputError: it can't be read, or has a mistake: file, line, key, what was expected.
    """
    text = toml_text(path, "a manifest", f"{str(path)!r} is no file; give the path of a manifest")
    return read_manifest(text, str(path), path.absolute().parent, path.stem)


def read_manifest(text: str, origin: str, folder: Path, name: str = "") -> CheckSet:
    """Return the check set of the TOML ``text``.

    Args:
        origin: names the file in messages.
        folder: where its relative paths begin.
        name: of the set, unless the text has one.

    Raises:
        InputError: as ``load_manifest``.
    """
    form, refused = _form(text, origin)
    all_of_it = RecordingInfo(
        listen_for=form.listen_for or DEFAULT_PLACES, channel=form.channel or 0, string_a_channel=form.string_a_channel
    )
    names = None if form.names is None else compile_names(form.names)
    recordings = [_recordings(one, folder, all_of_it, names) for one in form.recording]
    if form.files is not None:
        recordings.append(Recordings(form.files, folder, all_of_it, names))
    instrument = form.instrument
    if instrument is not None and instrument not in preset_names():
        instrument = str(folder / instrument)
    limits = Limits() if form.limits is None else Limits(**form.limits.model_dump())
    return CheckSet(
        form.name or name,
        tuple(recordings),
        instrument,
        form.reference_hz,
        None if form.baseline is None else folder / form.baseline,
        limits,
        refused,
        all_of_it,
        names,
    )


def _form(text: str, origin: str) -> tuple[ManifestForm, tuple[str, ...]]:
    """Return the form of a text without the [[recording]] entries with a mistake, and one line about each of those."""
    data = parse(text, origin)
    try:
        return ManifestForm.model_validate(data), ()
    except ValidationError as mistakes:
        errors = mistakes.errors()
    by_entry: dict[int, list[ErrorDetails]] = {}
    for error in errors:
        match error["loc"]:
            case ("recording", int(entry), *_):
                by_entry.setdefault(entry, []).append(error)
            case _:
                raise first_mistake(ManifestForm, errors, text, origin) from None
    kept = [one for number, one in enumerate(data["recording"]) if number not in by_entry]
    try:
        form = ManifestForm.model_validate({**data, "recording": kept})
    except ValidationError:  # nothing is left
        raise first_mistake(ManifestForm, errors, text, origin) from None
    return form, tuple(str(first_mistake(ManifestForm, some, text, origin)) for _, some in sorted(by_entry.items()))


def _recordings(form: RecordingForm, folder: Path, info: RecordingInfo, names: Names | None) -> Recordings:
    place = None if form.place is None else Place.parse(form.place)
    note = None if form.note is None else note_number(form.note)
    named = NameParts(form.string, place, note, tuple(sorted(form.labels.items())))
    known = named != NameParts() or form.places is not None
    info = replace(
        info,
        named=named,
        places=form.places or (),
        listen_for=form.listen_for or info.listen_for,
        channel=form.channel or (0 if form.string_a_channel else info.channel),
        string_a_channel=info.string_a_channel if form.string_a_channel is None else form.string_a_channel,
    )
    if form.names is not None:
        names = compile_names(form.names)
    elif known:
        names = None
    return Recordings(form.files, folder, info, names)


_MAGIC = re.compile(r"[*?\[]")
_DIGITS = re.compile(r"(\d+)")
_MORE_SUFFIXES = ("aif", "aifc", "oga", "opus", "wave")  # other endings of formats that libsndfile reads


@dataclass(frozen=True)
class Gathered:
    """One file: its path, the path as it is shown, and the known facts about the recording."""

    path: Path
    shown: str
    info: RecordingInfo


def gather(recordings: Sequence[Recordings]) -> tuple[list[Gathered], list[Refusal]]:
    """Return the files of a check, each once, and what was refused: patterns and paths without a file, names that do
    not fit their pattern."""
    files: list[Gathered] = []
    refused: list[Refusal] = []
    seen: set[Path] = set()
    for some in recordings:
        for pattern in some.patterns:
            found = list(_files(pattern, some.folder))
            if not found:
                refused.append(Refusal(pattern, _nothing(pattern, some.folder)))
            for path in found:
                if path in seen:
                    continue
                seen.add(path)
                info = _info(path, some)
                if info is None:
                    assert some.names is not None
                    refused.append(Refusal(_shown(path), f"its name does not fit the pattern {some.names.pattern}"))
                else:
                    files.append(Gathered(path, _shown(path), info))
    return files, refused


def listed(text: str) -> tuple[str, ...]:
    """Return the paths in a list: one a line, blank lines left out."""
    return tuple(line.strip() for line in text.splitlines() if line.strip())


def read_list(path: Path) -> tuple[str, ...]:
    """Return the paths in a list file. Raises InputError."""
    try:
        return listed(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as trouble:
        why = getattr(trouble, "strerror", None) or "not UTF-8 text"
        raise InputError(f"{path}: the list can't be read ({why})") from None


def in_order(paths: Iterable[Path]) -> list[Path]:
    """Return paths sorted as people count: take 2 before take 10."""
    return sorted(paths, key=lambda path: [_counted(part) for part in path.parts])


def _counted(text: str) -> list[tuple[int, int, str]]:
    parts = _DIGITS.split(text)
    return [(1, int(part), part) if part.isdigit() else (0, 0, part.lower()) for part in parts]


def _info(path: Path, some: Recordings) -> RecordingInfo | None:
    if some.names is None:
        return some.info
    named = some.names.read(path)
    return (
        None
        if named is None
        else RecordingInfo(named, (), some.info.listen_for, some.info.channel, some.info.string_a_channel)
    )


def _files(pattern: str, folder: Path) -> list[Path]:
    path = folder / Path(pattern).expanduser()
    if path.is_dir():
        endings = _endings()
        return in_order(
            Path(at) / name
            for at, _, names in os.walk(path)
            for name in names
            if name.rpartition(".")[2].lower() in endings and not name.startswith(".")
        )
    if path.exists() or not _MAGIC.search(pattern):
        return [path]  # a missing file is reported when it is read
    return in_order(Path(found) for found in glob.glob(str(path), recursive=True) if not Path(found).is_dir())


def _endings() -> set[str]:
    return {name.lower() for name in soundfile.available_formats()} | set(_MORE_SUFFIXES)


def _nothing(pattern: str, folder: Path) -> str:
    if (folder / Path(pattern).expanduser()).is_dir():
        return "no recording is in this folder"
    return "no file fits this pattern"


def _shown(path: Path) -> str:
    """Return the shorter form of a path: relative to the current folder, if it is inside it."""
    try:
        return str(path.absolute().relative_to(Path.cwd()))
    except ValueError:
        return str(path)
