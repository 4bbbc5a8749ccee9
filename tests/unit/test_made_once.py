"""What several test processes need is made by one of them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from made_once import FOLDER, made_once

CODE = """
import sys
from made_once import made_once

def slow(what, times=1):
    print("made", what, times)
    return [what] * times

made = made_once(slow)
assert made("a", times=2) == ["a", "a"]
assert made("a", times=2) is made("a", times=2)
assert made("b") == ["b"]
"""


def printed(folder: str | None) -> list[str]:
    own = {name: value for name, value in os.environ.items() if name != FOLDER}
    given = {} if folder is None else {FOLDER: folder}
    env = {**own, **given, "PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, env=env)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.splitlines()


def test_the_first_process_makes_it_and_the_others_read_it(tmp_path: Path) -> None:
    assert printed(str(tmp_path)) == ["made a 2", "made b 1"]
    assert printed(str(tmp_path)) == []


def test_without_a_common_folder_each_process_makes_its_own() -> None:
    assert printed(None) == ["made a 2", "made b 1"]
    assert printed(None) == ["made a 2", "made b 1"]


def test_what_fails_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(FOLDER, str(tmp_path))
    tried = []

    @made_once
    def fails_at_first() -> int:
        tried.append(1)
        return 5 // (len(tried) - 1)

    with pytest.raises(ZeroDivisionError):
        fails_at_first()
    assert (fails_at_first(), fails_at_first(), len(tried)) == (5, 5, 2)
