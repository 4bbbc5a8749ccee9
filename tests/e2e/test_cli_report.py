"""``oscservice report``: a session as HTML, PDF, CSV and JSON, and what is said where that can't be."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import need
from invented_sessions import BEGUN, bass, empty, journal_of, normal, still_open
from oscservice_process import run_command, run_process

from oscservice.record.journal import Journal

pytestmark = pytest.mark.slow

FIRST, SECOND, LAST = "2026-11-25-1", "2026-11-25-4", "2026-11-25-5"


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions, the last still open."""
    return journal_of(tmp_path_factory.mktemp("reports") / "journal.sqlite3", (normal(), bass(), still_open()))


def test_a_page_in_the_current_folder_of_the_last_session(
    journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    got = run_command("report", "--journal", journal)
    assert (got.code, got.err) == (0, "")
    assert got.out.startswith(f"{LAST}.html: ")
    text = (tmp_path / f"{LAST}.html").read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "Still open" in text
    assert [path.name for path in tmp_path.iterdir()] == [f"{LAST}.html"]
    # Again, over the report of before; but over no file that is none.
    assert run_command("report", LAST, "--journal", journal).code == 0
    assert (tmp_path / f"{LAST}.html").read_text(encoding="utf-8") == text
    (tmp_path / f"{LAST}.html").write_text("my own notes", encoding="utf-8")
    refused = run_command("report", "--journal", journal)
    assert (refused.code, refused.out) == (2, "")
    assert refused.complaint == f"{LAST}.html is there, and is no report: say where to with -o FILE"
    assert (tmp_path / f"{LAST}.html").read_text(encoding="utf-8") == "my own notes"


def test_the_name_of_a_session_is_no_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    below = tmp_path / "below"
    below.mkdir()
    monkeypatch.chdir(below)
    path = journal_of(tmp_path / "journal.sqlite3", (replace(empty(), name="../../<b> x"),))
    assert run_command("report", "--journal", path).out.startswith("_._..__b__x.html: ")
    assert [one.name for one in below.iterdir()] == ["_._..__b__x.html"]


def test_every_form_at_once(journal: Path, tmp_path: Path) -> None:
    places = {"-o": tmp_path / "a.html", "--csv": tmp_path / "a.csv", "--json": tmp_path / "a.json"}
    words = [word for pair in places.items() for word in pair]
    got = run_command("report", FIRST, "--journal", journal, *words)
    assert (got.code, got.err) == (0, "")
    assert len(got.out.splitlines()) == 3
    facts = json.loads(places["--json"].read_text(encoding="utf-8"))
    assert facts["overview"]["session"] == FIRST
    assert facts["seal"]["state"] == "sealed"
    assert facts["seal"]["sha256"] in places["-o"].read_text(encoding="utf-8")
    assert facts["seal"]["sha256"] in places["--csv"].read_text(encoding="utf-8")
    before = {place: place.read_bytes() for place in places.values()}
    assert run_command("report", FIRST, "--journal", journal, *words).code == 0
    assert before == {place: place.read_bytes() for place in places.values()}, "the same session is the same bytes"


def test_only_the_page_tells_lengths_in_inches(journal: Path, tmp_path: Path) -> None:
    places = {"-o": tmp_path / "a.html", "--csv": tmp_path / "a.csv", "--json": tmp_path / "a.json"}
    words = [word for pair in places.items() for word in pair]
    assert run_command("report", FIRST, "--journal", journal, *words).code == 0
    before = {option: place.read_text(encoding="utf-8") for option, place in places.items()}
    assert run_command("report", FIRST, "--journal", journal, *words, "--lengths", "in").code == 0
    after = {option: place.read_text(encoding="utf-8") for option, place in places.items()}
    assert [option for option in places if before[option] != after[option]] == ["-o"]
    assert "lengths in mm. Hz" in before["-o"]
    assert "lengths in inches. Hz" in after["-o"]


def test_to_standard_output_goes_one_form_and_nothing_else(journal: Path, tmp_path: Path) -> None:
    def printed(*words: str) -> str:
        done = run_process("report", *words, "--journal", journal, PYTHONIOENCODING="ascii")
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout

    assert json.loads(printed("last-1", "--json", "-"))["overview"]["session"] == SECOND
    page = printed(FIRST, "-o", "-")
    assert page.startswith("<!DOCTYPE html>")
    assert "±" in page, "in UTF-8, whatever the terminal is taken to know"
    assert printed(FIRST, "--csv", "-").startswith("session,about,string")
    got = run_command("report", "--instrument", "bass-4-864", "--journal", journal, "--json", tmp_path / "bass.json")
    assert (got.code, got.err) == (0, "")
    assert json.loads((tmp_path / "bass.json").read_text(encoding="utf-8"))["overview"]["session"] == SECOND
    both = run_command("report", "--journal", journal, "--csv", "-", "--json", "-")
    assert (both.code, both.out) == (2, "")
    assert "only one form" in both.complaint


def test_the_customer_has_a_page_of_their_own(journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    sheet = ("--customer", "An Invented Customer", "--note", "paid in cash")
    assert run_command("job", FIRST, "--journal", journal, *sheet).code == 0
    for words in ((), ("--page", "customer")):
        got = run_command("report", FIRST, "--journal", journal, *words)
        assert (got.code, got.err) == (0, "")
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{FIRST}-customer.html", f"{FIRST}.html"]
    bench, customer = ((tmp_path / f"{FIRST}{end}.html").read_text(encoding="utf-8") for end in ("", "-customer"))
    assert "An Invented Customer" in bench
    assert "An Invented Customer" in customer
    assert "paid in cash" in bench
    assert "paid in cash" not in customer
    for form in ("--csv", "--json"):
        refused = run_command("report", FIRST, "--journal", journal, "--page", "customer", form, tmp_path / "x")
        assert (refused.code, refused.out) == (2, "")
        assert refused.complaint == "--csv and --json are for the bench: leave them out, or leave out --page customer"
        assert run_command("report", FIRST, "--journal", journal, form, tmp_path / "x").code == 0
        assert "paid in cash" in (tmp_path / "x").read_text(encoding="utf-8")
        (tmp_path / "x").unlink()


@pytest.mark.foreign
def test_a_pdf_on_either_paper(journal: Path, tmp_path: Path) -> None:
    reader = need("pdftotext", "poppler-utils")
    sizes = {"A4": "595.276 x 841.89", "letter": "612 x 792"}
    for paper, size in sizes.items():
        place = tmp_path / f"{paper}.pdf"
        got = run_command("report", FIRST, "--journal", journal, "--pdf", place, "--paper", paper)
        assert (got.code, got.err) == (0, ""), got.err
        about = subprocess.run(
            [need("pdfinfo", "poppler-utils"), place], capture_output=True, text=True, check=True
        ).stdout
        assert f"Page size:       {size}" in about
        assert "Tagged:          yes" in about
        text = subprocess.run([reader, "-layout", place, "-"], capture_output=True, text=True, check=True).stdout
        assert normal().facts.seal.sha256 in text
        assert "How pitch settled" in text
        assert "Cautions" in text
        first = place.read_bytes()
        assert run_command("report", FIRST, "--journal", journal, "--pdf", place, "--paper", paper).code == 0
        assert place.read_bytes() == first, "the same session is the same bytes"
    place = tmp_path / "customer.pdf"
    assert run_command("report", FIRST, "--journal", journal, "--page", "customer", "--pdf", place).code == 0
    text = subprocess.run([reader, "-layout", place, "-"], capture_output=True, text=True, check=True).stdout
    assert "When to come back" in text
    assert "Cautions" not in text


@pytest.mark.parametrize(
    ("failing", "complaint"),
    [
        ("raise ImportError", "a PDF needs WeasyPrint: pip install 'oscservice[pdf]'"),
        ("raise OSError('no libpango')", "apt-get install libpango-1.0-0"),
    ],
)
def test_missing_packages_for_a_pdf_are_named(journal: Path, tmp_path: Path, failing: str, complaint: str) -> None:
    (tmp_path / "weasyprint.py").write_text(failing, encoding="utf-8")
    done = run_process("report", FIRST, "--journal", journal, "--pdf", tmp_path / "a.pdf", first_path=str(tmp_path))
    assert (done.returncode, done.stdout) == (2, "")
    assert complaint in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "a.pdf").exists()


@pytest.mark.parametrize(
    ("words", "code", "complaint"),
    [
        (("nobody",), 5, "there is no session 'nobody'"),
        (("last-3",), 2, "has 3 sessions"),
        (("last", "--instrument", "nobody's"), 2, "has 0 sessions of"),
        (("last", "--paper", "foolscap", "--pdf", "x.pdf"), 2, "paper"),
        (("last", "-o", "nowhere/at/all.html"), 2, "nowhere/at/all.html can't be written (No such file or directory)"),
    ],
)
def test_a_missing_session_or_file_is_reported_in_one_line(
    journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], code: int, complaint: str
) -> None:
    monkeypatch.chdir(tmp_path)
    got = run_command("report", *words, "--journal", journal)
    assert (got.code, got.out) == (code, "")
    assert complaint in got.complaint
    assert list(tmp_path.iterdir()) == []


def test_a_session_that_is_empty_or_can_not_be_read(tmp_path: Path) -> None:
    path = journal_of(tmp_path / "journal.sqlite3", (empty(),))
    assert run_command("report", "--journal", path, "-o", tmp_path / "empty.html").code == 0
    assert "Nothing begun" in (tmp_path / "empty.html").read_text(encoding="utf-8")
    with Journal.open(path) as opened:
        name = opened.new_session("x", "y", BEGUN)
        opened.append(name, [("StringJudged", {"string": 1})], "2026-11-26T12:00:00.000+00:00")
    broken = run_command("report", name, "--journal", path, "-o", "-")
    assert (broken.code, broken.out) == (5, "")
    assert "can't be read" in broken.complaint
    customer = run_command("report", empty().name, "--page", "customer", "--journal", path, "-o", "-")
    assert (customer.code, customer.out) == (2, "")
    assert "nothing was begun in it, so a customer has no page of it" in customer.complaint
    nothing = run_command("report", "--journal", tmp_path / "none")
    assert nothing.code == 5
    assert "there is no journal" in nothing.complaint


def test_an_edited_record_is_shown_as_edited(tmp_path: Path) -> None:
    path = journal_of(tmp_path / "journal.sqlite3", (normal(),))
    with sqlite3.connect(path) as database:
        database.execute("UPDATE events SET body = replace(body, 'worn', 'fine') WHERE kind = 'ItemInspected'")
    database.close()
    got = run_command("report", "--journal", path, "-o", tmp_path / "edited.html")
    assert (got.code, got.err) == (0, "")
    page = (tmp_path / "edited.html").read_text(encoding="utf-8")
    assert "This record was edited" in page
    assert "does not fit its hash" in page
    assert "Sealed and unchanged" not in page


def test_the_daemon_does_not_load_libraries_that_only_reports_need() -> None:
    script = (
        "import sys, oscservice.cli.main, oscservice.daemon.app; "
        "print([name for name in ('matplotlib', 'jinja2', 'weasyprint') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
