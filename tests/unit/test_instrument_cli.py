"""Listing and showing presets."""

from __future__ import annotations

import pytest

from oscservice.cli.listing_commands import list_instruments, show_instrument
from oscservice.errors import InputError
from oscservice.instrument.instrument_file import load_instrument, preset_names, read_instrument
from oscservice.sentences.length_text import LengthUnit


def test_the_list_names_every_preset(capsys: pytest.CaptureFixture[str]) -> None:
    list_instruments()
    shown = capsys.readouterr().out
    assert all(name in shown for name in preset_names())
    assert " 648 " in shown


def test_the_list_tells_the_hardware_and_the_range_of_the_strings(capsys: pytest.CaptureFixture[str]) -> None:
    list_instruments()
    rows = {row[0]: " ".join(row[1:]) for row in map(str.split, capsys.readouterr().out.splitlines()) if row}
    assert rows["twelve-string-648"].startswith("12: E4-E2 648 .008-.046 fixed")
    assert rows["six-string-648-locking"].startswith("6: E4-E2 648 .010-.046 spring-balanced,")
    assert "\u2026" not in " ".join(rows.values())
    assert rows["six-string-628-zero-fret"].startswith("6: E4-E2 628 .010-.046 fixed")


def test_the_list_tells_scales_in_inches(capsys: pytest.CaptureFixture[str]) -> None:
    list_instruments(LengthUnit.INCH)
    shown = capsys.readouterr().out
    assert " 25.51 " in shown  # 648 mm
    assert " 648 " not in shown


def test_a_shown_instrument_can_be_read_back(capsys: pytest.CaptureFixture[str]) -> None:
    show_instrument("bass-5-864")
    assert read_instrument(capsys.readouterr().out, "shown") == load_instrument("bass-5-864")


def test_showing_a_missing_instrument() -> None:
    with pytest.raises(InputError, match="no preset is called 'lute'"):
        show_instrument("lute")
