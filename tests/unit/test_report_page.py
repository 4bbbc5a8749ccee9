"""A report as a page and as a table: what it says, and that what people wrote in it does no harm."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser

import pytest
from invented_sessions import (
    SESSIONS,
    Invented,
    abandoned,
    bass,
    empty,
    normal,
    out_of_travel,
    quick,
    returned,
    still_open,
    thorough,
)

from oscservice.report import neck_drawing as neck
from oscservice.report import row_drawing as rows
from oscservice.report import settling_drawing as settling
from oscservice.report.csv_table import COLUMNS, csv_text, harmless
from oscservice.report.drawing import DARK, LIGHT, marked, nice_above, nice_below, signed
from oscservice.report.facts import Value
from oscservice.report.page import page
from oscservice.report.report_text import heading, listed, outcome_of, signed_length, summary, with_error
from oscservice.sentences.length_text import LengthUnit
from oscservice.sentences.plural import counted


@cache
def drawn(make: Callable[[], Invented]) -> str:
    """A session's page, made once for all tests."""
    return page(make().facts)


VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Outline(HTMLParser):
    """Elements of a page with what they are in; complains of ends that don't fit, and of ids that come twice."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []
        ids = [given["id"] for _, given in self.seen if "id" in given]
        assert len(ids) == len(set(ids))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len(dict(attrs)) == len(attrs), f"{tag}: an attribute comes twice"
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> ends nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "title", "desc") and "svg" not in self.open:
            self.words.append(data)

    def count(self, tag: str) -> int:
        return sum(seen == tag for seen, _ in self.seen)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.mark.slow
@pytest.mark.parametrize("name", SESSIONS)
def test_a_page_is_whole_and_by_itself(name):
    invented, text = SESSIONS[name](), drawn(SESSIONS[name])
    outline = Outline(text)
    assert outline.count("h1") == 1
    assert outline.seen[0][0] == "html"
    assert dict(outline.seen)["html"]["lang"] == "en"
    assert {"script", "link", "img", "iframe", "object"}.isdisjoint(tag for tag, _ in outline.seen)
    assert not re.search(r"""(src|href|url)\s*[=(]\s*["']?(https?:|//)""", text)
    assert "@import" not in text
    tables = outline.count("table")
    assert sum(tag == "th" and "scope" not in given for tag, given in outline.seen) == 0
    assert tables >= (1 if invented.facts.results else 0)
    for tag, given in outline.seen:
        if tag == "svg":
            assert given["role"] == "img"
            assert given["aria-labelledby"]


@pytest.mark.parametrize("make", [normal, bass, quick])
def test_a_page_is_the_same_each_time(make):
    assert page(make().facts) == drawn(make)


@pytest.mark.parametrize("make", [returned, out_of_travel])
def test_a_page_in_inches_has_no_other_lengths(make):
    facts = make().facts
    text = page(facts, printed=True, lengths=LengthUnit.INCH)
    assert not re.search(r"\bmm\b", text.partition("</style>")[2].replace(facts.instrument.title, ""))
    words = Outline(text).text
    assert "lengths in in." not in words
    for one in facts.moves:
        assert signed_length(one.mm, LengthUnit.INCH) in words
    for one in facts.instrument.strings:
        assert f" {one.action_12_mm / 25.4:.3f} " in words
    if make is out_of_travel:
        assert re.search(r"0\.\d{3} in of travel missing", words)


def test_drawings_come_twice_on_a_screen_and_once_on_paper():
    screen, paper = Outline(drawn(normal)), Outline(page(normal().facts, printed=True, paper="letter"))
    assert (screen.count("svg"), paper.count("svg")) == (6, 3)
    assert (screen.count("details"), paper.count("details")) == (1, 0)
    text = page(normal().facts, printed=True, paper="letter")
    assert "size: letter" in text
    assert "var(--" not in "".join(re.findall(r"<svg.*?</svg>", text, re.S))
    assert DARK.paper not in text
    assert LIGHT.after in text


def test_texts_of_users_are_escaped():
    text = drawn(abandoned)
    outline = Outline(text)
    assert "<script>" not in text
    assert "<img" not in text
    assert outline.count("h1") == 1
    for said in (
        "<script>alert(1)</script>",
        '<b>bold</b> & "quoted"',
        '<img src=x onerror="alert(1)"> =1+1',
        "</td></table><h1>&amp;",
        "<i>no such</i> & other",
    ):
        assert said in outline.text


def test_the_page_of_a_set_up_has_its_numbers():
    facts, text = normal().facts, Outline(drawn(normal)).text
    assert text.count("Proved") >= 1
    for one in facts.results:
        at = one.at(12)
        assert with_error(at.left) in text
        if at.found is not None:
            assert with_error(at.found) in text
    assert "Relief: 0.20 mm, within the target (0.10 to 0.35)" in text
    assert "fret 14 a little worn" in text
    assert facts.seal.sha256 in text
    assert "1 step of the session was undone and is not shown here" in text
    assert "dropped as a slip" in text
    assert "Sealed and unchanged (" in text
    assert "Fell by: median, largest." in text
    assert "fret 14 a little worn; the player is told" in text
    assert re.search(r"<td[^>]*>waived</td>", drawn(normal))
    for caution in facts.cautions:
        assert caution in text
    assert "Never release the springs or the claw all at once" in text
    assert "Never release the springs" not in Outline(drawn(thorough)).text, "that bridge has no springs"


def test_a_string_that_was_not_moved_has_one_error_as_found_and_as_left():
    facts, text = normal().facts, drawn(normal)
    stayed = [one for one in facts.results if not one.moves]
    assert stayed
    for one in stayed:
        left = with_error(one.at(12).left)
        row = re.search(rf'<th scope="row" class="number">{one.string} <span.*?</tr>', text)
        assert row is not None
        assert re.findall(r'<td class="number">(.*?)</td>', row[0]) == [left, left, "stayed"]


def test_causes_are_shown_with_evidence_and_check():
    facts, text = thorough().facts, Outline(drawn(thorough)).text
    for cause in facts.causes:
        assert cause.evidence in text
        assert cause.check in text
    assert "String 4 (D3): set aside" in text
    assert "moving the saddle can't correct it" in text


def test_decisions_of_the_technician_are_marked():
    facts, text = returned().facts, Outline(drawn(returned)).text
    assert [one.string for one in facts.results if one.overruled] == [4]
    assert "The technician overruled the cause, so the saddle was advised on: string 4." in text
    told = [move for move in facts.moves if move.told]
    assert told
    for move in told:
        assert f"Move {move.number}, string {move.string}: advised {signed(move.advised.value)} mm." in text
        assert move.mm == pytest.approx(move.advised.value + 0.6)
    assert "distance as the technician reported it" in text
    assert "Changed since the last session" in text
    assert len(facts.changes) >= 2
    for change in facts.changes:
        assert change in text


def test_other_sessions_are_reported_with_their_kind():
    checked = quick().facts
    holds = {1: "holds", 3: "unsure", 4: "holds", 6: "holds"}
    results = [
        replace(one, check=replace(one.check, verdict=holds.get(one.string, one.check.verdict)))
        for one in checked.results
    ]
    assert summary(replace(checked, results=tuple(results))) == (
        "Drifted since session 2026-11-25-6: strings 2 and 5. String 3 is unclear."
    )
    assert heading(still_open().facts) == "Still open"
    assert summary(thorough().facts).startswith(
        "All but string 4 passed the last pass; see the reasons below. Of those"
    )
    assert summary(out_of_travel().facts).startswith("Only string 4 passed the last pass")
    assert "mm of travel missing" in drawn(out_of_travel)
    assert "So far string 6 was settled." in summary(still_open().facts)
    assert heading(abandoned().facts) == "Abandoned"
    assert "No string was compared." in summary(abandoned().facts)
    assert heading(empty().facts) == "Nothing begun"
    assert "Open, not sealed yet" in drawn(still_open)
    assert [outcome_of(one) for one in still_open().facts.results] == [
        *["not compared"] * 4,
        "slack",
        "settled",
    ]
    assert outcome_of(quick().facts.results[4]) == "drifted in intonation"


def test_no_number_is_finer_than_known():
    assert with_error(Value(1.234, 0.01)) == "+1.2 ± 0.1"
    assert with_error(Value(-0.04, 0.3)) == "0.0 ± 0.3"
    assert with_error(None) == "–"
    assert (signed(-0.26), signed(0.0), signed(2.0)) == ("−0.3", "0.0", "+2.0")
    # In the tables no number of cents or mm has more than a digit after the point; gauges and actions have two.
    body = drawn(bass)
    cells = re.findall(r"<td[^>]*>([+−]?\d+\.\d+)( ± \d+\.\d+)?", body)
    assert all(re.fullmatch(r"[+−]?\d+\.\d", value) for value, error in cells if error)


def test_words_and_scales():
    assert listed([4]) == "string 4"
    assert listed([1, 2, 4]) == "strings 1, 2 and 4"
    assert (counted(1.0, "cent"), counted(2.5, "cent")) == ("1 cent", "2.5 cents")
    assert [nice_above(value) for value in (0.11, 1.0, 1.01, 7.0, 96.0)] == pytest.approx([0.15, 1.0, 1.5, 8.0, 100.0])
    assert [nice_below(value) for value in (0.3, 1.0, 4.9, 99.0)] == pytest.approx([0.2, 1.0, 2.0, 50.0])
    assert marked(3.0, 0.4, 2.0)
    assert not marked(-2.9, 0.5, 2.0)


@pytest.mark.parametrize("make", [normal, thorough, quick, still_open, SESSIONS["2026-11-26-12"]])
def test_the_scales_of_drawings_fit_their_values(make):
    facts = make().facts
    tolerance = facts.overview.tolerance_cents
    if facts.compared and not facts.quick:
        assert 3.0 * tolerance <= neck.limit_of(facts) <= 10.0 * tolerance
    for panel in rows.panels_of(facts):
        assert panel.limit_cents >= 3.0 * panel.fine_cents
        assert [row.string for row in panel.rows] == [one.string for one in facts.results]
    drawn = settling.drawn_of(facts)
    low, high = settling.limits_of(drawn)
    assert -30.0 <= low < 0.0 < high <= 30.0
    assert sum(len(one.plucks) for one in drawn) == len(facts.plucks)
    for one in drawn:
        assert len(one.moves) <= facts.results[one.string - 1].moves


@pytest.mark.parametrize("name", SESSIONS)
def test_the_table_has_every_number(name):
    facts = SESSIONS[name]().facts
    written = list(csv.DictReader(io.StringIO(csv_text(facts), newline="")))
    assert csv_text(facts).splitlines()[0] == ",".join(COLUMNS)
    left = [row for row in written if row["what"] == "error as left"]
    assert [float(row["value"]) for row in left] == [
        at.left.value for one in facts.results for at in one.frets if at.left is not None
    ]
    settled = [row for row in written if row["what"] == "settled"]
    assert [(int(row["string"]), row["place"], float(row["value"])) for row in settled] == [
        (pluck.string, pluck.place, pluck.pitch.value) for pluck in facts.plucks
    ]
    assert sum(row["about"] == "move" and row["unit"] == "mm" for row in written) == len(facts.moves)
    assert {row["session"] for row in written} == {name}


def test_no_text_is_taken_for_a_formula():
    # OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return.
    assert [harmless(text) for text in ("=1+1", "+1", "-1", "@x", "\tx", "\rx")] == [
        f"'{text}" for text in ("=1+1", "+1", "-1", "@x", "\tx", "\rx")
    ]
    assert harmless("fret 14 = worn") == "fret 14 = worn"
