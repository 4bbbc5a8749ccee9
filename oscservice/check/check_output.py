"""A check's result for programs: a JSON object, and JUnit's XML for build servers. And a finding as cells of a table.

JUnit's form has no standard. Build servers share the schema ``junit-10.xsd`` of the xUnit plug-in of one of them
(G. Boissinot, 2014). A case is a ``testcase``. A case that drifted or is out of tolerance has a ``failure``; a case
that could not be judged, and everything refused, has an ``error``.
"""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

from oscservice.check.verdicts import CaseFound, CheckedQuantity, CheckFinding, CheckResult, CheckVerdict

_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def as_json(result: CheckResult) -> dict[str, Any]:
    """Return the result as an object."""
    return {
        "name": result.name,
        "verdict": str(result.verdict),
        "exit_code": result.verdict.exit_code,
        "instrument": result.instrument or None,
        "baseline": result.baseline or None,
        "limits": {
            "tuning_cents": result.limits.tuning_cents,
            "error_cents": result.limits.error_cents,
            "drift_cents": result.limits.drift_cents,
            "retuned": result.limits.retuned,
        },
        "files": result.files,
        "cached": result.cached,
        "notes": result.notes,
        "cases": [_case(one) for one in result.cases],
        "strings": [_string(number, one) for number, one in result.by_string.items() if number],
        "refused": [{"file": one.file, "why": one.why} for one in result.refused],
        "remarks": list(result.remarks),
    }


def _case(one: CaseFound) -> dict[str, Any]:
    return {
        **_place(one),
        "labels": dict(one.case.labels),
        "notes": one.notes,
        "verdict": str(one.verdict),
        "found": [
            {"what": str(finding.what), **_values(finding), "why": finding.why, "wanted": finding.wanted}
            for finding in one.findings
        ],
    }


def _place(one: CaseFound) -> dict[str, Any]:
    place = one.case.place
    return {
        "case": str(one.case),
        "string": one.case.string or None,
        "place": None if place is None else str(place),
        "note": one.case.note_name,
    }


def _values(finding: CheckFinding) -> dict[str, Any]:
    return {
        "cents": finding.cents,
        "se_cents": finding.se_cents,
        "limit_cents": finding.limit_cents,
        "verdict": str(finding.verdict),
    }


def _string(number: int, one: CaseFound) -> dict[str, Any]:
    gravest = one.gravest
    row: dict[str, Any] = {"string": number, "verdict": str(one.verdict), "case": str(one.case)}
    if gravest is None:
        return row | {"what": "", "cents": None, "se_cents": None, "limit_cents": None, "why": ""}
    values = _values(gravest)
    del values["verdict"]
    return row | {"what": str(gravest.what), **values, "why": gravest.why}


def as_junit(result: CheckResult, seconds: float) -> str:
    """Return the result as JUnit XML; ``seconds`` is its duration."""
    name = result.name or "recordings"
    failed = result.counts[CheckVerdict.DRIFTED] + result.counts[CheckVerdict.OUT]
    counts = {
        "tests": str(len(result.cases) + len(result.refused)),
        "failures": str(failed),
        "errors": str(result.counts[CheckVerdict.UNSURE] + len(result.refused)),
        "time": f"{max(seconds, 0.0):.3f}",
    }
    top = ElementTree.Element("testsuites", {"name": "oscservice check", **counts})
    suite = ElementTree.SubElement(top, "testsuite", {"name": name, **counts, "skipped": "0"})
    for one in result.cases:
        case = ElementTree.SubElement(suite, "testcase", {"name": str(one.case), "classname": name, "time": "0"})
        gravest = one.gravest
        if gravest is not None and one.verdict is not CheckVerdict.HOLDS:
            kind = "error" if one.verdict is CheckVerdict.UNSURE else "failure"
            failure = ElementTree.SubElement(case, kind, {"type": str(one.verdict), "message": line(gravest)})
            failure.text = "\n".join(line(finding) for finding in one.findings)
        elif one.findings:
            ElementTree.SubElement(case, "system-out").text = "\n".join(line(finding) for finding in one.findings)
    for refused in result.refused:
        attributes = {"name": refused.file, "classname": f"{name}.refused", "time": "0"}
        case = ElementTree.SubElement(suite, "testcase", attributes)
        ElementTree.SubElement(case, "error", {"type": "refused", "message": refused.why})
    if result.remarks:
        ElementTree.SubElement(suite, "system-out").text = "\n".join(result.remarks)
    ElementTree.indent(top)
    return _clean('<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(top, encoding="unicode") + "\n")


def line(finding: CheckFinding) -> str:
    """Return a finding in one line."""
    words = [str(finding.what)]
    if finding.cents is not None and finding.se_cents is not None and finding.limit_cents is not None:
        words.append(f"{finding.cents:+.1f} ± {max(finding.se_cents, 0.05):.1f} cents, limit {finding.limit_cents:g}")
    words.append(str(finding.verdict))
    if finding.why:
        words.append(finding.why)
    if finding.wanted:
        words.append(f"about {finding.wanted} notes at each place would be enough")
    return ": ".join((words[0], ", ".join(words[1:])))


def table_cells(finding: CheckFinding) -> list[str]:
    """Return a finding as the cells of a table: what, cents, standard error, limit, verdict with its reason."""
    cents = "" if finding.cents is None else f"{round(finding.cents, 1) + 0.0:+.1f}"
    se = "" if finding.se_cents is None else f"{max(finding.se_cents, 0.05):.1f}"
    limit = "" if not finding.limit_cents or finding.what is CheckedQuantity.PRESENCE else f"{finding.limit_cents:g}"
    wanted = f", about {finding.wanted} notes would be enough" if finding.wanted else ""
    why = f": {finding.why}{wanted}" if finding.why else ""
    return [str(finding.what), cents, se, limit, f"{finding.verdict}{why}"]


def _clean(text: str) -> str:
    """Return the text without characters that XML can't hold."""
    return _NO_XML.sub("\ufffd", text)
