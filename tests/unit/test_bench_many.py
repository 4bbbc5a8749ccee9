"""The benchmark of an archive: its notes are notes, it checks what it times, and it prints its table."""

from __future__ import annotations

import importlib.util
import math
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import oscservice
from oscservice.archive.measure_many import FileOutcome, measure_many

pytestmark = pytest.mark.slow

BENCH = Path(__file__).parents[1] / "bench" / "many.py"


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.setattr(sys, "path", list(sys.path))
    spec = importlib.util.spec_from_file_location("bench_many", BENCH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "bench_many", module)  # where its dataclasses look themselves up
    spec.loader.exec_module(module)
    return module


def test_no_two_notes_are_the_same_and_each_is_the_note_it_should_be(bench: ModuleType, tmp_path: Path) -> None:
    wanted = bench.made(tmp_path, 30)
    assert len({one.path.read_bytes() for one in wanted}) == 30
    for one, outcome in zip(wanted[:2], measure_many(wanted[:2]), strict=True):
        bench.checked([outcome])
        assert outcome.measured is not None
        cents = 1200.0 * math.log2(outcome.measured.notes[0].reading.f1_hz / one.expected_hz[0])
        assert abs(cents) < 32.0
    with pytest.raises(AssertionError, match="no note"):
        bench.checked([FileOutcome(None, "there is no such file")])


def test_another_estimator_that_finds_nothing_is_no_time(bench: ModuleType, tmp_path: Path) -> None:
    wanted = bench.made(tmp_path, 1)
    bench.loop(bench.Peer("right", lambda samples, rate_hz, hint_hz: hint_hz, "numpy"), wanted)
    for wrong in (None, 200.0):
        with pytest.raises(AssertionError, match="wrong found"):
            bench.loop(bench.Peer("wrong", lambda samples, rate_hz, hint_hz, wrong=wrong: wrong, "numpy"), wanted)


def test_it_prints_its_table() -> None:
    paths = os.pathsep.join(p for p in (str(Path(oscservice.__file__).parents[1]), os.environ.get("PYTHONPATH")) if p)
    done = subprocess.run(
        [sys.executable, str(BENCH), "--notes", "6", "--slices", "2"],
        env=os.environ | {"PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    rows = {cells[1].strip(): cells[2:-1] for line in done.stdout.splitlines() if len(cells := line.split("|")) == 7}
    assert int(rows["oscservice, one core"][0]) == 6
    assert float(rows["oscservice, one core"][3]) == 1.0
    assert int(rows["oscservice, two cores"][0]) == 2
    assert int(rows["loop around aubio yinfft, one core"][0]) == 2
    assert int(rows["oscservice again, all looked up, one core"][0]) == 6
    assert all(float(cells[2]) > 0.0 for name, cells in rows.items() if name.startswith("oscservice"))
