"""Settings put to work: bindings to commands, and listeners that are sent things without asking."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence

from oscservice.bindings.binding import Bindings
from oscservice.bindings.settings_file import SettingsFile, unreachable
from oscservice.bindings.value_mapping import ValueMapper
from oscservice.errors import InputError
from oscservice.osc.packet import Message
from oscservice.osc.peer import Peer
from oscservice.osc.rate_limits import LogThrottle
from oscservice.osc.server import OscServer

_CAUSE = "a bound command was refused"


def bind(server: OscServer, configured: SettingsFile, tell: Callable[[str], None], phase: Callable[[], str]) -> None:
    """Let foreign messages stand for commands, and send listeners what is configured. The ports are open.

    A command that is refused is one line for a person and an ``/event``, at most once a second.

    Raises:
        InputError: a listener can't be reached from where the daemon is bound, or is the daemon itself.
    """
    far = unreachable(configured.listeners, server.host)
    if far is not None:
        raise InputError(
            f"listener {far.name!r} at {far.host} can't be reached from {server.host}: "
            'set host to an address of that network, or to "0.0.0.0", and allow to who may send'
        )
    prefix = server.space.prefix
    if configured.bindings or configured.pass_over:
        bindings = Bindings(configured.bindings, configured.pass_over)

        def commands(message: Message, sender: Peer) -> Sequence[Message] | None:
            return bindings.commands(message, sender.host, phase())

        server.bind(commands, _Refusals(server, tell))
    for one in configured.listeners:
        peer = Peer(one.host, one.port)
        if server.is_own(peer):
            raise InputError(f"listener {one.name!r}: port {one.port} is the daemon's own; expected the surface's")
        mapping = ValueMapper(prefix, one.topics, one.sendings)
        server.add_listener(peer, rate_hz=one.rate_hz, refresh_s=one.refresh_s, mapping=mapping)


def bound_lines(configured: SettingsFile) -> list[str]:
    """What is bound, in a line or two for a person; none where nothing is."""
    commands = len(configured.bindings)
    lines = [f"bound to commands: {commands} foreign address{'es' if commands > 1 else ''}"] if commands else []
    shown = ", ".join(f"{one.name} ({one.host} port {one.port})" for one in configured.listeners)
    return [*lines, f"shown to {shown}"] if shown else lines


class _Refusals:
    """Tells of bound commands that were refused."""

    def __init__(self, server: OscServer, tell: Callable[[str], None]) -> None:
        self._server = server
        self._tell = tell
        self._lines = LogThrottle()

    def __call__(self, line: str) -> None:
        # What was carried out before is told when the loop comes to it.
        asyncio.get_running_loop().call_soon(self._say, line)

    def _say(self, line: str) -> None:
        held = self._lines.admit(_CAUSE, time.monotonic())
        if held is None:
            return
        whole = f"refused: {line}" + (f" (and {held} more)" if held else "")
        self._tell(whole)
        self._server.publish({"/event": (whole,)})
