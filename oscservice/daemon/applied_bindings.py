"""Bindings and listeners of a settings file at work in the OSC server.

Messages of control surfaces become commands, and listeners that can't subscribe get their values.
"""

from __future__ import annotations

import ipaddress
import time
from collections.abc import Callable, Iterable, Sequence

from oscservice.bindings.binding import Bindings
from oscservice.bindings.settings_file import SettingsFile
from oscservice.bindings.value_mapping import FixedListener, ValueMapper
from oscservice.errors import InputError
from oscservice.osc.packet import Message
from oscservice.osc.peer import Peer
from oscservice.osc.rate_limits import LogThrottle
from oscservice.osc.server import OscServer
from oscservice.sentences.plural import counted

_CAUSE = "a bound command was refused"


def bind(server: OscServer, configured: SettingsFile, phase: Callable[[], str], refused: Callable[[str], None]) -> None:
    """Translate messages from control surfaces into commands, and send each listener its values.

    Args:
        server: its ports are open.
        configured: the settings file.
        phase: returns the session's phase.
        refused: takes one line for each bound command that is refused.

    Raises:
        InputError: a listener can't be reached from the daemon's address, or is the daemon itself.
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

        server.bind(commands, refused)
    for one in configured.listeners:
        peer = Peer(one.host, one.port)
        if server.is_own(peer):
            raise InputError(f"listener {one.name!r}: port {one.port} is the daemon's own; expected the surface's")
        mapping = ValueMapper(prefix, one.topics, one.sendings)
        server.add_listener(peer, rate_hz=one.rate_hz, refresh_s=one.refresh_s, mapping=mapping)


def unreachable(listeners: Iterable[FixedListener], host: str) -> FixedListener | None:
    """Return the first listener that can't be reached from the IP address that the daemon is bound to, or None.

    A listener on another machine can't be reached from the loopback, nor one at an address of the other IP version.
    """
    own = ipaddress.ip_address(host.partition("%")[0])
    for one in listeners:
        its = ipaddress.ip_address(one.host)
        if its.version != own.version or (own.is_loopback and not its.is_loopback):
            return one
    return None


def bound_lines(configured: SettingsFile) -> list[str]:
    """Return one or two lines for a person about what is bound; none if nothing is."""
    commands = len(configured.bindings)
    lines = [f"bound to commands: {counted(commands, 'foreign address', 'foreign addresses')}"] if commands else []
    shown = ", ".join(f"{one.name} ({one.host} port {one.port})" for one in configured.listeners)
    return [*lines, f"shown to {shown}"] if shown else lines


class BindingRefusals:
    """Reports bound commands that were refused: one line for a person and an ``/event``, at most once a second."""

    def __init__(self, server: OscServer, tell: Callable[[str], None]) -> None:
        self._server = server
        self._tell = tell
        self._lines = LogThrottle()

    def report(self, line: str) -> None:
        """Report one refusal."""
        held = self._lines.admit(_CAUSE, time.monotonic())
        if held is None:
            return
        whole = f"refused: {line}" + (f" (and {held} more)" if held else "")
        self._tell(whole)
        self._server.publish({"/event": (whole,)})
