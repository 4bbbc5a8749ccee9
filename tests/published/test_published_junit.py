"""JUnit XML against the common schema.

The schema: ``junit-10.xsd`` of Jenkins' xUnit plug-in (The MIT License, (c) 2014 Gregory Boissinot; its header stands
in the file), as it is in the source archive of pytest 9.0.2 (``testing/example_scripts``). JUnit's form has no standard
body; build servers follow this one.
"""

from __future__ import annotations

import hashlib
import itertools
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import soundfile
import xmlschema
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sound import synthetic_note

from oscservice.check.check_output import as_junit
from oscservice.check.verdicts import (
    Case,
    CaseFound,
    CheckedQuantity,
    CheckFinding,
    CheckResult,
    CheckVerdict,
    Limits,
    Refusal,
)
from oscservice.cli import main
from oscservice.instrument.pitch import OPEN, Place

SCHEMA_FILE = Path(__file__).with_name("junit-10.xsd")
SCHEMA = xmlschema.XMLSchema(SCHEMA_FILE)

ODD = (
    "",
    "<&>\"'",
    "]]>",
    "\0\x1b\x7f",
    "a\tb\nc\rd",
    "\udcff\ud800",
    "\ufffe\uffff",
    "🎸 Ünïcödé ½",
    "  ",
    "x" * 5000,
)
"""Names that XML has to carry, or can't: control characters, half of a surrogate pair, what is no character."""


def validated(text: str) -> ElementTree.Element:
    """The document, once it is known to be valid and its counts are those of its elements."""
    SCHEMA.validate(text)
    top = ElementTree.fromstring(text.encode("utf-8"))
    (suite,) = top
    cases = suite.findall("testcase")
    for element in (top, suite):
        assert int(element.attrib["tests"]) == len(cases)
        assert int(element.attrib["failures"]) == sum(case.find("failure") is not None for case in cases)
        assert int(element.attrib["errors"]) == sum(case.find("error") is not None for case in cases)
    assert int(suite.attrib["skipped"]) == len(suite.findall(".//skipped"))
    assert all(len(case.findall("failure") + case.findall("error")) <= 1 for case in cases)
    return top


def result(cases: tuple[CaseFound, ...] = (), **more: Any) -> CheckResult:
    return CheckResult(
        **{"name": "made up", "instrument": "", "baseline": "", "limits": Limits(), "cases": cases, **more}
    )


def finding(
    what: CheckedQuantity = CheckedQuantity.TUNING, verdict: CheckVerdict = CheckVerdict.HOLDS, **more: Any
) -> CheckFinding:
    return CheckFinding(**{"what": what, "cents": 1.0, "se_cents": 0.2, "limit_cents": 3.0, "verdict": verdict, **more})


def test_the_schema_is_the_one_that_was_published() -> None:
    assert hashlib.sha256(SCHEMA_FILE.read_bytes()).hexdigest() == (
        "a1a816f58d1bf95ebabf371994df0b9246dee66ea9572fbec4f9296f1b2c0ff6"
    )
    assert "Gregory Boissinot" in SCHEMA_FILE.read_text(encoding="utf-8")


def test_the_schema_refuses_wrong_documents() -> None:
    good = as_junit(result((CaseFound(Case(6, OPEN, 40), 3, (finding(verdict=CheckVerdict.OUT),)),)), 1.5)
    validated(good)
    for right, wrong in (
        ('time="1.500"', 'time="1.5e0"'),
        (' failures="1"', ""),
        ("<failure", "<fault"),
        ('classname="', 'klass="'),
    ):
        assert right in good
        bad = (
            good.replace(right, wrong).replace("</failure", "</fault")
            if wrong == "<fault"
            else good.replace(right, wrong)
        )
        assert not SCHEMA.is_valid(bad), wrong


def test_every_verdict_and_finding() -> None:
    cases = tuple(
        CaseFound(
            Case(1 + n % 6, Place("fret", n + 1), 40 + n), 2, (finding(what, verdict, **size, why="made up", wanted=n),)
        )
        for n, (what, verdict, size) in enumerate(
            itertools.product(
                CheckedQuantity, CheckVerdict, ({}, {"cents": None, "se_cents": None, "limit_cents": None})
            )
        )
    )
    suite = validated(as_junit(result(cases), 3.25))[0]
    by_kind = {kind: len(suite.findall(f"testcase/{kind}")) for kind in ("failure", "error")}
    each = 2 * len(CheckedQuantity)
    assert by_kind == {"failure": 2 * each, "error": each}, "out and drifted fail, unsure is an error"
    assert {one.attrib["type"] for one in suite.findall("testcase/failure")} == {"out", "drifted"}
    assert suite.attrib["time"] == "3.250"


def test_no_cases_at_all() -> None:
    validated(as_junit(result(), 0.0))
    validated(as_junit(result(refused=(Refusal("a.wav", "made up"),)), 0.0))
    validated(as_junit(result((CaseFound(Case(0, None, 69), 0, ()),)), 0.0))


@pytest.mark.parametrize("odd", ODD)
def test_odd_names(odd: str) -> None:
    case = Case(0, None, 69, (("take", odd),))
    found = (finding(verdict=CheckVerdict.UNSURE, why=odd),)
    text = as_junit(result((CaseFound(case, 1, found),), name=odd, refused=(Refusal(odd, odd),), remarks=(odd,)), 0.001)
    suite = validated(text)[0]
    assert suite.attrib["name"], "build servers leave out what has no name"
    if odd.isprintable() and odd.strip():
        assert suite.attrib["name"] == odd
        assert [one.attrib["name"] for one in suite.findall("testcase")] == [f"A4 (take {odd})", odd]


@pytest.mark.parametrize("seconds", [0.0, 0.0004, 0.9996, 59.9999, 999.0, 1e3, 123456.789, 1e6, 3.2e7])
def test_times(seconds: float) -> None:
    top = validated(as_junit(result(), seconds))
    assert abs(float(top.attrib["time"]) - seconds) <= 0.0005


_TEXTS = st.text(max_size=40)
_FINDINGS = st.builds(
    finding,
    st.sampled_from(CheckedQuantity),
    st.sampled_from(CheckVerdict),
    cents=st.none() | st.floats(-1e6, 1e6),
    se_cents=st.none() | st.floats(0.0, 1e6),
    limit_cents=st.none() | st.floats(0.01, 100.0),
    why=_TEXTS,
    wanted=st.integers(0, 10**6),
)
_CASES = st.builds(
    CaseFound,
    st.builds(Case, st.integers(0, 12), st.none(), st.integers(0, 127), st.lists(st.tuples(_TEXTS, _TEXTS)).map(tuple)),
    st.integers(0, 1000),
    st.lists(_FINDINGS, max_size=3).map(tuple),
)
_RESULTS = st.builds(
    result,
    st.lists(_CASES, max_size=5).map(tuple),
    name=_TEXTS,
    refused=st.lists(st.builds(Refusal, _TEXTS, _TEXTS), max_size=3).map(tuple),
    remarks=st.lists(_TEXTS, max_size=3).map(tuple),
)


@settings(max_examples=100, deadline=None)
@given(_RESULTS, st.floats(0.0, 1e7))
def test_any_result_is_valid(any_result: CheckResult, seconds: float) -> None:
    validated(as_junit(any_result, seconds))


def test_the_output_of_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Open strings in tune and out of it, files with odd names, and one that holds no sound."""
    for name, hz in (("low", 82.41), ("high <1>", 329.63 * 2.0 ** (30.0 / 1200.0))):
        samples, _ = synthetic_note(f1_hz=hz, seconds=2.0, sample_rate_hz=16000.0)
        soundfile.write(tmp_path / f"{name}.wav", samples, 16000)
    (tmp_path / "none <&\x1b>.wav").write_text("no sound")
    junit = tmp_path / "out.xml"
    words = ("check", str(tmp_path), "--instrument", "six-string-648", "--junit", str(junit), "--no-cache")
    monkeypatch.setattr(sys, "argv", ["oscservice", *words])
    with pytest.raises(SystemExit) as end:
        main()
    capsys.readouterr()
    assert end.value.code == 1
    suite = validated(junit.read_text(encoding="utf-8"))[0]
    kinds = {one.attrib["name"].rpartition("/")[2]: [child.tag for child in one] for one in suite.findall("testcase")}
    assert kinds.pop("string 1 open") == ["failure"]
    assert kinds.pop("none <&\ufffd>.wav") == ["error"]
    assert set(kinds) == {"string 6 open"}
