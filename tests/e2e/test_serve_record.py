"""A journal that can't be written, seen from outside: the session continues, the warning stays, nothing is lost."""

from __future__ import annotations

import contextlib
import re
import resource
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from oscservice_process import PATIENCE_S, DaemonProcess, command, environment, run_command

from oscservice.record.event_chain import edited
from oscservice.record.journal import Journal
from oscservice.session import events as ev
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase

pytestmark = pytest.mark.slow

SOURCE = ("--source", "simulated", "--stepped")


NEARLY_FULL = "resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, resource.RLIM_INFINITY))"
"""As on a disk that is nearly full: a file that is to grow beyond this can't be written."""

# PR_CAPBSET_DROP of linux/prctl.h, CAP_DAC_OVERRIDE of linux/capability.h. Only root has or needs it.
NO_MORE_THAN_ITS_OWNER = "ctypes.CDLL(None).prctl(24, 1, 0, 0, 0)"
"""Without this capability root can't write files that their owner can't write."""


@contextlib.contextmanager
def serving(journal: Path, before: str = "", **more: str) -> Iterator[DaemonProcess]:
    """``oscservice serve`` in a process that is prepared by the Python code ``before``."""
    prepare = f"import ctypes, os, resource, sys; {before or 'pass'}; os.execv(sys.argv[1], sys.argv[1:])"
    process = subprocess.Popen(
        [sys.executable, "-c", prepare, *command("serve", "--port", "0", "--journal", journal, *SOURCE)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(**more),
    )
    guard = threading.Timer(60, process.kill)
    guard.start()
    daemon = DaemonProcess(process, 0, "/bench")
    try:
        found = re.match(r"listening for OSC on 127\.0\.0\.1 port (\d+),", daemon.line())
        assert found is not None, process.communicate()[1]
        daemon.port = int(found[1])
        assert "docs/cautions.md" in daemon.line()
        yield daemon
    finally:
        guard.cancel()
        daemon.close()


def recorded(path: Path, session: str) -> State:
    with Journal.open(path, readonly=True) as journal:
        assert edited(journal.record(session)) is None
        return fold(ev.from_body(kind, body) for _, _, kind, body in journal.events(session))


def until_in_memory(daemon: DaemonProcess) -> tuple[str, int]:
    """Work until there is no more room; the session's name and how many inspections were taken."""
    client = daemon.client()
    client.ask("/subscribe")
    (name,) = client.ask("/session/begin", "six-string-648", "a test (invented)")
    taken = 0
    while client.topics.get("/record/state", ("recording",)) == ("recording",):
        assert client.ask("/session/inspect", "bridge", "failed", "x" * 100) == ()
        taken += 1
        assert taken < 1000
        client.ask("/ping")
    return str(name), taken


def test_a_disk_that_fills_up_and_has_space_again(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite3"
    with serving(path, NEARLY_FULL) as daemon:
        name, taken = until_in_memory(daemon)
        client = daemon.client()
        client.ask("/subscribe")
        client.until("/record/state", "in memory")
        (fault,) = client.until("/record/fault")
        assert str(path) in fault
        for _ in range(3):
            assert client.ask("/session/inspect", "bridge", "failed", "in memory") == ()
        for item in ("bridge", "all"):
            assert client.ask("/session/inspect", item, "passed") == ()
        client.until_it_is("/phase", "tuning")
        assert recorded(path, name).phase is Phase.INSPECTING, "the disk has only what there was room for"
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        client.until("/record/state", "recording")
        client.until_it_is("/record/fault", "")
        state = recorded(path, name)
        assert (state.phase, state.revision) == (Phase.TUNING, taken + 6)
        assert client.ask("/session/undo") == ()
        assert recorded(path, name).phase is Phase.INSPECTING
        code, lines, errors = daemon.end()
    assert (code, errors) == (0, "")
    assert [line for line in lines if line.startswith("recording in memory only")]
    assert "recording again: everything in memory is written" in lines


def test_a_disk_that_stays_full_to_the_end(tmp_path: Path) -> None:
    path, spare = tmp_path / "j.sqlite3", tmp_path / "spare"
    spare.mkdir()
    with serving(path, NEARLY_FULL, TMPDIR=str(spare)) as daemon:
        name, taken = until_in_memory(daemon)
        code, _, errors = daemon.end()
    assert code == 5
    (file,) = spare.glob("*.jsonl")
    assert errors.count("\n") == 1
    assert f"oscservice sessions import {file}" in errors
    got = run_command("sessions", "import", file, "--journal", path)
    assert (got.code, got.err) == (0, "")
    assert recorded(path, name).revision == taken + 1


@pytest.mark.parametrize("there", [False, True])
def test_a_folder_that_cannot_be_written_at_first(tmp_path: Path, there: bool) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    path = folder / "j.sqlite3"
    if there:
        Journal.open(path).close()
        path.chmod(0o444)
    folder.chmod(0o555)
    try:
        with serving(path, NO_MORE_THAN_ITS_OWNER) as daemon:
            client = daemon.client()
            name = client.begin("six-string-648")
            assert daemon.line().startswith("recording in memory only, and lost if the daemon ends: ")
            client.until_it_is("/record/state", "in memory")
            assert client.topics["/record/state"] == ("in memory",)
            assert str(path) in client.topics["/record/fault"][0]
            client.ask("/ping")
            events = [values[0] for address, values in client.heard if address == "/event"]
            assert any(event.startswith("recording in memory only") for event in events)
            assert [file.name for file in folder.iterdir()] == [path.name] * there
            folder.chmod(0o755)
            if there:
                path.chmod(0o644)
            client.until("/record/state", "recording")
            assert recorded(path, name).phase is Phase.TUNING
            assert daemon.end()[0] == 0
    finally:
        folder.chmod(0o755)


def test_a_damaged_journal_is_recovered_as_the_daemon_starts(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite3"
    with serving(path) as daemon:
        name = daemon.client().begin("six-string-648")
        assert daemon.end()[0] == 0
    data = bytearray(path.read_bytes())
    data[0:90] = b"\xff" * 90
    path.write_bytes(data)
    with serving(path) as daemon:
        lines = [daemon.line(), daemon.line()]
        assert any(re.search("the journal was damaged and is recovered: .* events of 1 session;", one) for one in lines)
        client = daemon.client()
        client.ask("/subscribe")
        (event,) = client.until("/event")
        assert "is recovered" in event
        assert client.ask("/session/resume", name) == (name,)
        client.until("/phase", "tuning")
        assert daemon.end()[0] == 0
    assert len(list(tmp_path.glob("*.damaged-*"))) == 1


def test_a_session_that_a_daemon_holds_is_not_offered_to_another(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite3"
    with serving(path) as first, serving(path) as second:
        name = first.client().begin("six-string-648")
        client = second.client()
        client.ask("/subscribe")
        client.until("/prompt", "begin")
        assert client.topics["/session/offered"] == ("",)
        word, _, text = client.ask("/session/resume", name)
        assert (word, f"open in another oscservice (pid {first.process.pid})" in text) == ("error", True)
        first.process.kill()
        first.process.wait(PATIENCE_S)
        assert client.ask("/session/resume", name) == (name,)
