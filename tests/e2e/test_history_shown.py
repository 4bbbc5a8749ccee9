"""The drawing of an instrument's history as a browser shows it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from chromium import Page, browsing
from conftest import need
from invented_history import YEAR, live
from oscservice_process import run_command
from page_layout import faint, misplaced

pytestmark = [pytest.mark.foreign, pytest.mark.slow]


@pytest.fixture(scope="module")
def shown() -> Iterator[Page]:
    with browsing(need("chromium", "chromium fonts-dejavu-core")) as page:
        yield page


@pytest.fixture(scope="module")
def drawings(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Drawings by name: a year with three sets of strings, its first session, and eight strings."""
    folder = tmp_path_factory.mktemp("histories")
    found = {}
    for name, plan, preset in (
        ("year", YEAR, "six-string-628"),
        ("one session", YEAR[:1], "six-string-628"),
        ("eight strings", YEAR[:4], "eight-string-multi-scale"),
    ):
        journal, file = folder / f"{name}.sqlite3", folder / f"{name}.svg"
        live(journal, plan, preset)
        assert run_command("history", "the red one", "--journal", journal, "--plot", file).code == 0
        found[name] = file
    return found


@pytest.mark.parametrize("name", ["year", "one session", "eight strings"])
def test_nothing_sticks_out_is_cut_off_lies_on_another_or_is_too_faint(
    shown: Page, drawings: dict[str, Path], name: str
) -> None:
    shown.look(1120, 1000)
    shown.open(drawings[name])
    assert misplaced(shown) == []
    assert faint(shown, 1120) == []
    assert shown.requested == [drawings[name].resolve().as_uri()], "a drawing needs nothing from elsewhere"


def test_planted_mistakes_are_found(shown: Page, drawings: dict[str, Path], tmp_path: Path) -> None:
    text = drawings["year"].read_text(encoding="utf-8")
    long = tmp_path / "long.svg"
    long.write_text(
        text.replace(">as found<", ">as found by somebody with a good deal to say about it<"), encoding="utf-8"
    )
    pale = tmp_path / "pale.svg"
    pale.write_text(text.replace("fill: #545d64", "fill: #b5b9bc"), encoding="utf-8")
    shown.look(1120, 1000)
    shown.open(long)
    assert misplaced(shown) != []
    shown.open(pale)
    assert faint(shown, 1120) != []
