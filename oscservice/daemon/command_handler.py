"""OSC commands carried out: from a call to a session command, and to its answer.

From an OSC call to a session command. Pure, but for looking up an instrument by name.

The desk: what comes over OSC, and what it is answered with. What follows from it, the bench announces.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from oscservice import __version__
from oscservice.advice.remaining_errors import StringRemains
from oscservice.api.address_table import Address
from oscservice.api.argument_values import ErrorCode, OscRefusal
from oscservice.api.note_messages import Bending
from oscservice.daemon.listening_gate import ListeningGate
from oscservice.daemon.plugin_service import PluginService
from oscservice.daemon.recording_checks import Checks
from oscservice.daemon.session_service import SessionService
from oscservice.daemon.simulated_source import SimulatedSource
from oscservice.errors import InputError, JournalError
from oscservice.instrument.instrument_file import load_named
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.osc.packet import Value
from oscservice.osc.peer import Peer
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.state import State
from oscservice.session.summarize import compared, remaining

Values = tuple[int | float | str, ...]

REFUSAL_CODES: dict[str, ErrorCode] = {
    "phase": ErrorCode.WRONG_PHASE,
    "missing": ErrorCode.NOT_FOUND,
    "range": ErrorCode.OUT_OF_RANGE,
    "refused": ErrorCode.REFUSED,
}


def order(
    path: str,
    string: int,
    values: Values,
    load: Callable[[str], Instrument],
    tolerance_cents: float,
    sealed: Callable[[Instrument], str] = lambda _: "",
) -> cm.Command | None:
    """The command that a declared command address with checked arguments stands for, or None if it is none.

    Args:
        path: declared relative address, placeholders in braces.
        string: what ``{string}`` stands for, 0 if it isn't in the address.
        values: the arguments, as declared.
        load: gives an instrument by name; raises InputError.
        tolerance_cents: tolerance of a session begun without one.
        sealed: gives what a quick check of an instrument is held against (``session.standing``, JSON); empty for none.

    Raises:
        OscRefusal: the instrument or the place isn't known.
    """
    match path, values:
        case "/session/begin", (str(name), str(label), *rest):
            tolerance = float(rest[0]) if rest else tolerance_cents
            return cm.Begin(_instrument(name, load), label, tolerance, str(rest[1]) if len(rest) > 1 else "")
        case "/session/quick", (str(name), *rest):
            instrument = _instrument(name, load)
            return cm.Quick(instrument, sealed(instrument), float(rest[0]) if rest else None)
        case "/session/inspect", (str(item), str(verdict), *rest):
            return cm.Inspect(item, verdict, str(rest[0]) if rest else "")
        case "/session/measured", (str(what), float(mm)):
            return cm.Measured(what, mm)
        case "/session/fitted", (str(day),):
            return cm.Fitted(day)
        case "/session/next", ():
            return cm.Next()
        case "/session/undo", ():
            return cm.Undo()
        case "/session/finish", ():
            return cm.Finish()
        case "/session/abandon", ():
            return cm.Abandon()
        case "/string/{string}/focus", (*rest,):
            return cm.Focus(string, _place(str(rest[0])) if rest and rest[0] else None)
        case "/string/{string}/slackened", ():
            return cm.Slackened(string)
        case "/string/{string}/moved", (float(mm),):
            return cm.Moved(string, mm)
        case "/string/{string}/turned", (float(turns),):
            return cm.Turned(string, turns)
        case "/string/{string}/set_aside", (str(reason),):
            return cm.SetAside(string, reason)
        case "/string/{string}/overrule", ():
            return cm.Overrule(string)
        case "/string/{string}/plucked", (*rest,):
            return cm.Plucked(string, _place(str(rest[0])) if rest and rest[0] else None)
        case "/reading/discard", ():
            return cm.Discard()
        case "/session/by_hand", (int(on),):
            return cm.ByHand(bool(on))
        case "/listen", (int(on),):
            return cm.Listen(bool(on))
    return None


def _place(text: str) -> Place:
    try:
        return Place.parse(text)
    except ValueError as error:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, str(error)) from None


def _instrument(name: str, load: Callable[[str], Instrument]) -> Instrument:
    try:
        return load(name)
    except InputError as error:
        raise OscRefusal(ErrorCode.NOT_FOUND, str(error)) from None


REMAINS, REMAINS_SPREAD = "/string/{string}/remains", "/string/{string}/remains/spread"

CHECKS = ("/check/run", "/check/stop", "/check/sets")

ON_THE_BENCH = "."
"""Name of the instrument that the daemon was started with, for bindings that can't know it."""

PROTOCOL = 2
"""Number of the address space; it goes up when an address changes its meaning."""


@dataclass(frozen=True)
class Begun:
    """What sessions begin with.

    Attributes:
        instruments: by name, beside the presets: the one the daemon was started with.
        folder: where else instruments may be asked for by name.
        tolerance_cents: of sessions begun without one.
        by_hand: they advance only when told to.
    """

    folder: Path
    instruments: dict[str, Instrument]
    tolerance_cents: float
    by_hand: bool


class Announcer(Protocol):
    """Who tells everybody what has changed. What it is asked for here goes out after the answer."""

    def alive(self) -> tuple[int, int, str]:
        """Uptime in seconds, subscribers, state of the audio source."""

    def traffic(self) -> tuple[int, ...]:
        """What came and went over OSC so far."""

    def changed(self, events: Sequence[ev.Event]) -> None:
        """The session has gone on by these events."""

    def say(self, line: str) -> None:
        """Something else than the session has changed; a line for a person, if there is one."""

    def resume(self, session_id: str) -> None:
        """Go on with an open session. Raises Refused or JournalError."""


class CommandHandler:
    """Carries out commands and answers questions.

    Args:
        keeper: the session and its journal.
        announcer: tells of what follows.
        begun: what sessions begin with.
        bending: deviations as pitch bends.
        heeding: whether what is heard is used.
        plugged: the plug-ins at work.
        simulated: the simulated source, if that is what is listened to.
        checks: of recordings.
    """

    def __init__(
        self,
        keeper: SessionService,
        announcer: Announcer,
        begun: Begun,
        bending: Bending,
        heeding: ListeningGate,
        plugged: PluginService,
        simulated: SimulatedSource | None,
        checks: Checks,
    ) -> None:
        self._keeper = keeper
        self._announcer = announcer
        self._begun = begun
        self._bending = bending
        self._heeding = heeding
        self._plugged = plugged
        self._simulated = simulated
        self._checks = checks
        self._left: tuple[State, dict[int, StringRemains]] | None = None

    def handle(
        self, address: Address, params: dict[str, int], values: tuple[Value, ...], sender: Peer
    ) -> Sequence[Value]:
        """Carry out one command, or answer one question; gives what follows the address in the reply.

        Raises:
            OscRefusal: it can't be.
        """
        if address.path == "/status":
            return (*self._announcer.alive(), str(self._keeper.state.phase), *self._announcer.traffic())
        if address.path == "/version":
            return ("oscservice", __version__, PROTOCOL)
        if address.path == "/session/resume":
            return self._resume(str(values[0]))
        if address.simulated:
            if self._simulated is None:
                raise OscRefusal(ErrorCode.REFUSED, "only the simulated source takes this command")
            try:
                return self._simulated.carry_out(address.path, values)
            except ValueError as error:
                raise OscRefusal(ErrorCode.REFUSED, str(error)) from None
        if address.path in (REMAINS, REMAINS_SPREAD):
            return self._remains(params["string"], spread=address.path == REMAINS_SPREAD)
        if address.path == "/bend/set":
            self._bending.range_semitones = int(values[0])
            self._announcer.say("")
            return ()
        if address.path in CHECKS:
            return self._check(address.path, values)
        number = params.get("string", 0)
        command = order(address.path, number, values, self._load, self._begun.tolerance_cents, self._sealed)
        if command is None:
            raise OscRefusal(ErrorCode.UNKNOWN_ADDRESS, "no such command")
        if isinstance(command, cm.Listen):
            return self._listen(command)
        if isinstance(command, cm.Begin):
            command = replace(self._keeper.with_past(command), by_hand=self._begun.by_hand)
        try:
            events = self._keeper.carry_out(command)
        except cm.Refused as refusal:
            raise OscRefusal(REFUSAL_CODES[refusal.code], refusal.text) from None
        self._announcer.changed(events)
        return (self._keeper.session_id,) if isinstance(command, cm.Begin | cm.Quick) else ()

    def _listen(self, command: cm.Listen) -> Sequence[str]:
        """Use what is heard from now on, or don't."""
        line = self._heeding.set(command.on, self._keeper.state)
        if command.on and not self._keeper.state.listening:  # an older journal's session
            self._keeper.carry_out(command)
        self._announcer.say(line)
        return ()

    def _check(self, path: str, values: tuple[Value, ...]) -> Sequence[str]:
        """Begin or stop a check of recordings, or tell which there can be."""
        if path == "/check/sets":
            return self._checks.names()
        if path == "/check/run":
            self._checks.run(str(values[0]))
        else:
            self._checks.stop()
        return ()

    def _remains(self, number: int, *, spread: bool) -> Sequence[float]:
        """The error at every fret of a string, or its standard errors."""
        state = self._keeper.state
        if number not in state.numbers:
            raise OscRefusal(ErrorCode.NOT_FOUND, f"string {number} isn't there")
        if number not in compared(state):
            raise OscRefusal(ErrorCode.WRONG_PHASE, f"string {number} was not compared yet: pluck it open and fretted")
        if self._left is None or self._left[0] is not state:  # a client asks for one string after the other
            self._left = state, remaining(state)
        left = self._left[1][number]
        return left.se_cents if spread else left.errors_cents

    def _resume(self, session_id: str) -> Sequence[str]:
        try:
            self._announcer.resume(session_id)
        except cm.Refused as refusal:
            raise OscRefusal(REFUSAL_CODES[refusal.code], refusal.text) from None
        except JournalError as error:
            raise OscRefusal(ErrorCode.REFUSED, str(error)) from None
        return (session_id,)

    def _load(self, name: str) -> Instrument:
        own = self._begun.instruments
        if name == ON_THE_BENCH and own:
            return next(iter(own.values()))
        return own.get(name) or load_named(name, self._begun.folder, self._plugged.kinds)

    def _sealed(self, instrument: Instrument) -> str:
        """How the last sealed session of an instrument left it, as JSON; empty if there is none."""
        try:
            found = self._keeper.last_sealed(instrument)
        except JournalError as error:
            raise OscRefusal(ErrorCode.REFUSED, f"the last sealed session can't be read: {error}") from None
        return "" if found is None else found.to_json()
