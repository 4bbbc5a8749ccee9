"""A control surface with a fixed layout, for tests."""

from __future__ import annotations

import socket
import time
from typing import Any

import pytest
from oscservice_process import PATIENCE_S
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder


class Surface:
    """A surface with a fixed layout: two sockets, and no idea of leases or answers."""

    def __init__(self) -> None:
        self._hears = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._hears.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._hears.bind(("127.0.0.1", 0))
        self._says = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._says.bind(("127.0.0.1", 0))
        self.port = self._hears.getsockname()[1]
        self.daemon = 0
        self.seen: list[tuple[str, tuple[Any, ...]]] = []

    def press(self, address: str, *values: float | str) -> None:
        builder = OscMessageBuilder(address)
        for value in values:
            builder.add_arg(value)
        self._says.sendto(builder.build().dgram, ("127.0.0.1", self.daemon))

    def shown(self, address: str, *values: Any) -> None:
        """Wait for these values at an address; for any if none are given."""
        deadline = time.monotonic() + PATIENCE_S
        self._hears.settimeout(PATIENCE_S)
        while time.monotonic() < deadline:
            message = OscMessage(self._hears.recv(65536))
            self.seen.append((message.address, tuple(message.params)))
            if self.seen[-1] == (address, values or self.seen[-1][1]):
                return
        pytest.fail(f"{address} {values} was never shown: {self.seen[-20:]}")

    def answered(self) -> bool:
        """Return whether anything came back to the socket it sends from."""
        self._says.settimeout(0.1)
        try:
            self._says.recv(65536)
        except TimeoutError:
            return False
        return True

    def close(self) -> None:
        self._hears.close()
        self._says.close()
