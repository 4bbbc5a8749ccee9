"""``oscservice listen-in``: messages of a control surface, and bindings for them."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.cli.console import print_at_once
from oscservice.defaults import DEFAULT_HOST, DEFAULT_PORT, DEFAULT_ROOT
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from oscservice.bindings.observed_messages import ObservedMessages
    from oscservice.osc.peer import Peer

NEWS_S = 1.0


def listen_in(
    port: Annotated[int, typer.Option(help="Port that the surface sends to; 0 chooses a free one.")] = DEFAULT_PORT,
    host: Annotated[str, typer.Option(help="Address to listen on; 0.0.0.0 is all of this machine.")] = DEFAULT_HOST,
    seconds: Annotated[
        float | None, typer.Option(min=0.1, help="End after so many seconds; by default at Ctrl-C.")
    ] = None,
    root: Annotated[str, typer.Option(help="Root of the daemon's own addresses.")] = DEFAULT_ROOT,
    toml: Annotated[bool, typer.Option("--toml", help="Print the bindings only.")] = False,
) -> None:
    """Show what arrives until interrupted, or for the given time; then offer the bindings.

    Raises PortError: the port is taken, most likely by the daemon itself.
    """
    # These take long to import, and the help needs none of them.
    import asyncio

    from oscservice.bindings.observed_messages import MOST_ADDRESSES, ObservedMessages, offers

    overheard = ObservedMessages()
    say: Callable[[str], None] = (lambda line: None) if toml else print_at_once
    asyncio.run(_listen(overheard, host, port, seconds, say))
    bindings = offers(overheard, root)
    if overheard.bad:
        say(f"packets that were no OSC: {overheard.bad}")
    if overheard.beyond:
        say(f"messages left out, at addresses beyond the first {MOST_ADDRESSES}: {overheard.beyond}")
    if bindings:
        say("\nFor the settings file; fill in the command for each:\n")
        print_at_once("\n\n".join(bindings))
    else:
        say("nothing arrived: does the surface send to this address and port?")


class _Listener:
    """Takes packets from all links, and never answers."""

    def __init__(self, overheard: ObservedMessages, say: Callable[[str], None]) -> None:
        self._overheard = overheard
        self._say = say

    def admit(self, sender: Peer) -> bool:
        return True

    def welcome(self, sender: Peer) -> bool:
        return True

    def wait_s(self, sender: Peer) -> float:
        return 0.0

    def drop(self, sender: Peer) -> None:
        pass

    def carry_out(self, packet: bytes, sender: Peer) -> None:
        self.receive(packet, sender)

    def receive(self, packet: bytes, sender: Peer) -> None:
        from oscservice.osc.packet import PacketError, decode_from

        try:
            timed = decode_from(packet, sender.transport)
        except PacketError as error:
            self.bad(str(error), len(packet), sender)
            return
        for one in timed:
            new = self._overheard.take(one.message, f"{sender.host} ({sender.transport})")
            if new is not None:
                self._say(str(new))

    def bad(self, reason: str, size: int, sender: Peer) -> None:
        if not self._overheard.bad:
            self._say(f"not OSC: {reason} ({counted(size, 'byte')} from {sender})")
        self._overheard.bad += 1

    def gone(self, peer: Peer) -> None:
        pass


async def _listen(
    overheard: ObservedMessages, host: str, port: int, seconds: float | None, say: Callable[[str], None]
) -> None:
    import asyncio

    from oscservice.osc.ports import bound_pair
    from oscservice.osc.tcp import TcpLink
    from oscservice.osc.udp import UdpLink

    udp, tcp = bound_pair(host, port)
    listener = _Listener(overheard, say)
    streams = TcpLink(listener)
    streams.serve(await asyncio.get_running_loop().create_server(streams.connection, sock=tcp))
    datagrams = UdpLink(udp, listener)
    stop = asyncio.Event()
    for sign in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(sign, stop.set)
    say(f"listening in on {host} port {udp.getsockname()[1]}, UDP and TCP; Ctrl-C ends it")
    news = asyncio.create_task(_say_news(overheard, say))
    try:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), seconds)
    finally:
        news.cancel()
        datagrams.close()
        streams.close()


async def _say_news(overheard: ObservedMessages, say: Callable[[str], None]) -> None:
    import asyncio

    while True:
        await asyncio.sleep(NEWS_S)
        for heard in overheard.news():
            say(str(heard))
