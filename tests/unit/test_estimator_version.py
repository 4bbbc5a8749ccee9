"""What a result depends on: every source file it rests on is in the fingerprint."""

from __future__ import annotations

import shutil
from pathlib import Path

from test_house import ROOT, imports

from oscservice.archive.estimator_version import difference, estimator, fingerprint, measuring_files, source_digest


def test_everything_measuring_imports_is_part_of_it() -> None:
    waiting, seen = [ROOT / "archive" / "notes.py", ROOT / "archive" / "stored.py"], set()
    while waiting:
        path = waiting.pop()
        seen.add(path)
        for module, _ in imports(path):
            needed = ROOT.parent.joinpath(*module.split(".")).with_suffix(".py")
            if module.startswith("oscservice.") and needed.is_file() and needed not in seen:
                waiting.append(needed)
    assert ROOT / "hearing" / "listener.py" in seen
    assert seen <= set(measuring_files())


def test_a_changed_source_is_another_estimator(tmp_path: Path) -> None:
    copy = tmp_path / "oscservice"
    shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns("__pycache__"))
    before = source_digest(measuring_files(copy), copy)
    assert before == estimator()["source"]  # wherever it is installed
    (copy / "advice" / "travel.py").write_text("")
    assert source_digest(measuring_files(copy), copy) == before
    path = copy / "hearing" / "fit.py"
    path.write_text(path.read_text(encoding="utf-8") + "# one line more\n", encoding="utf-8")
    assert source_digest(measuring_files(copy), copy) != before


def test_every_part_changes_the_fingerprint_and_is_named() -> None:
    ours = estimator()
    assert all(ours.values())
    assert difference(ours, ours) == ""
    for name in ours:
        theirs = {**ours, name: "other"}
        assert fingerprint(theirs) != fingerprint(ours)
        assert ("another version of oscservice" if name == "source" else name) in difference(ours, theirs)
    assert difference(ours, {}) == "another version of oscservice"
