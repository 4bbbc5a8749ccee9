"""The customer's page of a report, and the job sheet on the page for the bench. All names are invented."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from dataclasses import replace
from functools import cache

import pytest
from invented_sessions import (
    abandoned,
    empty,
    job_sheet_of,
    normal,
    out_of_travel,
    quick,
    still_open,
    thorough,
    with_job_sheet,
)
from made_up_session import SCREWS, MadeUpSession

from oscservice.advice.causes import Cause
from oscservice.errors import InputError
from oscservice.report import customer_text as words
from oscservice.report.csv_table import csv_text
from oscservice.report.facts import HeightFact, StringsFact, Value
from oscservice.report.gather_set_up import heights_of, job_of, saddles_of, strings_of
from oscservice.report.page import customer_page, page
from oscservice.report.report_text import with_error
from oscservice.sentences.length_text import LengthUnit
from oscservice.session import commands as cm
from oscservice.session.replay import effective_events

BENCH_WORDS = ("pluck", "Caution", "advised", "aim", "tension", "SHA-256", "probable", "Evidence")
PRIVATE = ("rattle at fret 9", "paid in cash", "as-found.jpg", "somebody (invented)", "fret 14 a little worn")


@pytest.fixture(autouse=True)
def without_drawings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave drawings out, which take most of the time: other tests look at them."""
    monkeypatch.setattr("oscservice.report.page._drawings", lambda *_: dict.fromkeys(("rows", "neck", "settling"), ()))


@cache
def customers(make: object) -> str:
    """Return a session's page for the customer, with an invented job sheet, made once for all tests."""
    return customer_page(with_job_sheet(make()))


def text_of(made: str) -> str:
    """Return what a page says: without its style, drawings and tags."""
    bare = re.sub(r"<style>.*?</style>|<svg.*?</svg>|<title>.*?</title>", "", made, flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", bare)).split())


# --- the customer's page ---


def test_the_customer_s_page_has_what_the_customer_wants_to_know() -> None:
    facts, text = with_job_sheet(normal()), text_of(customers(normal))
    for said in ("An Invented Customer <b>&</b> Co.", "INV-0042", "2026-118", "An Invented Technician", "2026-11-25"):
        assert said in text
    assert "nickel: .010 .013 .017 .026w .036w .046w" in text
    assert "as it is: E2 A2 D3 G3 B3 E4 (A4 = 440 Hz)" in text
    assert "The strap button was loose: it is tight now." in text
    assert "The saddles of strings 1, 2, 3, 4 and 6 were moved at the bridge" in text
    assert "The saddle of string 5 was in the right place already." in text
    for one in facts.results:
        assert with_error(one.at(12).left) in text
    assert text.count("in tune") >= 6
    assert "Relief 0.20 mm" in text
    assert "New strings: by 2027-01-19 (60 days after these were put on), or after 40 hours of playing" in text
    assert "Sealed and unchanged (" in text


@pytest.mark.parametrize("make", [normal, thorough, quick, still_open, abandoned, out_of_travel])
def test_nothing_of_the_bench_is_on_the_customer_s_page(make: object) -> None:
    facts, text = with_job_sheet(make()), text_of(customers(make))
    assert [one for one in (*BENCH_WORDS, *PRIVATE) if one in text] == []
    for told in (*facts.cautions, *(cause.evidence for cause in facts.causes), *(one.note for one in facts.inspected)):
        assert not told or told not in text
    for one in facts.results:
        assert not one.left_out or one.left_out not in text
    assert facts.overview.label not in text


def test_texts_of_users_are_escaped_on_both_pages() -> None:
    for made in (customers(normal), page(with_job_sheet(normal())), customer_page(abandoned().facts)):
        assert "<script>" not in made
        assert made.count("<h1>") == 1
        assert made.count("</main>") == 1
    assert "&lt;b&gt;&amp;&lt;/b&gt;" in customers(normal)


def test_the_page_is_the_same_each_time_and_asks_for_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    made = customer_page(with_job_sheet(normal()))
    assert customer_page(with_job_sheet(normal())) == made
    assert made.count("<svg") == 2
    assert not re.search(r"""(src|href|url)\s*[=(]\s*["']?(https?:|//)|<script|<link|<img|@import""", made)
    inches = text_of(customer_page(with_job_sheet(normal()), lengths=LengthUnit.INCH))
    assert "Relief 0.008 in" in inches
    assert "Gauges, in 0.010, 0.013" in inches
    assert " mm" not in inches.replace("648 mm", "")


def test_sessions_that_did_not_end_well_say_so() -> None:
    assert words.customer_heading(still_open().facts) == "Not finished"
    assert words.customer_heading(abandoned().facts) == "Not finished"
    assert "Soon: the work is not finished." in words.when_to_come_back(abandoned().facts)
    assert words.customer_heading(quick().facts) == "It has changed"
    assert words.customer_summary(quick().facts).startswith("Strings 2 and 5 have changed since the last set-up.")
    assert words.when_to_come_back(quick().facts)[0] == "Now: have the changed strings set again."
    assert [one.words for one in words.plays_now(quick().facts)][1] == "has changed in tuning"
    assert words.customer_summary(thorough().facts).startswith("String 4 was left out, for the reasons below. Of the")
    assert words.exceptions(thorough().facts)[0] == (
        "String 4 (D3) was left out: the string is uneven along its length; a new string is needed."
    )
    assert "not set" in words.plays_now(thorough().facts)[3].words
    assert "too little room to move its saddle" in " ".join(words.exceptions(out_of_travel().facts))
    edited = replace(normal().facts, seal=replace(normal().facts.seal, state="edited", fault="x"))
    assert "Do not rely on this page" in text_of(customer_page(edited))
    with pytest.raises(InputError, match="nothing was begun in it"):
        customer_page(empty().facts)


def test_every_cause_but_the_saddle_has_words_for_the_customer() -> None:
    assert set(words.REMEDIES) == set(Cause) - {Cause.SADDLE}
    for cause in (Cause.NUT_SLOT, Cause.NUT_PLACE, Cause.FRET):
        assert "by a qualified repairer" in words.REMEDIES[cause] or "a qualified repairer can" in words.REMEDIES[cause]


def test_an_error_in_words() -> None:
    assert words.error_in_words(Value(0.9, 0.3), 1.0) == "in tune"
    assert words.error_in_words(Value(-1.04, 0.3), 1.0) == "1 cent flat"
    assert words.error_in_words(Value(3.16, 0.3), 1.0) == "3.2 cents sharp"
    assert words.error_in_words(None, 1.0) == "not measured"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"fitted": "", "age_days": None},
            "New strings: 60 days after these were put on, or after 40 hours of playing",
        ),
        ({"hours_played": 12.5}, "or after 40 hours of playing (12.5 so far), whichever comes first."),
        ({"age_days": 61}, "New strings: now. These have been on since 2026-11-20, longer than 60 days."),
        (
            {"replace_after_days": 5, "replace_after_hours": 1.0},
            "by 2026-11-25 (5 days after these were put on), or after 1 hour of playing, whichever",
        ),
    ],
)
def test_new_strings_are_due_by_days_and_by_hours(changes: dict[str, object], said: str) -> None:
    strings = normal().facts.string_set
    assert strings == StringsFact("", "", "2026-11-20", 5, 60, 40.0, None)
    facts = replace(normal().facts, string_set=replace(strings, **changes))
    assert said in words.when_to_come_back(facts)[0]


def test_a_changed_height_is_told_with_both_values() -> None:
    heights = (
        HeightFact("relief", "Relief", 0.52, 0.2, (0.1, 0.35)),
        HeightFact("action/treble", "Action", 1.6, 1.6001, (1.4, 1.8)),
    )
    facts = replace(normal().facts, heights=heights)
    assert [text for text in words.done(facts) if "when it came in" in text] == [
        "Relief: 0.52 mm when it came in, 0.20 mm now."
    ]
    assert "Relief: 0.020 in when it came in, 0.008 in now." in words.done(facts, LengthUnit.INCH)
    assert words.heights_explained(facts).startswith("Relief: how far the neck is bowed. Action: ")


# --- facts ---


def test_the_first_value_is_as_found_and_the_last_one_as_left() -> None:
    job = MadeUpSession(SCREWS)
    for what, value_mm in (
        *(("pickup/bass", 2.5), ("relief", 0.5), ("action/bass", 2.0), ("relief", 0.3), ("relief", 0.2)),
        *(("nut/2", 0.5), ("action/treble", 1.6)),
    ):
        job.do(cm.Measured(what, value_mm))
    job.inspected()
    for what, value_mm in (("action/treble", 1.7), ("nut/1", 0.45), ("action/treble", 1.55)):
        job.do(cm.Measured(what, value_mm))
    effective = effective_events([("", event) for event in job.events])
    found = heights_of(effective)
    assert [(one.what, one.found_mm, one.left_mm) for one in found] == [
        ("relief", 0.5, 0.2),
        ("action/treble", 1.6, 1.55),
        ("action/bass", 2.0, None),
        ("nut/1", None, 0.45),
        ("nut/2", 0.5, None),
        ("pickup/bass", 2.5, None),
    ]
    assert [one.last_mm for one in found][:3] == [0.2, 1.55, 2.0]
    assert found[0].wanted_mm == (0.10, 0.35)
    assert found[4].name == "Height of string 2 over fret 1"
    strings = strings_of(effective)
    assert strings is not None
    assert (strings.fitted, strings.age_days) == ("", None)


def test_saddles_are_where_the_file_and_the_moves_say() -> None:
    facts = normal().facts
    for saddle, built, result in zip(facts.saddles, facts.instrument.strings, facts.results, strict=True):
        assert saddle.found_mm == built.setback_mm
        assert saddle.left_mm == pytest.approx(built.setback_mm + result.moved_mm)
    assert quick().facts.saddles == ()
    assert saddles_of(effective_events([])) == ()


# --- the page for the bench, CSV and JSON ---


def test_the_bench_has_the_whole_job_sheet() -> None:
    facts = with_job_sheet(normal())
    text = text_of(page(facts))
    for said in (*PRIVATE, "An Invented Customer <b>&</b> Co.", "3000010 bytes", f"{10:064x}", facts.job.sha256):
        assert said in text
    assert "Written on the job sheet after the seal 2026-12-01 08:00 UTC, somebody (invented)" in text
    assert "job number: 2026-118" in text
    assert "The job" not in text_of(page(normal().facts))
    entries = job_sheet_of(normal())
    edited = job_of(normal().record.session, [replace(entries[0], by="somebody else"), entries[1]])
    assert "This job sheet was edited" in text_of(page(replace(normal().facts, job=edited)))
    assert job_of(normal().record.session, []) is None


def test_heights_and_saddles_are_on_the_bench_s_page_and_in_the_table() -> None:
    facts = normal().facts
    assert "Heights and saddles, as found and as left" in text_of(page(facts))
    read = replace(facts, saddles=tuple(replace(one, read_found_mm=12.34) for one in facts.saddles))
    assert "12.34" in text_of(page(read))
    assert "read, found" not in text_of(page(facts))
    rows = list(csv.DictReader(io.StringIO(csv_text(read), newline="")))
    assert [row["value"] for row in rows if row["what"] == "read as found"] == ["12.34"] * 6
    assert [(row["place"], row["what"], row["value"]) for row in rows if row["about"] == "height"] == [
        ("relief", "as found", "0.2")
    ]


def test_csv_and_json_have_the_job_sheet() -> None:
    facts = with_job_sheet(normal())
    rows = [row for row in csv.DictReader(io.StringIO(csv_text(facts), newline="")) if row["about"] == "job"]
    assert {row["what"]: row["text"] for row in rows}["job number"] == "2026-118"
    assert sum(row["what"] == "photograph" for row in rows) == 2
    assert any(row["text"].startswith("'=1+1 paid in cash") for row in rows)
    assert json.loads(facts.to_json())["job"]["customer"] == "An Invented Customer <b>&</b> Co."
    assert json.loads(normal().facts.to_json())["job"] is None
