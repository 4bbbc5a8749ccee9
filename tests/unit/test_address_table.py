"""The address table: complete, consistent, and the same as what the docs say."""

from __future__ import annotations

from pathlib import Path

import pytest

from oscservice.advice.correction import direction_of
from oscservice.api import argument_values as codes
from oscservice.api.address_reference import reference
from oscservice.api.address_table import TABLE, concrete_addresses, lookup
from oscservice.api.argument_values import COMMAND, MAX_FRETS, MAX_STRINGS
from oscservice.cli.listing_commands import addresses
from oscservice.osc.address import Argument
from oscservice.sentences.sentence_table import ENGLISH

DOCS = Path(__file__).parents[2] / "docs" / "addresses.md"


@pytest.mark.parametrize(
    ("concrete", "path", "params"),
    [
        ("/phase", "/phase", {}),
        ("/string/3/cents", "/string/{string}/cents", {"string": 3}),
        ("/string/12/fret/24/error", "/string/{string}/fret/{fret}/error", {"string": 12, "fret": 24}),
        ("/inspect/frets", "/inspect/{item}", {"item": "frets"}),
        ("/reading", "/reading", {}),
        ("/reading/discard", "/reading/discard", {}),
    ],
)
def test_lookup_finds_the_declaration(concrete: str, path: str, params: dict[str, int | str]) -> None:
    found = lookup(concrete)
    assert found is not None
    assert (found[0].path, found[1]) == (path, params)


@pytest.mark.parametrize(
    "concrete",
    [
        *("", "/", "phase", "/Phase", "/phase/", "//phase", "/string/0/cents", "/string/03/cents", "/string/-1/cents"),
        *(f"/string/{MAX_STRINGS + 1}/cents", f"/string/1/fret/{MAX_FRETS + 1}/error", "/string/{string}/cents"),
        *("/string/x/cents", "/string/١/cents", "/string/3", "/inspect/a b", "/inspect/"),
    ],
)
def test_lookup_of_anything_else_finds_nothing(concrete: str) -> None:
    assert lookup(concrete) is None


def test_every_concrete_address_leads_back_to_its_declaration() -> None:
    concretes = concrete_addresses(6, fret_count=24, items=["frets", "nut"])
    assert len(set(concretes)) == len(concretes)
    declared = {found[0].path for found in map(lookup, concretes) if found is not None}
    assert declared == {address.path for address in TABLE}
    assert all(found is not None for found in map(lookup, concretes))
    # An address of a string is there once for each string, of a fret once for each of both, of an item twice.
    with_string = [a for a in TABLE if "{string}" in a.path]
    with_fret = [a for a in with_string if "{fret}" in a.path]
    with_item = [a for a in TABLE if "{item}" in a.path]
    once = len(TABLE) - len(with_string) - len(with_item)
    per_string = len(with_string) - len(with_fret) + 24 * len(with_fret)
    assert len(concretes) == once + 2 * len(with_item) + 6 * per_string


def test_concrete_addresses_can_leave_out_directions_and_the_simulator() -> None:
    commands = concrete_addresses(2, directions=[COMMAND], simulated=False)
    assert "/string/2/moved" in commands
    assert "/string/3/moved" not in commands
    assert not [a for a in commands if a.startswith("/simulator") or a in ("/ping", "/phase")]


def test_the_table_keeps_to_osc() -> None:
    """OSC 1.0 (Wright, 2002) forbids ten characters in names; only i, f and s reach every client."""
    assert len({address.path for address in TABLE}) == len(TABLE)
    for address in TABLE:
        name = address.path.replace("{string}", "1").replace("{fret}", "1").replace("{item}", "frets")
        assert name.startswith("/")
        assert name.isascii()
        assert not set(name) & set(" #*,?[]{}")
        optional = [argument.optional for argument in address.arguments]
        assert optional == sorted(optional), f"{address.path}: optional arguments come last"
        for argument in (*address.arguments, *address.answer):
            assert argument.tag in ("i", "f", "s")
            assert argument.tag == "s" or not argument.words
        if address.direction.incoming:
            assert set(address.placeholders) <= {"string"}


@pytest.mark.parametrize(
    ("path", "tags"),
    [
        ("/reading", "isisiffff"),
        ("/session/begin", "ssf?s?s?"),
        ("/session/inspect", "sss?"),
        ("/string/{string}/focus", "s?"),
        ("/simulator/pluck", "isf?"),
        ("/subscribe", "i?s?f?i?"),
        ("/alive", "iis"),
        ("/reply", "s…"),
        ("/error", "siss?"),
        ("/ping", ""),
    ],
)
def test_tags_of_the_compound_addresses(path: str, tags: str) -> None:
    (address,) = [a for a in TABLE if a.path == path]
    assert address.tags == tags


def test_a_trigger_is_what_a_bare_button_can_call() -> None:
    triggers = {address.path for address in TABLE if address.trigger}
    assert {"/session/next", "/string/{string}/focus", "/ping", "/simulator/damp"} <= triggers
    assert not triggers & {"/listen", "/subscribe", "/string/{string}/moved", "/session/resume", "/phase", "/event"}


def test_range_texts() -> None:
    assert Argument("a", "f", low=-1, high=2.5).range_text == "-1 to 2.5"
    assert Argument("a", "f", low=0).range_text == "0 or more"
    assert Argument("a", "f", high=0).range_text == "0 or less"
    assert Argument("a", "i", switch=True).range_text == "0 or 1"
    assert Argument("a", "s").range_text == ""


def test_error_codes_are_fixed() -> None:
    assert [int(code) for code in codes.ErrorCode] == list(range(1, 10))
    assert set(codes.ERROR_TEXTS) == set(codes.ErrorCode)


def test_every_inspection_item_has_an_address() -> None:
    assert all(lookup(f"/inspect/{item}") is not None for item in codes.ITEMS)


def test_the_directions_are_those_of_the_advice() -> None:
    given = [direction_of(move_mm) for move_mm in (-0.5, 0.5, 0.0)]
    assert [*given, "none"] == list(codes.DIRECTIONS)


def test_the_docs_equal_the_table() -> None:
    """If this fails: ``oscservice addresses --markdown > docs/addresses.md``."""
    assert DOCS.read_text(encoding="utf-8") == reference()


def test_the_reference_names_every_address_code_and_word_and_takes_another_root() -> None:
    page = reference("/left")
    assert "/bench" not in page
    for address in TABLE:
        assert f"`/left{address.path}`" in page
    for table in (codes.PHASES, codes.STATUSES, codes.INSPECTION_STATES, codes.ITEMS, codes.DIRECTIONS):
        assert all(f"| `{word}` | {text} |" in page for word, text in table.items())
    assert all(f"| {int(code)} | {text} |" in page for code, text in codes.ERROR_TEXTS.items())
    cells = {line.count("|") for line in page.splitlines() if line.startswith("|")}
    assert cells == {3, 5}  # no stray bar breaks a table


def test_the_command_prints_every_address_uncut(capsys: pytest.CaptureFixture[str]) -> None:
    addresses()
    shown = capsys.readouterr().out
    assert all(f"/bench{address.path} " in shown for address in TABLE)
    addresses(markdown=True)
    assert capsys.readouterr().out == reference()


def test_the_reference_page_explains_every_prompt_code() -> None:
    page = reference()
    assert all(f"| `{code}` |" in page for code in ENGLISH.column("prompt", "text"))
    assert "{cents" not in page
