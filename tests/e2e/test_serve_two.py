"""Two daemons on one machine: on ports and roots of their own neither disturbs the other, on one port there is one."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from oscservice_process import run_process, running_daemon
from packets import message
from small_instruments import CLAMPS, SCREWS, instrument_file

pytestmark = pytest.mark.slow

SIMULATED = ("--source", "simulated", "--stepped")
PORT_TAKEN = 4


def test_two_daemons_with_roots_of_their_own_do_not_disturb_each_other(tmp_path: Path) -> None:
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        folder.mkdir()
    files = [instrument_file(folder, head) for folder, head in zip(folders, (SCREWS, CLAMPS), strict=True)]
    with (
        running_daemon(folders[0] / "j.sqlite3", *SIMULATED, "--instrument", files[0]) as first,
        running_daemon(folders[1] / "j.sqlite3", *SIMULATED, "--instrument", files[1], "--root", "/shop/two") as second,
    ):
        assert first.port != second.port
        one, two = first.client(), second.client()
        two.ask("/subscribe")
        two.until_it_is("/phase", "idle")
        one.begin(str(files[0]))
        assert one.topics["/instrument"] == ("two strings, screws",)

        # Addresses of the other daemon are unknown here, and change nothing there.
        lost = second.client()
        lost.raw(message(b"/bench/session/begin", b"ss", b"six-string-648\0\0" + b"x\0\0\0"))
        address, (about, code, _) = lost.next()
        assert (address, about, code) == ("/error", "/bench/session/begin", 1)
        lost.raw(message(b"/bench/ping", b""))
        assert lost.next()[1][1] == 1

        assert two.ask("/status")[3] == "idle"
        two.begin(str(files[1]), 1.0)
        assert two.topics["/instrument"] == ("two strings, clamps",)
        one.ask("/string/1/focus")
        one.until_it_is("/focus/string", 1)
        one.ask("/session/abandon")
        one.until_it_is("/phase", "closed")
        assert two.ask("/status")[3] == "tuning"
        assert [address for address, _ in two.heard if address.startswith("/bench")] == []
        assert first.end()[0] == 0
        assert two.ask("/ping") == ()
        assert second.end()[0] == 0


@pytest.mark.parametrize("kind", ["daemon", "udp", "tcp"])
def test_a_second_program_on_the_port_ends_with_its_code(tmp_path: Path, kind: str) -> None:
    with running_daemon(tmp_path / "j.sqlite3", *SIMULATED) as first:
        port = first.port
        taken: socket.socket | None = None
        if kind != "daemon":
            first.end()
            taken = socket.socket(socket.AF_INET, socket.SOCK_DGRAM if kind == "udp" else socket.SOCK_STREAM)
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, kind == "tcp")
            taken.bind(("127.0.0.1", port))
            if kind == "tcp":
                taken.listen()
        done = run_process("serve", "--port", str(port), "--journal", tmp_path / "j2.sqlite3", *SIMULATED)
        assert (done.returncode, done.stdout) == (PORT_TAKEN, "")
        which = "TCP" if kind == "tcp" else "UDP"
        assert f"{which} port {port} on 127.0.0.1 is taken: stop the program that has it" in done.stderr
        assert done.stderr.count("\n") == 1
        if taken is None:
            assert first.client().ask("/ping") == ()
        else:
            taken.close()
