"""The bench: what the daemon does with commands that arrive and notes that are heard.

Everything here runs on the one asyncio loop. Order of things: decide, commit, then announce.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from oscservice import __version__
from oscservice.advice.remains import StringRemains
from oscservice.daemon.heeding import NOT_HEEDED, Heeding
from oscservice.daemon.keeper import Keeper
from oscservice.daemon.notes import Bending, reading
from oscservice.daemon.orders import REFUSAL_CODES, order
from oscservice.daemon.plugged import Plugged
from oscservice.daemon.recording import Recording
from oscservice.daemon.simulated import SimulatedSource
from oscservice.daemon.telling import sentence
from oscservice.daemon.told import MOST_CHARACTERS, Topic, cause, checked
from oscservice.daemon.topics import changed, topics
from oscservice.errors import JournalError
from oscservice.hearing import listener as heard
from oscservice.instrument.profile import load_named
from oscservice.instrument.spec import Instrument
from oscservice.osc.addresses import DEFAULT_PREFIX, Address
from oscservice.osc.codes import ErrorCode, OscRefusal
from oscservice.osc.networks import Networks
from oscservice.osc.peer import Peer
from oscservice.osc.server import OscServer
from oscservice.plugins.registry import Registry
from oscservice.record.journal import SessionRow
from oscservice.record.recorder import Recorder
from oscservice.sentences.table import ENGLISH, Sentences
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.asking import asked
from oscservice.session.identifying import identified
from oscservice.session.remaining import compared, remaining
from oscservice.session.state import State
from oscservice.session.surveying import finding_from_json
from oscservice.session.words import Phase

log = logging.getLogger(__name__)

HEARTBEAT_S = 1.0

REMAINS, REMAINS_SPREAD = "/string/{string}/remains", "/string/{string}/remains/spread"

ON_THE_BENCH = "."
"""Name of the instrument that the daemon was started with, for bindings that can't know it."""

CLIPS = "the input clips: turn it down, or pluck less hard"

PROTOCOL = 1
"""Number of the address space; it goes up when an address changes its meaning."""


class Bench:
    """Commands and notes in, changes of state out.

    Args:
        keeper: the session and its journal.
        tell: takes one line for a person at each change of state.
        instruments: instruments by name beside the presets: the ones the daemon was started with.
        instrument_folder: where else instruments may be asked for by name.
        tolerance_cents: of sessions begun without one.
        by_hand: sessions begun here advance only when told to.
        string_a_channel: each channel of the source is one string's.
        simulated: the simulated source, if that is what is listened to.
        recorder: the keeper's, if it has one, whose faults are to be told.
        prefix: root of the addresses.
        sentences: what prompts are read from.
        bend_range_semitones: what a whole pitch bend is; 0: no bends are sent.
        plugged: the plug-ins at work.
        allowed: networks that packets are taken from, beside this machine.
    """

    def __init__(
        self,
        keeper: Keeper,
        *,
        tell: Callable[[str], None],
        instruments: dict[str, Instrument] | None = None,
        instrument_folder: Path,
        tolerance_cents: float = 2.0,
        by_hand: bool = False,
        string_a_channel: bool = False,
        simulated: SimulatedSource | None = None,
        recorder: Recorder | None = None,
        prefix: str = DEFAULT_PREFIX,
        sentences: Sentences = ENGLISH,
        bend_range_semitones: int = 0,
        plugged: Plugged | None = None,
        allowed: Networks | None = None,
    ) -> None:
        self._keeper = keeper
        self._recording = Recording(recorder)
        self._tell = tell
        self._instruments = dict(instruments or {})
        self._instrument_folder = instrument_folder
        self._tolerance_cents = tolerance_cents
        self._by_hand = by_hand
        self._string_a_channel = string_a_channel
        self._simulated = simulated
        self._sentences = sentences
        self._bending = Bending(bend_range_semitones)
        self._heeding = Heeding()
        self._plugged = plugged or Plugged(Registry(), tell)
        self._began_s = time.monotonic()
        self._audio_state = "starting"
        self._audio_fault = ""
        self._audio_dropped = 0
        self._sounding: dict[int, int] = {}
        self._sent: dict[str, Topic] = {}
        self._left: tuple[State, dict[int, StringRemains]] | None = None
        self._over = False
        self.server = OscServer(
            self._handle, snapshot=self.snapshot, prefix=prefix, simulated=simulated is not None, allowed=allowed
        )
        self._sent = self.snapshot()
        self._present()

    def close(self) -> None:
        """Take leave of subscribers. What the ears hand over after that is left alone: the journal may be shut."""
        self._over = True
        self.server.close()

    def snapshot(self) -> dict[str, Topic]:
        """Every topic there is now; the prompt last."""
        offered = self.offered()
        own: dict[str, Topic] = {
            "/audio/state": (self._audio_state,),
            "/audio/fault": (self._audio_fault,),
            "/audio/dropped": (self._audio_dropped,),
            "/session/id": (self._keeper.session_id,),
            "/session/offered": (offered.id if offered is not None else "",),
            **self._recording.topics(),
            **self._bending.topics(),
            **self._heeding.topics(self._keeper.state),
            **self._plugged.topics(),
        }
        return own | topics(self._keeper.state, self._sentences)

    def offered(self) -> SessionRow | None:
        """An open session that can be taken up, while nothing is on the bench."""
        if self._keeper.state.phase is not Phase.IDLE:
            return None
        try:
            return self._keeper.offered()
        except JournalError as error:  # the state goes out all the same
            log.error("no open session can be offered: %s", error)
            return None

    def expected_hz(self, channel: int) -> tuple[float, ...]:
        """The pitches asked for now: the place waited for, and every open string that could be plucked."""
        state = self._keeper.state
        if state.instrument is None:
            return ()
        numbers = [channel + 1] if self._string_a_channel else list(state.numbers)
        pitches = [state.instrument.open_hz(n) for n in numbers if n in state.numbers]
        waited = asked(state)
        if waited is not None and waited[0] in numbers:
            pitches.append(state.instrument.place_hz(*waited))
        return tuple(pitches)

    async def beat(self) -> None:
        """Send a heartbeat each second until cancelled, and try to record what could not be recorded."""
        self._tell_of_record()
        while True:
            await asyncio.sleep(HEARTBEAT_S)
            if self._keeper.try_again():
                self._announce([])
            self._tell_of_record()
            self._plugged.look()
            self.server.publish({"/alive": self._alive()})

    def _tell_of_record(self) -> None:
        for line in self._recording.news():
            self._tell(line)
        for line in self._recording.to_send(heard=bool(self.server.subscribers.targets())):
            self.server.publish({"/event": (line,)})

    def audio_state(self, state: str, fault: str | None = None) -> None:
        """Take note of how the source is."""
        if self._over:
            return
        if fault:
            self._tell(fault)
        if state != self._audio_state:
            self._tell(f"audio: {state}")
        self._audio_state = state
        self._audio_fault = fault or ("" if state == "running" else self._audio_fault)
        self._announce([])

    def plugin_failed(self, line: str) -> None:
        """Tell of a plug-in that was put away."""
        self._tell(line)
        if not self._over:
            self.server.publish({"/event": (line,)})
            self._announce([])

    def audio_dropped(self, frames: int) -> None:
        """Take note of how many frames were lost since the start."""
        if frames != self._audio_dropped and not self._over:
            self._audio_dropped = frames
            self._announce([])

    def resume(self, session_id: str) -> None:
        """Go on with an open session; the news goes out when the loop comes to it. Raises Refused or JournalError."""
        self._keeper.resume(session_id)
        self._present()
        self._tell(f"session {session_id} taken up again; phase: {self._keeper.state.phase}")
        asyncio.get_running_loop().call_soon(self._announce, [])

    def hear(self, channel: int, events: Sequence[heard.Event]) -> None:
        """Take what was heard in a channel."""
        only = channel + 1 if self._string_a_channel else None
        for event in () if self._over else events:
            match event:
                case heard.Live():
                    self._live(event, channel, only)
                case heard.Heard(onset_s=onset_s, reading=reading):
                    self._still(channel)
                    self._input_clips("clipped" in reading.flags)
                    self._take(cm.Hear(reading, only, onset_s))
                case heard.Dismissed(reason=reason):
                    self._still(channel)
                    self.server.publish({"/reading/ignored": (reason,)})

    def _input_clips(self, clips: bool) -> None:
        """Say so when a note clipped, and take it back when the next one did not."""
        if clips != (self._audio_fault == CLIPS) and self._audio_state == "running":
            if clips:
                self._tell(CLIPS)
            self._audio_fault = CLIPS if clips else ""
            self._announce([])

    def _take(self, command: cm.Hear) -> None:
        try:
            if not self._heeding.on:
                raise cm.Ignored(NOT_HEEDED)
            events = self._keeper.carry_out(command)
        except cm.Ignored as reason:
            self.server.publish({"/reading/ignored": (str(reason),)})
        except JournalError as error:
            log.error("a reading is lost: %s", error)
            self._tell(f"a reading could not be recorded and is not used: {error}")
            self.server.publish({"/reading/ignored": (f"could not be recorded: {error}",)})
        else:
            self._present()
            self._announce(events, self._keeper.state.instrument)
            self._plugged.take(self._keeper.session_id, events)

    def _handle(
        self, address: Address, params: dict[str, int], args: tuple[int | float | str | bytes, ...], sender: Peer
    ) -> Sequence[int | float | str]:
        values = tuple(value for value in args if not isinstance(value, bytes))
        if address.path == "/status":
            return (*self._alive(), str(self._keeper.state.phase), *self.server.traffic())
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
            asyncio.get_running_loop().call_soon(self._announce, [])
            return ()
        number = params.get("string", 0)
        command = order(address.path, number, values, self._load, self._tolerance_cents, self._sealed)
        if command is None:
            raise OscRefusal(ErrorCode.UNKNOWN_ADDRESS, "no such command")
        if isinstance(command, cm.Listen):
            return self._listen(command)
        if isinstance(command, cm.Begin):
            command = replace(self._keeper.with_past(command), by_hand=self._by_hand)
        try:
            events = self._keeper.carry_out(command)
        except cm.Refused as refusal:
            raise OscRefusal(REFUSAL_CODES[refusal.code], refusal.text) from None
        self._present()
        # The reply goes out first, then what changed.
        asyncio.get_running_loop().call_soon(self._announce, events, self._keeper.state.instrument)
        asyncio.get_running_loop().call_soon(self._plugged.take, self._keeper.session_id, events)
        return (self._keeper.session_id,) if isinstance(command, cm.Begin | cm.Quick) else ()

    def _listen(self, command: cm.Listen) -> Sequence[str]:
        """Use what is heard from now on, or don't."""
        line = self._heeding.set(command.on, self._keeper.state)
        if command.on and not self._keeper.state.listening:  # an older journal's session
            self._keeper.carry_out(command)
        asyncio.get_running_loop().call_soon(self._listened, line)
        return ()

    def _listened(self, line: str) -> None:
        if line and not self._over:
            self._tell(line)
            self.server.publish({"/event": (line,)})
        self._announce([])

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
            self.resume(session_id)
        except cm.Refused as refusal:
            raise OscRefusal(REFUSAL_CODES[refusal.code], refusal.text) from None
        except JournalError as error:
            raise OscRefusal(ErrorCode.REFUSED, str(error)) from None
        return (session_id,)

    def _load(self, name: str) -> Instrument:
        if name == ON_THE_BENCH and self._instruments:
            return next(iter(self._instruments.values()))
        return self._instruments.get(name) or load_named(name, self._instrument_folder, self._plugged.kinds)

    def _sealed(self, instrument: Instrument) -> str:
        """How the last sealed session of an instrument left it, as JSON; empty if there is none."""
        try:
            found = self._keeper.last_sealed(instrument)
        except JournalError as error:
            raise OscRefusal(ErrorCode.REFUSED, f"the last sealed session can't be read: {error}") from None
        return "" if found is None else found.to_json()

    def _present(self) -> None:
        """Let the server know what is on the bench: addresses come and go with it."""
        state = self._keeper.state
        self.server.present(
            string_count=len(state.strings),
            fret_count=state.instrument.frets if state.instrument is not None else 0,
            items=tuple(name for name, _ in state.items),
            phase=str(state.phase),
        )

    def _alive(self) -> tuple[int, int, str]:
        uptime = int(time.monotonic() - self._began_s)
        return uptime, len(self.server.subscribers.targets()), self._audio_state

    def _announce(self, events: Sequence[ev.Event], instrument: Instrument | None = None) -> None:
        """Send readings, of this instrument, sentences and the topics that changed; the prompt comes last."""
        if self._over:
            return
        for event in events:
            if isinstance(event, ev.ReadingTaken) and instrument is not None:
                self.server.publish({"/reading": reading(event, instrument)} | self._bending.read(event, instrument))
            if isinstance(event, ev.StringChecked):
                self.server.publish({"/check/string": checked(event)})
            if isinstance(event, ev.CauseNamed):
                self.server.publish({"/cause": cause(finding_from_json(event.finding))})
            if isinstance(event, ev.ChangeNoticed):
                self.server.publish({"/change": (event.what, event.text[:MOST_CHARACTERS])})
            line = sentence(event)
            if line is not None:
                self._tell(line)
                self.server.publish({"/event": (line,)})
        self._tell_of_record()
        now = self.snapshot()
        self.server.publish(changed(self._sent, now))
        self._sent = now

    def _live(self, event: heard.Live, channel: int, only: int | None) -> None:
        state = self._keeper.state
        if state.instrument is None:
            return
        found = identified(state, event.hz, only_string=only).best
        if found is None:
            return
        root = f"/string/{found.string}"
        values: dict[str, Topic] = {}
        if self._sounding.get(channel) != found.string:
            self._still(channel)
            self._sounding[channel] = found.string
            values[f"{root}/sounding"] = (1,)
        values |= {
            f"{root}/hz": (event.hz,),
            f"{root}/cents": (found.cents,),
            f"{root}/level": (event.level_dbfs,),
        }
        values |= self._bending.live(found.string, found.cents)
        self.server.publish(values)

    def _still(self, channel: int) -> None:
        number = self._sounding.pop(channel, None)
        if number is not None:
            self.server.publish({f"/string/{number}/sounding": (0,)})
