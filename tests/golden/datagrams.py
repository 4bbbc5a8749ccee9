"""The messages the daemon sends while a golden session is driven over OSC: all messages to one subscriber of all
topics, and the answers to its commands. There is no socket, and the clocks are made up.

``datagrams/NAME.jsonl.gz`` has a line for each message, in order: address, type tags and arguments. A line before them
says what caused them (``> /bench/session/next``, ``> heard``).
"""

from __future__ import annotations

import asyncio
import itertools
import json
import struct
import tempfile
import unittest.mock
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import packets
from golden.sessions import SESSIONS, set_up_before
from made_up_session import clock

from oscservice.daemon.coordinator import Coordinator
from oscservice.daemon.session_service import SessionService
from oscservice.hearing.listener import LiveReading, NoteDismissed, NoteHeard
from oscservice.instrument.spec import Instrument
from oscservice.osc.peer import Peer, Transport
from oscservice.osc.server import OscServer
from oscservice.record.journal import Journal
from oscservice.session import commands as cm

DRIVEN = ("thorough", "floating", "quick_drifted")
"""Sessions that are driven over OSC."""

Argument: TypeAlias = int | float | str
Call: TypeAlias = tuple[str, Sequence[Argument]]

_CLIENT = Peer("127.0.0.1", 5000)
_FOLDER = Path("no-instruments-here")
_LAST = "/bench/prompt"
_STATE_S = 30.0
_TICK_S = 0.05
_PING_EVERY = 20  # messages that a client of the real daemon would send anyhow, so that its lease does not end


class _Wire:
    """Keeps what is sent."""

    lost = 0

    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send(self, packet: bytes, peer: Peer) -> bool:
        assert peer == _CLIENT
        self.sent.append(packet)
        return True

    def close(self) -> None:
        pass

    def __len__(self) -> int:
        return 0


def driven(name: str) -> tuple[list[str], list[bytes | None]]:
    """Return the lines of a session's file and the bytes of each message; None for a line that names a cause."""
    commands = SESSIONS[name]().commands
    before = set_up_before()[0].commands if isinstance(commands[0], cm.Quick) else []
    with tempfile.TemporaryDirectory() as folder, Journal.open(Path(folder) / "journal.sqlite3") as journal:
        service = SessionService(journal, clock)
        for command in before:
            service.carry_out(command)
        ticks = itertools.count()
        # Each look at the clock is a moment later: no value is held back for coming too soon after the last.
        with unittest.mock.patch.dict(OscServer.__init__.__kwdefaults__, clock=lambda: _TICK_S * next(ticks)):
            return asyncio.run(_drive(service, commands))


async def _drive(service: SessionService, commands: Sequence[cm.Command]) -> tuple[list[str], list[bytes | None]]:
    first = commands[0]
    assert isinstance(first, cm.Begin | cm.Quick)
    instrument = first.instrument
    bench = Coordinator(
        service, tell=lambda _: None, instruments={instrument.name: instrument}, instrument_folder=_FOLDER
    )
    wire, lines, sent = _Wire(), list[str](), list[bytes | None]()
    bench.server.attach(Transport.UDP, wire)
    bench.server.bound("127.0.0.1", 9000)

    async def tell(why: str, do: Callable[[], object]) -> None:
        lines.append(f"> {why}")
        sent.append(None)
        do()
        for _ in range(4):  # what is announced is sent when the loop comes to it
            await asyncio.sleep(0)
        lines.extend(map(line_of, wire.sent))
        sent.extend(wire.sent)
        wire.sent.clear()

    async def call(address: str, *arguments: Argument) -> None:
        packet = encoded("/bench" + address, arguments)
        await tell(f"/bench{address}", lambda: bench.server.receive(packet, _CLIENT))

    await tell("subscribed", lambda: bench.server.receive(encoded("/bench/subscribe", ()), _CLIENT))
    async with asyncio.timeout(_STATE_S):
        while json.loads(lines[-1])[0] != _LAST:  # the whole state comes little by little
            await asyncio.sleep(0.01)
            lines.extend(map(line_of, wire.sent))
            sent.extend(wire.sent)
            wire.sent.clear()
    await tell("audio", lambda: bench.audio_state("running"))
    for address, arguments in _QUESTIONS:
        await call(address, *arguments)
    for number, command in enumerate(commands):
        if isinstance(command, cm.Hear):
            heard = NoteHeard(command.onset_s or 0.0, command.reading)
            await tell("heard", lambda heard=heard: bench.hear(0, [heard]))
        else:
            address, arguments = _call_of(command)
            await call(address, *arguments)
        if number % _PING_EVERY == 1:
            await call("/ping")
        if number == 1:
            for live in _lives(instrument):
                await tell("sounds", lambda live=live: bench.hear(0, [live]))
            await tell("dismissed", lambda: bench.hear(0, [NoteDismissed(1.0, "too short")]))
    for address, arguments in _REFUSED:
        await call(address, *arguments)
    for string in range(1, len(instrument.strings) + 2):
        await call(f"/string/{string}/remains")
        await call(f"/string/{string}/remains/spread")
    await tell("audio", lambda: bench.audio_state("ended", "the input is gone"))
    await call("/unsubscribe")
    bench.close()
    return lines, sent


_QUESTIONS: tuple[Call, ...] = (
    ("/session/begin", ("lute", "nobody knows it")),
    ("/session/next", ()),
    ("/check/sets", ()),
    ("/bend/set", (2,)),
    ("/nowhere", ()),
    ("/string/1/moved", ("far",)),
)
_REFUSED: tuple[Call, ...] = (
    ("/session/finish", ()),
    ("/string/9/focus", ()),
    ("/string/*/overrule", ()),
    ("/string/1/moved", (900.0,)),
    ("/session/resume", ("2026-11-25-9",)),
    ("/listen", (0,)),
    ("/listen", (1,)),
)


def _lives(instrument: Instrument) -> Iterator[LiveReading]:
    """Two strings sound in turn, as their open notes."""
    for number in (1, 2, 2):
        yield LiveReading(0.5, instrument.open_hz(number) * 1.002, 0.2, -20.0)


def _call_of(command: cm.Command) -> Call:
    """The message that asks for a command."""
    match command:
        case cm.Begin(instrument=instrument, label=label, tolerance_cents=tolerance, frets=frets):
            return "/session/begin", (instrument.name, label, tolerance, frets)
        case cm.Quick(instrument=instrument):
            return "/session/quick", (instrument.name,)
        case cm.Inspect(item=item, verdict=verdict, note=note):
            return "/session/inspect", (item, verdict, note)
        case cm.Measured(what=what, value_mm=mm):
            return "/session/measured", (what, mm)
        case cm.Fitted(day=day):
            return "/session/fitted", (day,)
        case cm.Next() | cm.Undo():
            return f"/session/{type(command).__name__.lower()}", ()
        case cm.Focus(string=string):
            return f"/string/{string}/focus", ()
        case cm.SetAside(string=string, reason=reason):
            return f"/string/{string}/set_aside", (reason,)
        case cm.Discard():
            return "/reading/discard", ()
    raise AssertionError(f"no driven session has {command}")


# Bytes


def encoded(address: str, arguments: Sequence[Argument]) -> bytes:
    """An OSC message, put together here so that the program's own encoder is checked by it."""
    tags, data = "", b""
    for one in arguments:
        tags += "s" if isinstance(one, str) else "f" if isinstance(one, float) else "i"
        data += packets.padded(one.encode()) if isinstance(one, str) else struct.pack(f">{tags[-1]}", one)
    return packets.message(address.encode(), tags.encode(), data)


def line_of(packet: bytes) -> str:
    """A message's line; its floats as short as 32 bits allow."""
    address, rest = _text(packet)
    tags, rest = _text(rest)
    arguments: list[Any] = []
    for tag in tags[1:]:
        if tag == "s":
            text, rest = _text(rest)
            arguments.append(text)
            continue
        value = struct.unpack(f">{tag}", rest[:4])[0]
        arguments.append(float(str(np.float32(value))) if tag == "f" else value)
        rest = rest[4:]
    assert not rest, packet
    return json.dumps([address, tags, *arguments])


def _text(data: bytes) -> tuple[str, bytes]:
    end = data.index(b"\0")
    return data[:end].decode(), data[(end // 4 + 1) * 4 :]
