"""The bench: what the daemon does with commands that arrive and notes that are heard.

Everything here runs on the one asyncio loop. Order of things: decide, commit, then announce.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Sequence
from itertools import zip_longest
from pathlib import Path

from oscservice.api.address_table import DEFAULT_PREFIX, address_space
from oscservice.api.event_text import sentence
from oscservice.api.note_messages import Bending, reading
from oscservice.api.topics import MOST_CHARACTERS, Topic, cause, changed, checked, topics
from oscservice.daemon.audio_thread import Sounds
from oscservice.daemon.command_context import DaemonContext, SessionDefaults
from oscservice.daemon.listening_gate import NOT_HEEDED, ListeningGate
from oscservice.daemon.live_values import LiveValues
from oscservice.daemon.plugin_service import PluginService
from oscservice.daemon.record_status import RecordStatus
from oscservice.daemon.recording_checks import Checks, Sets
from oscservice.daemon.session_service import SessionService
from oscservice.daemon.simulated_source import SimulatedSource
from oscservice.errors import JournalError
from oscservice.hearing import listener as heard
from oscservice.instrument.spec import Instrument
from oscservice.osc.address import AddressSpace
from oscservice.osc.peer import Networks
from oscservice.osc.server import OscServer
from oscservice.plugins.registry import Registry
from oscservice.record.journal import SessionRow
from oscservice.record.kept_sound import Stretch
from oscservice.record.recorder import Recorder
from oscservice.record.sound_writer import SoundWriter
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.next_pluck import expected_hz
from oscservice.session.survey import finding_from_json
from oscservice.session.vocabulary import Phase

log = logging.getLogger(__name__)

HEARTBEAT_S = 1.0

CLIPS = "the input clips: turn it down, or pluck less hard"


class Coordinator:
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
        sound: writes the sound that readings rest on, if it is kept.
        prefix: root of the addresses.
        sentences: what prompts are read from.
        bend_range_semitones: what a whole pitch bend is; 0: no bends are sent.
        plugged: the plug-ins at work.
        allowed: networks that packets are taken from, beside this machine.
        sets: sets of recordings that can be checked by name.
    """

    def __init__(
        self,
        keeper: SessionService,
        *,
        tell: Callable[[str], None],
        instruments: dict[str, Instrument] | None = None,
        instrument_folder: Path,
        tolerance_cents: float = 2.0,
        by_hand: bool = False,
        string_a_channel: bool = False,
        simulated: SimulatedSource | None = None,
        recorder: Recorder | None = None,
        sound: SoundWriter | None = None,
        prefix: str = DEFAULT_PREFIX,
        sentences: Sentences = ENGLISH,
        bend_range_semitones: int = 0,
        plugged: PluginService | None = None,
        allowed: Networks | None = None,
        sets: Sets | None = None,
    ) -> None:
        self._keeper = keeper
        self._recording = RecordStatus(recorder, sound)
        self._tell = tell
        self._string_a_channel = string_a_channel
        self._sentences = sentences
        self._bending = Bending(bend_range_semitones)
        self._heeding = ListeningGate()
        self._plugged = plugged or PluginService(Registry(), tell)
        self._began_s = time.monotonic()
        self._audio_state = "starting"
        self._audio_fault = ""
        self._audio_dropped = 0
        self._sent: dict[str, Topic] = {}
        self._over = False
        self.checks = Checks(sets or Sets(), lambda values: self.server.publish(values), self.say)
        self._prefix, self._simulated = prefix, simulated is not None
        defaults = SessionDefaults(instrument_folder, dict(instruments or {}), tolerance_cents, by_hand)
        self.context = DaemonContext(
            keeper, self, defaults, self._bending, self._heeding, self._plugged, simulated, self.checks
        )
        self.server = OscServer(self._address_space(), self.context, snapshot=self.snapshot, allowed=allowed)
        self._sounding = LiveValues(lambda values: self.server.publish(values), self._bending)
        self._sent = self.snapshot()

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
            **self.checks.topics(),
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
        """The pitches asked for now in a channel."""
        return expected_hz(self._keeper.state, channel + 1 if self._string_a_channel else None)

    async def beat(self) -> None:
        """Send a heartbeat each second until cancelled, and try to record what could not be recorded."""
        self._tell_of_record()
        while True:
            await asyncio.sleep(HEARTBEAT_S)
            name = self._keeper.session_id
            written = self._keeper.try_again()
            self._recording.renamed(name, self._keeper.session_id)
            if written or self._recording.sound_has_changed():
                self._announce([])
            self._tell_of_record()
            self.server.publish({"/alive": self.alive()})

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
        if self._over:
            self._tell(line)
        self._said(line)

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

    def traffic(self) -> tuple[int, ...]:
        """What came and went over OSC so far."""
        return self.server.traffic()

    def changed(self, events: Sequence[ev.Event]) -> None:
        """The session has gone on by these events: what goes out does when the loop comes to it."""
        self._present()
        loop = asyncio.get_running_loop()
        loop.call_soon(self._announce, events, self._keeper.state.instrument)
        loop.call_soon(self._plugged.take, self._keeper.session_id, events)

    def say(self, line: str) -> None:
        """Something else has changed: it goes out, after a line for a person, when the loop comes to it."""
        asyncio.get_running_loop().call_soon(self._said, line)

    def _said(self, line: str) -> None:
        if line and not self._over:
            self._tell(line)
            self.server.publish({"/event": (line,)})
        self._announce([])

    def hear(self, channel: int, events: Sequence[heard.ListenerEvent], sounds: Sounds = ()) -> None:
        """Take what was heard in a channel, and the sound of each where it is kept."""
        only = channel + 1 if self._string_a_channel else None
        for event, stretch in () if self._over else zip_longest(events, sounds):
            match event:
                case heard.LiveReading():
                    self._sounding.live(self._keeper.state, event, channel, only)
                case heard.NoteHeard(onset_s=onset_s, reading=reading):
                    self._sounding.still(channel)
                    self._input_clips("clipped" in reading.flags)
                    sound = "" if stretch is None else stretch.sound.to_json()
                    self._take(cm.Hear(reading, only, onset_s, sound), stretch)
                case heard.NoteDismissed(reason=reason):
                    self._sounding.still(channel)
                    self.server.publish({"/reading/ignored": (reason,)})

    def _input_clips(self, clips: bool) -> None:
        """Say so when a note clipped, and take it back when the next one did not."""
        if clips != (self._audio_fault == CLIPS) and self._audio_state == "running":
            if clips:
                self._tell(CLIPS)
            self._audio_fault = CLIPS if clips else ""
            self._announce([])

    def _take(self, command: cm.Hear, stretch: Stretch | None) -> None:
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
            self._recording.keep(self._keeper.session_id, self._keeper.last_seq, events, stretch)
            self._present()
            self._announce(events, self._keeper.state.instrument)
            self._plugged.take(self._keeper.session_id, events)

    @property
    def phase(self) -> Phase:
        """The session's."""
        return self._keeper.state.phase

    def _present(self) -> None:
        """Let the server know what is on the bench: addresses come and go with it."""
        self.server.present(self._address_space())

    def _address_space(self) -> AddressSpace:
        state = self._keeper.state
        return address_space(
            self._prefix,
            len(state.strings),
            fret_count=state.instrument.frets if state.instrument is not None else 0,
            items=tuple(name for name, _ in state.items),
            simulated=self._simulated,
            phase=str(state.phase),
        )

    def alive(self) -> tuple[int, int, str]:
        """Uptime in seconds, subscribers, state of the audio source."""
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
