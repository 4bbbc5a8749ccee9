"""Many files measured: in order, each fault its own line, and exactly as each alone."""

from __future__ import annotations

import math
import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from sound_files import archive, note
from threadpoolctl import threadpool_info, threadpool_limits

from oscservice.archive import file_measurement as one
from oscservice.archive import measure_many as many
from oscservice.archive.file_measurement import MeasuredFile, measure_file, measured_with
from oscservice.archive.measure_many import FileOutcome, Wanted, measure_many
from oscservice.archive.result_cache import Cache, sha256_of


@pytest.fixture(scope="module")
def wanted(tmp_path_factory: pytest.TempPathFactory) -> list[Wanted]:
    return archive(tmp_path_factory.mktemp("archive"), 4)


@pytest.fixture(scope="module")
def alone(wanted: list[Wanted]) -> list[FileOutcome]:
    """Every file measured as ``measure`` does it."""
    return [FileOutcome(measure_file(w.path, w.expected_hz), sha256=sha256_of(w.path)) for w in wanted]


def test_outcomes_equal_those_of_each_file_by_itself(wanted: list[Wanted], alone: list[FileOutcome]) -> None:
    assert all(outcome.measured is not None and len(outcome.measured.notes) == 1 for outcome in alone)
    told: list[int] = []
    assert measure_many(wanted, done=told.append) == alone
    assert told == [1, 2, 3, 4]
    assert measure_many([]) == []


def test_files_measured_before_are_found_in_the_cache(
    wanted: list[Wanted], alone: list[FileOutcome], tmp_path: Path
) -> None:
    with Cache.open(tmp_path / "cache") as cache:
        assert measure_many(wanted[:2], cache=cache) == alone[:2]
    told: list[int] = []
    with Cache.open(tmp_path / "cache") as cache:
        second = measure_many([*wanted[2:], *wanted[:2]], cache=cache, done=told.append)
    assert [outcome.cached for outcome in second] == [False, False, True, True]
    assert [outcome.measured for outcome in second] == [outcome.measured for outcome in [*alone[2:], *alone[:2]]]
    assert told == [1, 2, 3, 4]
    moved = tmp_path / "another name.wav"
    moved.write_bytes(wanted[0].path.read_bytes())
    with Cache.open(tmp_path / "cache") as cache:
        assert measure_many([Wanted(moved, wanted[0].expected_hz)], cache=cache)[0].cached
        assert not measure_many([Wanted(moved, (55.0,))], cache=cache)[0].cached


def test_another_estimator_finds_no_old_result(
    wanted: list[Wanted], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Cache.open(tmp_path) as cache:
        measure_many(wanted[:1], cache=cache)
        monkeypatch.setattr(many, "measured_with", lambda: {**measured_with(), "estimator": "other"})
        assert [outcome.cached for outcome in measure_many(wanted[:1], cache=cache)] == [False]


def test_a_result_in_another_form_is_measured_again(wanted: list[Wanted], tmp_path: Path) -> None:
    with Cache.open(tmp_path) as cache:
        first = measure_many(wanted[:1], cache=cache)
    with sqlite3.connect(tmp_path / "measured.sqlite") as database:
        ((key,),) = database.execute("SELECT key FROM measured").fetchall()
    database.close()
    with Cache.open(tmp_path) as cache:
        cache.keep([(key, "[16000,1,[-20.0]]")])
        assert measure_many(wanted[:1], cache=cache) == first
        assert measure_many(wanted[:1], cache=cache)[0].cached


def test_a_damaged_cache_changes_no_result(wanted: list[Wanted], alone: list[FileOutcome], tmp_path: Path) -> None:
    (tmp_path / "measured.sqlite").write_bytes(b"rubbish" * 1000)
    with Cache.open(tmp_path) as cache:
        assert measure_many(wanted, cache=cache) == alone
    assert len(cache.remarks) == 1


def test_an_infinite_uncertainty_survives_the_cache(
    wanted: list[Wanted], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def doubtful(path: Path, expected_hz: tuple[float, ...]) -> MeasuredFile:
        measured = measure_file(path, expected_hz)
        reading = replace(measured.notes[0].reading, inharmonicity_se=math.inf)
        return replace(measured, found=(replace(measured.notes[0], reading=reading),))

    monkeypatch.setattr(one, "measure_file", doubtful)
    with Cache.open(tmp_path) as cache:
        first, second = (measure_many(wanted[:1], cache=cache)[0] for _ in range(2))
    assert second.cached
    assert first.measured == second.measured
    assert second.measured is not None
    assert second.measured.notes[0].reading.inharmonicity_se == math.inf


def test_files_that_cant_be_read_have_a_line_each_and_the_rest_is_measured(
    wanted: list[Wanted], alone: list[FileOutcome], tmp_path: Path
) -> None:
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "text.wav").write_text("no sound")
    (tmp_path / "samples.raw").write_bytes(bytes(4000))
    bad = [tmp_path / name for name in ("missing.wav", "empty.wav", "text.wav", "samples.raw")] + [tmp_path]
    mixed = [wanted[0], *map(Wanted, bad), wanted[1]]
    with Cache.open(tmp_path / "cache") as cache:
        first, second = (measure_many(mixed, cache=cache) for _ in range(2))
    assert [first[0], first[-1]] == alone[:2]
    faults = [outcome.fault for outcome in first[1:-1]]
    assert [outcome.fault for outcome in second[1:-1]] == faults
    assert faults[0] == "there is no such file"
    for said, needed in zip(
        faults, ("no such file", "0 bytes", "not a sound file", "raw samples", "not a sound"), strict=True
    ):
        assert needed in said
        assert "\n" not in said
        assert str(tmp_path) not in said
    assert [outcome.measured for outcome in first[1:-1]] == [None] * 5
    assert [bool(outcome.sha256) for outcome in first[1:-1]] == [False, True, True, True, False]


def test_a_file_that_changes_while_it_is_measured_is_reported_and_not_cached(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = note(tmp_path / "a.wav", 110.0)

    def meddled(path: Path, expected_hz: tuple[float, ...]) -> object:
        measured = measure_file(path, expected_hz)
        note(path, 146.83)
        return measured

    monkeypatch.setattr(one, "measure_file", meddled)
    with Cache.open(tmp_path) as cache:
        assert measure_many([Wanted(path)], cache=cache)[0].fault == one.CHANGED
        monkeypatch.undo()
        again = measure_many([Wanted(path)], cache=cache)[0]
    assert (again.fault, again.cached) == ("", False)


def test_an_unexpected_exception_affects_only_one_file(
    wanted: list[Wanted], alone: list[FileOutcome], monkeypatch
) -> None:
    def faulty(path: Path, expected_hz: tuple[float, ...]) -> object:
        if path == wanted[1].path:
            raise ZeroDivisionError("division by\nzero")
        return measure_file(path, expected_hz)

    monkeypatch.setattr(one, "measure_file", faulty)
    outcomes = measure_many(wanted[:3])
    assert [outcomes[0], outcomes[2]] == [alone[0], alone[2]]
    assert outcomes[1].fault == "it could not be measured (ZeroDivisionError: division by zero)"


def test_linear_algebra_has_one_thread_and_threads_take_turns(wanted: list[Wanted], monkeypatch) -> None:
    def threads() -> list[int]:
        return [library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]

    inside, seen = threading.Lock(), []

    def watched(path: Path, expected_hz: tuple[float, ...]) -> MeasuredFile:
        assert inside.acquire(blocking=False)
        seen.append(threads())
        measured = measure_file(path, expected_hz)
        inside.release()
        return measured

    monkeypatch.setattr(one, "measure_file", watched)
    with threadpool_limits(limits=2):
        before = threads()
        assert measure_many(wanted[:1])[0].measured
        assert threads() == before
    with ThreadPoolExecutor(3) as several:
        assert all(several.map(lambda one: measure_many([one])[0].measured, wanted[:3]))
    assert seen == [[1] * len(before)] * 4
