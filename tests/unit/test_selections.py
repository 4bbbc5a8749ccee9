"""The two selections of tests, quick and slow, are the whole together, and CI runs both."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_readme_runs_the_quick_tests_and_ci_runs_all() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"<!-- test -->\n```sh\n(.+?)\n```\n<!-- end -->", readme, re.DOTALL)
    assert block is not None
    assert block[1].endswith("pytest -n auto -m 'not slow'")
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "sed -n '/<!-- test -->/,/<!-- end -->/p' README.md" in ci
    assert re.search(r"^\.venv/bin/python -m pytest -n 3 -m slow$", ci, re.MULTILINE)


def test_nothing_else_leaves_tests_out() -> None:
    options = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"]["ini_options"]
    assert options["testpaths"] == ["tests"]
    assert not re.search(r"(^|\s)(-m|-k|--ignore|--deselect)\b", options["addopts"])
    for conftest in (ROOT / "tests").rglob("conftest.py"):
        text = conftest.read_text(encoding="utf-8")
        assert not re.search(r"collect_ignore|pytest_ignore_collect|pytest_collection_modifyitems", text)
