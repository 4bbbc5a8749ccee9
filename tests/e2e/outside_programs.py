"""A daemon in a network namespace of its own, and third-party programs in the same namespace.

Many OSC programs listen on every interface, and on fixed ports. In a network namespace they disturb nothing.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from conftest import miss, need
from made_up_session import MadeUpSession, MadeUpTechnician, clock
from oscservice_process import PATIENCE_S, command, environment, in_own_network
from small_instruments import SCREWS, STRINGS

from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.journal import Journal
from oscservice.session import events as ev

CLIENTS = Path(__file__).with_name("clients")
EXAMPLES = Path(__file__).parents[2] / "examples"
PORT = 9787
INSTRUMENT = "two-strings"
"""Name of the instrument that sessions may be begun on; one that is sealed is in the journal."""


def node_modules() -> Path:
    """Folder of the clients from npm, pinned in ``clients/package-lock.json``; kept outside the checkout."""
    folder = Path(os.environ.get("OSCSERVICE_NODE", Path.home() / ".cache" / "oscservice-tests" / "node"))
    pinned, there = CLIENTS / "package-lock.json", folder / "package-lock.json"
    whole = (folder / "node_modules" / ".package-lock.json").is_file()  # npm writes it last
    if not (whole and there.is_file() and there.read_bytes() == pinned.read_bytes()):
        how = f"npm ci --omit=optional --ignore-scripts --prefix {folder}"
        miss(f"needs clients from npm: mkdir -p {folder} && cp {CLIENTS}/package*.json {folder} && {how}")
    return folder / "node_modules"


class Program:
    """A program that runs, and the lines it has printed so far, standard error among them."""

    def __init__(self, words: Sequence[str], **more: str) -> None:
        self.lines: list[str] = []
        self._seen = 0
        self._came = threading.Condition()
        self.process = subprocess.Popen(
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=environment(**more),
            text=True,
            errors="replace",
            bufsize=1,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:  # a carriage return ends a line too
            with self._came:
                self.lines.append(line.rstrip("\n"))
                self._came.notify_all()

    def until(self, pattern: str) -> re.Match[str]:
        """The next line that matches after the last one asked for; waits for it."""
        deadline = time.monotonic() + PATIENCE_S
        with self._came:
            while True:
                while self._seen < len(self.lines):
                    found = re.search(pattern, self.lines[self._seen])
                    self._seen += 1
                    if found:
                        return found
                if not self._came.wait(deadline - time.monotonic()) or time.monotonic() > deadline:
                    pytest.fail(f"no line like {pattern!r} of {self.process.args} came: {self.lines}")

    def type(self, line: str) -> None:
        """Type a line."""
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def end_of_typing(self) -> int:
        """Type no more, and wait for the program's own end; gives its exit code."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        code = self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._reader.join(PATIENCE_S)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()


class DaemonWithPrograms:
    """A daemon with a simulated guitar of two strings, in a network of its own.

    Args:
        folder: for the journal, the instrument and what programs leave.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._home = folder / "home"
        self._journal = folder / "journal.sqlite3"
        self._programs: list[Program] = []
        self._prepare()
        words = ("serve", "--source", "simulated", "--stepped", "--seed", "1", "--journal", self._journal)
        self._places = {
            name: str(self._home) for name in ("HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME")
        }
        self.daemon = Program([*in_own_network(), *command(*words, "--instrument", self._toml)], **self._places)
        self.daemon.until(rf"^listening for OSC on 127\.0\.0\.1 .*{PORT}")

    def _prepare(self) -> None:
        """An instrument file where the daemon looks for them, and a session of that instrument, proved and sealed."""
        self._toml = self._home / "oscservice" / "instruments" / f"{INSTRUMENT}.toml"
        self._toml.parent.mkdir(parents=True)
        self._toml.write_text(SCREWS + STRINGS, encoding="utf-8")
        job = MadeUpSession(load_instrument(str(self._toml))).inspected()
        MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 0.2), seed=1).work()
        assert job.state.outcome
        with Journal.open(self._journal) as opened:
            at_utc = clock().isoformat(timespec="milliseconds")
            name = opened.new_session(job.instrument.name, "made up", clock(), job.instrument.identity)
            opened.append(name, [ev.to_body(event) for event in job.events], at_utc)
            opened.seal(name, at_utc)

    def start(self, *words: str | Path, **more: str) -> Program:
        """Start a program in the daemon's network."""
        nsenter = need("nsenter", "util-linux")
        within = ["-n"] if os.geteuid() == 0 else ["-U", "--preserve-credentials", "-n"]
        asked = [nsenter, "-t", str(self.daemon.process.pid), *within, "--", *map(str, words)]
        program = Program(asked, **self._places, **more)
        self._programs.append(program)
        return program

    def run(self, *words: str | Path, **more: str) -> list[str]:
        """Run a program to its end, which has to be a good one; gives the lines it printed."""
        program = self.start(*words, **more)
        code = program.end_of_typing()
        assert code == 0, (code, program.lines)
        return program.lines

    def say(self, command: str, types: str = "", *values: float | str) -> None:
        """Send a command with liblo's oscsend."""
        oscsend = need("oscsend", "liblo-tools")
        self.run(oscsend, "127.0.0.1", str(PORT), f"/bench/{command}", types, *map(str, values))

    def tidy(self) -> None:
        """End what programs still run."""
        for program in self._programs:
            program.close()
        self._programs.clear()

    def close(self) -> None:
        self.tidy()
        self.daemon.close()


def on_one_daemon(name: str) -> tuple[Any, Any]:
    """Two fixtures for a module of tests: one daemon for all of them, one after the other; and that daemon with nothing
    on its bench, where what a test starts is ended."""

    @pytest.fixture(scope="module", name="bench")
    def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaemonWithPrograms]:
        need("oscsend", "liblo-tools")
        stage = DaemonWithPrograms(tmp_path_factory.mktemp(name))
        yield stage
        stage.close()

    @pytest.fixture(name="stage")
    def stage(bench: DaemonWithPrograms) -> Iterator[DaemonWithPrograms]:
        yield bench
        bench.tidy()
        bench.say("session/abandon")  # refused where the test did so itself

    return bench, stage
