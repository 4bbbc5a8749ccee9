"""Functions to run commands of ``oscservice`` and a daemon in a process of its own, and a client for it."""

from __future__ import annotations

import contextlib
import io
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest.mock
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import need
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from oscservice.cli import main

ROOT = Path(__file__).parents[2]
PATIENCE_S = 30.0

# Home of the programs: without settings of the user, and writable.
_NO_SETTINGS = tempfile.TemporaryDirectory(prefix="oscservice-tests-")


def command(*words: str | Path) -> list[str]:
    """Return the command line of an ``oscservice`` process."""
    return [sys.executable, "-m", "oscservice", *map(str, words)]


def environment(**more: str) -> dict[str, str]:
    """Return the environment of a process that finds this package, but no settings of the user."""
    paths = [more.pop("first_path", ""), str(ROOT)]
    own = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    more.setdefault("XDG_CONFIG_HOME", _NO_SETTINGS.name)
    return {**own, **more, "PYTHONPATH": os.pathsep.join(path for path in paths if path)}


def run_process(*words: str | Path, stdin: bytes = b"", **more: str) -> subprocess.CompletedProcess[str]:
    """Run ``oscservice`` in a process of its own to its end."""
    done = subprocess.run(
        command(*words), input=stdin, capture_output=True, env=environment(**more), timeout=PATIENCE_S
    )
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


class CommandResult:
    """The result of a command: exit code, standard output and standard error."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code = code
        self.out = out
        self.err = err

    @property
    def complaint(self) -> str:
        """The one line on standard error, without the program's name."""
        assert self.err.startswith("oscservice: "), self.err
        assert self.err.endswith("\n"), self.err
        assert self.err.count("\n") == 1, self.err
        return self.err.removeprefix("oscservice: ").removesuffix("\n")


def run_command(*words: str | Path) -> CommandResult:
    """Run ``oscservice`` in this process and return its result."""
    out, err = io.StringIO(), io.StringIO()
    code: Any = 0
    with (
        unittest.mock.patch.object(sys, "argv", ["oscservice", *map(str, words)]),
        unittest.mock.patch.dict(os.environ, XDG_CONFIG_HOME=_NO_SETTINGS.name),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            code = end.code
    return CommandResult(code or 0, out.getvalue(), err.getvalue())


class Client:
    """An OSC client with python-osc's messages: it waits for the answer to each request, and keeps other messages."""

    def __init__(self, port: int, root: str = "/bench") -> None:
        self._root = root
        self._peer = ("127.0.0.1", port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._socket.bind(("127.0.0.1", 0))
        self.topics: dict[str, tuple[Any, ...]] = {}
        self.heard: list[tuple[str, tuple[Any, ...]]] = []

    def raw(self, packet: bytes) -> None:
        """Send a packet as it is."""
        self._socket.sendto(packet, self._peer)

    def send(self, address: str, *values: float | str) -> None:
        """Send a message."""
        builder = OscMessageBuilder(self._root + address)
        for value in values:
            builder.add_arg(value)
        self.raw(builder.build().dgram)

    def ask(self, address: str, *values: float | str) -> tuple[Any, ...]:
        """Send a message and return the values of its reply, or ``("error", code, text)``."""
        self.send(address, *values)
        return self.answer(address)

    def answer(self, address: str) -> tuple[Any, ...]:
        """Return the next answer to this address."""
        while True:
            found, given = self.next()
            if found == "/reply" and given[0] == self._root + address:
                return given[1:]
            if found == "/error" and given[0] == self._root + address:
                return ("error", *given[1:])

    def next(self) -> tuple[str, tuple[Any, ...]]:
        """Return the next message, its address without the root."""
        self._socket.settimeout(PATIENCE_S)
        message = OscMessage(self._socket.recv(65536))
        item = message.address.removeprefix(self._root), tuple(message.params)
        self.topics[item[0]] = item[1]
        self.heard.append(item)
        return item

    def until(self, address: str, *values: Any) -> tuple[Any, ...]:
        """Wait for a message of this address, with these values if some are given, that has not come yet."""
        deadline = time.monotonic() + PATIENCE_S  # the heartbeat alone would keep the wait going
        while time.monotonic() < deadline:
            found, given = self.next()
            if found == address and values in ((), given):
                return given
        pytest.fail(f"no {address} {values or ''} came: {self.heard[-20:]}")

    def until_it_is(self, address: str, *values: Any) -> None:
        """Wait until the newest message of this address, which may have come already, has these values."""
        if self.topics.get(address) != values:
            self.until(address, *values)

    def begin(self, instrument: str, tolerance_cents: float = 2.0) -> str:
        """Subscribe, begin a session and pass its inspection; return the session's name."""
        self.ask("/subscribe")
        (name,) = self.ask("/session/begin", instrument, "a test (invented)", tolerance_cents)
        assert self.ask("/session/inspect", "all", "passed") == ()
        self.until("/phase", "tuning")
        return str(name)

    def close(self) -> None:
        self._socket.close()


class DaemonProcess:
    """A daemon in a process of its own."""

    def __init__(self, process: subprocess.Popen[bytes], port: int, root: str) -> None:
        self.process = process
        self.port = port
        self._root = root
        self._clients: list[Client] = []

    def client(self) -> Client:
        """Return a new client, which is closed with the daemon."""
        made = Client(self.port, self._root)
        self._clients.append(made)
        return made

    def line(self) -> str:
        """Return the next line it prints; empty at the end."""
        assert self.process.stdout is not None
        return self.process.stdout.readline().decode().rstrip("\n")

    def lines_until(self, wanted: str) -> list[str]:
        """Return the lines up to one that is ``wanted``."""
        lines = [self.line()]
        while lines[-1] != wanted:
            assert lines[-1], (wanted, lines)
            lines.append(self.line())
        return lines

    def end(self) -> tuple[int, list[str], str]:
        """End it as a service manager does; return its exit code, its last lines, and its errors."""
        self.process.send_signal(signal.SIGTERM)
        return self.wait()

    def wait(self) -> tuple[int, list[str], str]:
        """Wait until it ends by itself; return the same as ``end``."""
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, (out or b"").decode().splitlines(), err.decode()

    def close(self) -> None:
        for client in self._clients:
            client.close()
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


@contextlib.contextmanager
def running_daemon(
    journal: Path, *words: str | Path, stdin: int = subprocess.DEVNULL, longest_s: float = 120.0, **more: str
) -> Iterator[DaemonProcess]:
    """Run ``oscservice serve`` on a free port until the block ends, or for so long at most."""
    process = subprocess.Popen(
        command("serve", "--port", "0", "--journal", journal, *words),
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(**more),
    )
    guard = threading.Timer(longest_s, process.kill)  # a line that never comes ends the wait for it
    guard.start()
    daemon = DaemonProcess(process, 0, "/bench")
    try:
        first = daemon.line()
        found = re.fullmatch(r"listening for OSC on 127\.0\.0\.1 port (\d+), root (\S+); hearing .+", first)
        if found is None:
            process.kill()
            pytest.fail(f"the daemon did not start: {first!r} {process.communicate()[1].decode()}")
        daemon.port, daemon._root = int(found[1]), found[2]
        assert "docs/cautions.md" in daemon.line()
        yield daemon
    finally:
        guard.cancel()
        daemon.close()


def in_own_network() -> list[str]:
    """Return words that run a shell script in a network namespace of its own, with its loopback up."""
    unshare = need("unshare", "util-linux")
    need("ip", "iproute2")
    words = [unshare, "-n"] if os.geteuid() == 0 else [unshare, "-rn"]
    if subprocess.run([*words, "true"], capture_output=True).returncode != 0:
        assert os.environ.get("CI") != "true", "CI must be allowed to make a network namespace"
        pytest.skip("needs a network namespace: run as root, or allow unprivileged user namespaces")
    return [*words, "sh", "-c", 'ip link set lo up; exec "$0" "$@"']


def wait_until(true: Callable[[], bool], what: str) -> None:
    """Wait until a condition is true."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)
