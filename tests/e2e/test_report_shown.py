"""Reports as a browser shows them: nothing sticks out, is cut off or too faint, and nothing is asked of the network."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from chromium import Page, browsing
from conftest import need
from invented_sessions import abandoned, everything, normal, quick, thorough, with_job_sheet, with_pitch_tracks
from page_layout import faint, misplaced

from oscservice.report.page import customer_page
from oscservice.report.page import page as page_of
from oscservice.sentences.length_text import LengthUnit

pytestmark = [pytest.mark.foreign, pytest.mark.slow]

WIDTHS = ((360, 740), (768, 1024), (1280, 900))
PAPERS = ((680, 1000), (703, 930))
"""Width and height of A4 and Letter between the margins, in pixels of 1/96 inch."""


@pytest.fixture(scope="module")
def shown() -> Iterator[Page]:
    with browsing(need("chromium", "chromium fonts-dejavu-core")) as page:
        yield page


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("reports")
    found = {}
    for one in everything():
        found[one.name] = folder / f"{one.name}.html"
        found[one.name].write_text(page_of(one.facts), encoding="utf-8")
    for name, text in {
        "falls": page_of(with_pitch_tracks()),
        "job": page_of(with_job_sheet(normal()), lengths=LengthUnit.INCH),
        "customer": customer_page(with_job_sheet(thorough())),
        "customer-quick": customer_page(quick().facts, lengths=LengthUnit.INCH),
        "customer-abandoned": customer_page(abandoned().facts),
    }.items():
        found[name] = folder / f"{name}.html"
        found[name].write_text(text, encoding="utf-8")
    return found


OF_THE_DAY = (2, 3, 4, 5, 7, 8, 9, 10, 11)
OTHERS = ("falls", "job", "customer", "customer-quick", "customer-abandoned")
NAMES = [*OTHERS, *(f"2026-11-25-{number}" for number in OF_THE_DAY), "2026-11-26-1", "2026-11-26-12"]


@pytest.mark.parametrize("name", NAMES)
def test_nothing_sticks_out_is_cut_off_or_lies_on_another(shown: Page, reports: dict[str, Path], name: str) -> None:
    shown.look(1280, 900)
    shown.open(reports[name])
    for width, height in WIDTHS:
        shown.look(width, height)
        assert misplaced(shown) == [], width
        shown.run("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert misplaced(shown) == [], f"{width}, all open"
        shown.run("document.querySelectorAll('details').forEach((one) => { one.open = false; })")
    for width, height in PAPERS:
        shown.look(width, height, printed=True)
        assert misplaced(shown) == [], f"paper of {width}"


@pytest.mark.parametrize("name", NAMES)
def test_every_text_can_be_read(shown: Page, reports: dict[str, Path], name: str) -> None:
    shown.look(1280, 900)
    shown.open(reports[name])
    for width, dark, printed in ((360, False, False), (360, True, False), (1280, False, False), (1280, True, False)):
        shown.look(width, 900, dark=dark, printed=printed)
        assert faint(shown, width, dark=dark, printed=printed) == [], (width, dark)
    shown.look(680, 900, dark=True, printed=True)
    assert faint(shown, 680, dark=True, printed=True) == [], "printed from a dark screen"
    assert shown.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_the_page_asks_for_nothing_and_runs_nothing(shown: Page, reports: dict[str, Path]) -> None:
    for file in reports.values():
        shown.open(file)
        assert shown.requested == [file.resolve().as_uri()]
        assert (
            shown.run("document.scripts.length + document.images.length + document.querySelectorAll('link').length")
            == 0
        )


def test_planted_mistakes_are_found(shown: Page, reports: dict[str, Path], tmp_path: Path) -> None:
    """The checks above can fail: each kind of mistake is put into a page that has none."""
    whole = reports["2026-11-25-1"].read_text(encoding="utf-8")

    def with_planted(what: str) -> Path:
        file = tmp_path / "planted.html"
        file.write_text(whole.replace("<main>", f"<main>{what}", 1), encoding="utf-8")
        return file

    box = 'width="100" height="40" viewBox="0 0 100 40" style="width: 100px; height: 40px"'
    for what, told in {
        '<p style="white-space: nowrap">one line that is far too long for any telephone there is</p>': "sticks out",
        '<div style="overflow: hidden; width: 60px; white-space: nowrap">too long for this box</div>': "cut off",
        '<p style="margin: 0">above</p><p style="margin: -12px 0 0">below</p>': "lies on each other",
        f'<svg {box}><text x="60" y="20">too long for it</text></svg>': "sticks out of its drawing",
        f'<svg {box}><text x="5" y="20">one</text><text x="20" y="22">two</text></svg>': "lies on each other",
    }.items():
        shown.open(with_planted(what))
        shown.look(360, 740)
        assert any(told in one for one in misplaced(shown)), what
    for what, dark in {
        '<p style="color: #8a8a8a">grey on paper</p>': False,
        '<p style="color: #444444">grey in the dark</p>': True,
        '<p style="background: #0a4f8c">dark on dark</p>': False,
        '<p style="color: rgba(0, 0, 0, 0.9)">seen through</p>': False,
        f'<svg {box}><rect width="100" height="40" fill="#555"/><text y="20" fill="#000">on grey</text></svg>': False,
    }.items():
        shown.open(with_planted(what))
        shown.look(1280, 900, dark=dark)
        assert len(faint(shown, 1280, dark=dark)) == 1, what


def test_large_text_may_be_fainter(shown: Page, tmp_path: Path) -> None:
    file = tmp_path / "large.html"
    file.write_text('<!DOCTYPE html><p style="color: #949494; font: 24px sans-serif">3.03</p>', encoding="utf-8")
    shown.open(file)
    shown.look(1280, 900)
    assert faint(shown, 1280) == []
    file.write_text('<!DOCTYPE html><p style="color: #949494; font: 23px sans-serif">3.03</p>', encoding="utf-8")
    shown.open(file)
    assert len(faint(shown, 1280)) == 1
