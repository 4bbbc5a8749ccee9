"""Settings applied to a server: impossible listeners, remarks on bindings, limited reports of refusals."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from packets import message
from socketless_server import NEAR, SocketlessServer

from oscservice.bindings.settings_file import NOTHING, SettingsFile, read_settings
from oscservice.daemon.applied_bindings import BindingRefusals, bind, bound_lines
from oscservice.errors import InputError

LISTENER = '[[listener]]\nname = "grid"\nhost = "{host}"\nport = {port}\ntopics = ["//"]\n'
DAMP = '[[binding]]\nfrom = "/grid/*"\ncommand = "/bench/simulator/damp"\n'


def configured(text: str) -> SettingsFile:
    return read_settings(text, "my.toml", Path("/"))


def bound(text: str) -> list[str]:
    """Lines for a person on two presses of a bound button."""
    lines: list[str] = []

    async def run() -> None:
        bench = SocketlessServer()
        refusals = BindingRefusals(bench.server, lines.append)
        bind(bench.server, configured(text), lambda: "tuning", refusals.report)
        for _ in range(2):
            bench.take(message(b"/grid/1", b""), NEAR)
        bench.server.close()

    asyncio.run(run())
    return lines


def test_refusals_are_reported_at_most_once_a_second() -> None:
    assert bound(DAMP) == ["refused: /grid/1 asked for /bench/simulator/damp: not possible now"]
    assert bound("") == []


@pytest.mark.parametrize(
    ("host", "port", "words"),
    [
        ("127.0.0.1", 9000, "listener 'grid': port 9000 is the daemon's own; expected the surface's"),
        ("192.0.2.7", 9001, "listener 'grid' at 192.0.2.7 can't be reached from 127.0.0.1: set host"),
        ("::1", 9001, "listener 'grid' at ::1 can't be reached from 127.0.0.1"),
    ],
)
def test_a_listener_at_an_impossible_address_is_refused(host: str, port: int, words: str) -> None:
    with pytest.raises(InputError) as caught:
        bound(LISTENER.format(host=host, port=port))
    assert str(caught.value).startswith(words)


def test_start_lines_name_bound_addresses_and_listeners() -> None:
    assert bound_lines(NOTHING) == []
    assert bound_lines(configured(DAMP)) == ["bound to commands: 1 foreign address"]
    text = DAMP + DAMP + LISTENER.format(host="127.0.0.1", port=9001)
    assert bound_lines(configured(text)) == [
        "bound to commands: 2 foreign addresses",
        "shown to grid (127.0.0.1 port 9001)",
    ]
