"""Tasks on several cores: nothing is lost when a process dies, and the file that kills is found."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from sound_files import archive

from oscservice.archive.file_measurement import Task, TaskResult
from oscservice.archive.measure_many import measure_many
from oscservice.archive.process_pool import TRIES, on_cores


def named(task: Task) -> TaskResult:
    """Work that notes in a diary beside the file which one it got; some are the death of it, one of them only once."""
    with (task.path.parent / "diary").open("a") as diary:
        diary.write(f"{task.path.name}\n")
    survived = task.path.parent / "survived"
    if task.path.name == "deadly" or (task.path.name == "once" and not survived.exists()):
        survived.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return TaskResult(text=task.path.name)


def tasks(folder: Path, names: list[str]) -> list[Task]:
    return [Task(folder / name, (), "") for name in names]


def test_two_cores_have_the_results_of_one(tmp_path: Path) -> None:
    wanted = archive(tmp_path / "notes", 6)
    told: list[int] = []
    assert measure_many(wanted, jobs=2, done=told.append) == measure_many(wanted)
    assert told == [1, 2, 3, 4, 5, 6]


@pytest.mark.slow
def test_a_file_is_tried_again_after_its_process_has_died(tmp_path: Path) -> None:
    names = [f"{n}" for n in range(20)]
    names[7] = "once"
    results = dict(on_cores(tasks(tmp_path, names), 2, named))
    assert results == {n: TaskResult(text=name) for n, name in enumerate(names)}
    assert (tmp_path / "diary").read_text().split().count("once") == 2


@pytest.mark.slow
def test_a_file_that_kills_every_time_is_a_fault_of_its_own(tmp_path: Path) -> None:
    deadly = [3, 4]
    names = ["deadly" if n in deadly else f"{n}" for n in range(10)]
    results = dict(on_cores(tasks(tmp_path, names), 2, named))
    assert [n for n, result in sorted(results.items()) if result.fault] == deadly
    assert f"ended its process {TRIES} times" in results[3].fault
    assert all(results[n].text == name for n, name in enumerate(names) if n not in deadly)


def test_one_core_works_in_this_process(tmp_path: Path) -> None:
    assert list(on_cores(tasks(tmp_path, ["a", "b"]), 1, named)) == [
        (0, TaskResult(text="a")),
        (1, TaskResult(text="b")),
    ]
    assert list(on_cores([], 2, named)) == []
