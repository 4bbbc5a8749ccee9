"""An archive measured by a Dask cluster: the same bytes as here, whoever dies on the way."""

from __future__ import annotations

import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from dask_processes import Cluster
from sound_files import archive, note

from oscservice.archive import dask_cluster as dask
from oscservice.archive.file_measurement import to_text
from oscservice.archive.measure_many import FileOutcome, Wanted, measure_many
from oscservice.archive.result_cache import Cache
from oscservice.errors import InputError

pytestmark = pytest.mark.slow


def in_bytes(outcomes: list[FileOutcome]) -> bytes:
    """Everything that was found, as bytes."""
    lines = [
        f"{o.sha256} {o.fault} {to_text(o.measured) if o.measured is not None else None} {o.cached}" for o in outcomes
    ]
    return "\n".join(lines).encode()


@pytest.fixture(scope="module")
def wanted(tmp_path_factory: pytest.TempPathFactory) -> list[Wanted]:
    return archive(tmp_path_factory.mktemp("archive"), 24)


@pytest.fixture(scope="module")
def here(wanted: list[Wanted]) -> list[FileOutcome]:
    return measure_many(wanted)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """One scheduler for all; each test says which workers it has."""
    with Cluster(tmp_path_factory.mktemp("cluster")) as running:
        yield running


def test_a_worker_killed_half_way_changes_no_bit(
    cluster: Cluster, wanted: list[Wanted], here: list[FileOutcome], tmp_path: Path
) -> None:
    victim, _ = cluster.plain_workers(2)
    told: list[int] = []

    def half_way(finished: int) -> None:
        told.append(finished)
        if finished == len(wanted) // 2:
            assert victim.poll() is None
            victim.kill()
            victim.wait()

    with Cache.open(tmp_path / "cache") as cache:
        outcomes = measure_many(wanted, cluster=cluster.address, cache=cache, done=half_way)
        assert told == list(range(1, len(wanted) + 1))
        assert in_bytes(outcomes) == in_bytes(here)
        assert all(outcome.measured is not None and outcome.measured.notes for outcome in outcomes)
        assert [o.measured for o in measure_many(wanted, cache=cache)] == [o.measured for o in here]  # from the cache


def test_faults_are_the_same_there_and_here(
    cluster: Cluster, wanted: list[Wanted], tmp_path: Path, monkeypatch
) -> None:
    cluster.plain_workers(1)
    (tmp_path / "text.wav").write_text("no sound")
    (tmp_path / "empty.flac").write_bytes(b"")
    (tmp_path / "samples.raw").write_bytes(bytes(4000))
    cut = note(tmp_path / "cut.wav")
    cut.write_bytes(cut.read_bytes()[:-9001])
    large = note(tmp_path / "large.wav", seconds=3.0)
    names = ("text.wav", "empty.flac", "samples.raw", "missing.wav", "cut.wav", "large.wav")
    mixed = [*(Wanted(tmp_path / name) for name in names), wanted[0], Wanted(tmp_path)]
    monkeypatch.setattr(dask, "SHIPPED_MOST_BYTES", large.stat().st_size - 1)  # it is measured here
    there = measure_many(mixed, cluster=cluster.address)
    assert in_bytes(there) == in_bytes(measure_many(mixed))
    assert [bool(outcome.fault) for outcome in there] == [True] * 4 + [False] * 3 + [True]


KILLER = """
import os
from oscservice.archive import file_measurement
measure_file = vars(file_measurement).setdefault("unpatched", file_measurement.measure_file)  # Dask may run this twice
def killed(path, expected_hz):
    if expected_hz == (666.0,):
        os.kill(os.getpid(), 9)
    return measure_file(path, expected_hz)
file_measurement.measure_file = killed
"""


def test_a_file_that_ends_its_workers_is_reported_and_the_rest_is_measured(
    cluster: Cluster, wanted: list[Wanted], here: list[FileOutcome]
) -> None:
    deadly = Wanted(wanted[0].path, (666.0,))
    cluster.plain_workers(0)
    workers = cluster.add_workers(5, KILLER)  # two die at the first try, two of the file alone
    outcomes = measure_many([*wanted[:6], deadly, *wanted[6:]], cluster=cluster.address)
    assert sum(worker.poll() is not None for worker in workers) == 4
    assert "ended" in outcomes[6].fault
    assert in_bytes(outcomes[:6] + outcomes[7:]) == in_bytes(here)


def refusal(address: str, wanted: list[Wanted]) -> str:
    with pytest.raises(InputError) as refused:
        measure_many(wanted, cluster=address)
    said = str(refused.value)
    assert "\n" not in said
    assert said.startswith(f"--cluster {address}: ")
    return said


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:{port}", "nonsense", "tcp://", "http://127.0.0.1:{port}", "tcp://a:b"]
)
def test_a_scheduler_that_cant_be_reached_is_one_line(address: str, wanted: list[Wanted], monkeypatch) -> None:
    monkeypatch.setattr(dask, "_REACHED_WITHIN_S", 1)
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        assert "scheduler" in refusal(address.format(port=unused.getsockname()[1]), wanted)


def test_without_dask_it_is_said_how_to_get_it(wanted: list[Wanted], monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'oscservice\[cluster\]'"):
        measure_many(wanted, cluster="tcp://127.0.0.1:8786")


def test_no_worker_is_one_line(cluster: Cluster, wanted: list[Wanted], monkeypatch) -> None:
    cluster.plain_workers(0)
    monkeypatch.setattr(dask, "_WORKER_WITHIN_S", 0.5)
    assert "no worker" in refusal(cluster.address, wanted)


OTHER_NUMPY = """
from oscservice.archive import file_measurement
ours = file_measurement.measured_with()
file_measurement.measured_with = lambda: ours | {"numpy": "0.1"}
"""


def test_a_worker_without_oscservice_is_refused_before_anything_is_sent(cluster: Cluster, wanted: list[Wanted]) -> None:
    cluster.plain_workers(1)
    cluster.add_workers(1, "import sys; sys.modules['oscservice'] = None")
    assert "install oscservice there" in refusal(cluster.address, wanted)


def test_a_worker_of_another_version_is_refused_before_anything_is_sent(cluster: Cluster, wanted: list[Wanted]) -> None:
    cluster.plain_workers(1)
    cluster.add_workers(1, OTHER_NUMPY)
    assert "numpy 0.1 where this machine has" in refusal(cluster.address, wanted)


UNLIKE = "from oscservice.archive import dask_cluster; dask_cluster.measured_with = lambda: {}"


def test_an_unlike_worker_that_comes_later_does_no_work(cluster: Cluster, wanted: list[Wanted]) -> None:
    (first,) = cluster.plain_workers(1)

    def swapped(finished: int) -> None:
        if finished == 2:
            cluster.add_workers(1, UNLIKE)
            first.kill()

    with pytest.raises(InputError, match="another version of oscservice"):
        measure_many(wanted, cluster=cluster.address, done=swapped)


@pytest.mark.parametrize("who", ["worker", "scheduler"])  # the scheduler last: it is the one of all tests
def test_results_are_kept_when_all_workers_have_died(
    cluster: Cluster, wanted: list[Wanted], tmp_path: Path, monkeypatch, who: str
) -> None:
    monkeypatch.setattr(dask, "_WORKER_WITHIN_S", 1.0)
    (worker,) = cluster.plain_workers(1)

    def gone(finished: int) -> None:
        if finished == 6:
            (cluster.scheduler if who == "scheduler" else worker).kill()

    with Cache.open(tmp_path / "cache") as cache:
        with pytest.raises(InputError, match="scheduler was lost" if who == "scheduler" else "no worker is left"):
            measure_many(wanted, cluster=cluster.address, cache=cache, done=gone)
        assert sum(outcome.cached for outcome in measure_many(wanted, cache=cache)) >= 6
