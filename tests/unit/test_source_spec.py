"""The text after --source, and the source it opens."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
import soundfile

from oscservice.audio.file_source import FileSource
from oscservice.audio.open_source import open_source
from oscservice.audio.raw_source import RawSource
from oscservice.audio.source_spec import CHOICES, SOURCE_KINDS, Kind, SourceKind, SourceSpec, parse_source
from oscservice.errors import InputError
from oscservice.settings import ServeSettings

PROJECT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("text", "spec"),
    [
        ("device", SourceSpec("device")),
        ("device:Studio In: 1 (hw:1,0)", SourceSpec("device", "Studio In: 1 (hw:1,0)")),
        ("file:/tmp/a:b.wav", SourceSpec("file", "/tmp/a:b.wav")),
        ("-", SourceSpec("stdin")),
        ("simulated", SourceSpec("simulated")),
    ],
)
def test_each_source_is_printed_as_it_was_parsed(text: str, spec: SourceSpec) -> None:
    assert parse_source(text) == spec
    assert str(spec) == text


@pytest.mark.parametrize(
    "text", ["", "devices", "device:", "file", "file:", "-:", "simulated:x", "a.wav", " -", "Device"]
)
def test_anything_else_is_refused_naming_the_choices(text: str) -> None:
    with pytest.raises(InputError, match=r"device:NAME, file:PATH, - .*simulated") as error:
        parse_source(text)
    assert repr(text) in str(error.value)


def test_every_kind_has_one_row() -> None:
    assert [one.kind for one in SOURCE_KINDS] == list(get_args(Kind))
    assert CHOICES == "device, device:NAME, file:PATH, - (raw samples on standard input) or simulated"


@pytest.mark.parametrize("kind", SOURCE_KINDS, ids=lambda kind: kind.kind)
def test_every_kind_is_named_where_a_user_looks_for_it(kind: SourceKind) -> None:
    field = ServeSettings.model_fields["source"]
    option: Any = field.json_schema_extra
    rows = (PROJECT / "docs" / "bindings.md").read_text(encoding="utf-8").splitlines()
    row = next(row for row in rows if row.startswith("| `source` |"))
    for text in (option["help"], field.description or "", row):
        assert re.search(rf"(^|[ ,]){re.escape(kind.word)}($|[ ,:\[])", text), text
    readme = (PROJECT / "README.md").read_text(encoding="utf-8")
    assert re.search(rf"--source {re.escape(kind.forms[0])}($|[ `])", readme, re.MULTILINE)


def test_sources_are_opened_by_kind(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((100, 2)), 44_100)
    with open_source(SourceSpec("file", str(path)), fast=True) as source:  # type: ignore[union-attr]
        assert isinstance(source, FileSource)
        assert len(list(source)) == 1
    raw = open_source(SourceSpec("stdin"), 48_000, 2, "s24le", stdin=io.BytesIO(bytes(12)))
    assert isinstance(raw, RawSource)
    assert [block.samples.shape for block in raw] == [(2, 2)]
    assert open_source(SourceSpec("simulated")) is None


def test_options_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((100, 2)), 44_100)
    file, stdin = SourceSpec("file", str(path)), SourceSpec("stdin")
    assert open_source(file, 44_100, 2) is not None
    cases: list[tuple[Callable[[], object], str]] = [
        (lambda: open_source(file, rate=48_000), "--rate 48000"),
        (lambda: open_source(file, channels=1), "--channels 1"),
        (lambda: open_source(file, format="s16le"), "--format"),
        (lambda: open_source(stdin, stdin=io.BytesIO()), "--rate"),
        (lambda: open_source(stdin, 48_000, fast=True, stdin=io.BytesIO()), "--fast"),
        (lambda: open_source(stdin, 48_000), "no standard input"),
    ]
    for act, named in cases:
        with pytest.raises(InputError, match=named):
            act()
