"""The coordinator: notes that are heard become commands to the session, and its changes are announced.

Everything here runs on the one event loop. The order is: decide, commit, announce.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Sequence
from itertools import zip_longest
from pathlib import Path

from oscservice.api.address_table import address_space
from oscservice.api.check_messages import RecordedCheck
from oscservice.api.event_text import sentence
from oscservice.api.handler_context import Reply, Simulator
from oscservice.api.note_messages import LiveValues, PitchBends, reading_message
from oscservice.api.topics import MOST_CHARACTERS, Topic, cause, changed, checked, topics
from oscservice.daemon.applied_bindings import BindingRefusals
from oscservice.daemon.audio_thread import Sounds
from oscservice.daemon.command_context import (
    BindingRefused,
    DaemonContext,
    SessionChanged,
    SessionDefaults,
    SessionResumed,
    TopicsChanged,
)
from oscservice.daemon.plugin_service import PluginService
from oscservice.daemon.record_status import RecordStatus
from oscservice.daemon.recording_checks import RecordingChecks, RecordingSets
from oscservice.daemon.session_service import SessionService
from oscservice.errors import JournalError
from oscservice.hearing import listener as heard
from oscservice.instrument.spec import Instrument
from oscservice.osc.address import AddressSpace
from oscservice.osc.peer import Networks
from oscservice.osc.server import OscServer
from oscservice.plugins.registry import Registry
from oscservice.record.event_chain import SessionRow
from oscservice.record.kept_sound import Stretch
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.event_values import finding_of
from oscservice.session.next_pluck import expected_hz
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase
from oscservice.settings import ServeSettings

log = logging.getLogger(__name__)

HEARTBEAT_S = 1.0

CLIPS = "the input clips: turn it down, or pluck less hard"


class Coordinator:
    """Takes commands and notes, and announces what changes.

    Args:
        session: the session and its journal.
        settings: the settings of the daemon.
        tell: takes one line for a person at each change of state.
        instruments: instruments by name, beside the presets and the folder: the one the daemon was started with.
        instrument_folder: folder of the user's instrument files.
        sentences: the texts of prompts.
        simulator: the simulated guitar, if that is the source.
        record: the status of the recording.
        plugins: the plug-ins.
        sets: sets of recordings that can be checked by name.
        session_begun: is told the name of each session that begins.
    """

    def __init__(
        self,
        session: SessionService,
        settings: ServeSettings = ServeSettings(),
        *,
        tell: Callable[[str], None],
        instruments: dict[str, Instrument] | None = None,
        instrument_folder: Path,
        sentences: Sentences = ENGLISH,
        simulator: Simulator | None = None,
        record: RecordStatus | None = None,
        plugins: PluginService | None = None,
        sets: RecordingSets | None = None,
        session_begun: Callable[[str], None] | None = None,
    ) -> None:
        self._session = session
        self._settings = settings
        self._session_begun = session_begun
        self._record = record or RecordStatus(None)
        self._tell = tell
        self._sentences = sentences
        self._bends = PitchBends(settings.bend_range)
        self._live_values = LiveValues(self._bends)
        self._plugins = plugins or PluginService(Registry(), tell)
        self._began_s = time.monotonic()
        self._audio_state = "starting"
        self._audio_fault = ""
        self._audio_dropped = 0
        self._expected: dict[int, tuple[State | None, tuple[float, ...]]] = {}  # by channel, and the state it is of
        self._sent: dict[str, Topic] = {}
        self._closed = False
        self._simulated = simulator is not None
        self.checks = RecordingChecks(sets or RecordingSets(), self._check_ended)
        defaults = SessionDefaults(instrument_folder, dict(instruments or {}), settings.tolerance, settings.by_hand)
        self.context = DaemonContext(
            session, self._status, defaults, self._bends, self._plugins, simulator, self.checks
        )
        self.server = OscServer(
            self._address_space,
            self.context,
            snapshot=self.snapshot,
            allowed=Networks(settings.allow),
            on_carried_out=self._announce_happenings,
        )
        self._refusals = BindingRefusals(self.server, tell)
        self._sent = self.snapshot()

    @property
    def phase(self) -> Phase:
        """The phase of the session."""
        return self._session.state.phase

    def close(self) -> None:
        """End all subscriptions. Notes that are heard later are not used: the journal may be closed."""
        self._closed = True
        self.server.close()

    def snapshot(self) -> dict[str, Topic]:
        """Return every topic there is now; the prompt last."""
        resumable = self.resumable()
        own: dict[str, Topic] = {
            "/audio/state": (self._audio_state,),
            "/audio/fault": (self._audio_fault,),
            "/audio/dropped": (self._audio_dropped,),
            "/session/id": (self._session.session_id,),
            "/session/offered": (resumable.id if resumable is not None else "",),
            **self._record.topics(),
            **self._bends.topics(),
            "/listening": (int(self._session.listening),),
            **self._plugins.topics(),
            **self.checks.topics(),
        }
        return own | topics(self._session.state, self._sentences, self._session.figures())

    def resumable(self) -> SessionRow | None:
        """Return an open session that can be resumed; None while a session is in progress."""
        if self._session.state.phase is not Phase.IDLE:
            return None
        try:
            return self._session.resumable()
        except JournalError as error:  # the other topics are sent all the same
            log.error("no open session can be offered: %s", error)
            return None

    def expected_hz(self, channel: int) -> tuple[float, ...]:
        """Return the pitches that are asked for now in a channel. It is called for each block of sound."""
        state = self._session.state
        of_state, found = self._expected.get(channel, (None, ()))
        if of_state is not state:
            found = expected_hz(state, self._only_string(channel))
            self._expected[channel] = state, found
        return found

    def _only_string(self, channel: int) -> int | None:
        """Return the only string that a channel carries, or None."""
        return channel + 1 if self._settings.string_a_channel else None

    async def heartbeat(self) -> None:
        """Send a heartbeat each second until cancelled, and try to record what could not be recorded."""
        self._report_record()
        while True:
            await asyncio.sleep(HEARTBEAT_S)
            name = self._session.session_id
            written = self._session.retry_recording()
            self._record.session_renamed(name, self._session.session_id)
            if written or self._record.sound_has_changed():
                self._announce([])
            self._report_record()
            self.server.publish({"/alive": self.alive()})

    def _report_record(self) -> None:
        for line in self._record.new_lines():
            self._tell(line)
        for line in self._record.unsent_lines(has_subscribers=bool(self.server.subscribers.targets())):
            self.server.publish({"/event": (line,)})

    def audio_state(self, state: str, fault: str | None = None) -> None:
        """Announce the state of the audio source."""
        if self._closed:
            return
        if fault:
            self._tell(fault)
        if state != self._audio_state:
            self._tell(f"audio: {state}")
        self._audio_state = state
        self._audio_fault = fault or ("" if state == "running" else self._audio_fault)
        self._announce([])

    def plugin_failed(self, line: str) -> None:
        """Report a plug-in that is disabled."""
        if self._closed:
            self._tell(line)
        self._announce_line(line)

    def audio_dropped(self, frames: int) -> None:
        """Announce the number of frames that were lost since the start."""
        if frames != self._audio_dropped and not self._closed:
            self._audio_dropped = frames
            self._announce([])

    def resume(self, session_id: str) -> None:
        """Continue an open session; it is announced in the next turn of the loop. Raises Refused or JournalError."""
        self.context.resume(session_id)
        self.server.announce_paths()
        self._announce_happenings()

    def _announce_happenings(self) -> None:
        """Announce what commands have led to in the next turn of the loop: the answers come first."""
        loop = asyncio.get_running_loop()
        for one in self.context.take_happenings():
            match one:
                case SessionChanged(session_id=session_id, events=events, instrument=instrument):
                    loop.call_soon(self._announce, events, instrument)
                    loop.call_soon(self._plugins.notify, session_id, events)
                    if self._session_begun is not None and any(isinstance(one, ev.SessionBegun) for one in events):
                        loop.call_soon(self._session_begun, session_id)
                case SessionResumed(session_id=session_id, phase=phase):
                    self._tell(f"session {session_id} resumed; phase: {phase}")
                    loop.call_soon(self._announce, [])
                case TopicsChanged(line=line):
                    loop.call_soon(self._announce_line, line)
                case BindingRefused(line=line):
                    loop.call_soon(self._refusals.report, line)

    def _announce_line(self, line: str) -> None:
        if line and not self._closed:
            self._tell(line)
            self.server.publish({"/event": (line,)})
        self._announce([])

    def _check_ended(self, found: RecordedCheck) -> None:
        for row in found.rows:
            self.server.publish({"/check/recorded": row})
        self.server.publish({"/check/summary": found.summary})
        asyncio.get_running_loop().call_soon(self._announce_line, found.sentence)

    def hear(self, channel: int, events: Sequence[heard.ListenerEvent], sounds: Sounds = ()) -> None:
        """Take the events of a channel, and the sound of each where sound is kept."""
        only_string = self._only_string(channel)
        for event, stretch in () if self._closed else zip_longest(events, sounds):
            match event:
                case heard.LiveReading():
                    self.server.publish(self._live_values.sounding(self._session.state, event, channel, only_string))
                case heard.NoteHeard(onset_s=onset_s, reading=reading):
                    self.server.publish(self._live_values.ended(channel))
                    self._report_clipping("clipped" in reading.flags)
                    sound = "" if stretch is None else stretch.sound.to_json()
                    self._take_reading(cm.Hear(reading, only_string, onset_s, sound), stretch)
                case heard.NoteDismissed(reason=reason):
                    self.server.publish(self._live_values.ended(channel))
                    self.server.publish({"/reading/ignored": (reason,)})

    def _report_clipping(self, clips: bool) -> None:
        """Report a note that clipped; the report ends with a note that did not."""
        if clips != (self._audio_fault == CLIPS) and self._audio_state == "running":
            if clips:
                self._tell(CLIPS)
            self._audio_fault = CLIPS if clips else ""
            self._announce([])

    def _take_reading(self, command: cm.Hear, stretch: Stretch | None) -> None:
        """Give a reading to the session, and announce what follows from it."""
        try:
            events = self._session.carry_out(command)
        except cm.Ignored as reason:
            self.server.publish({"/reading/ignored": (str(reason),)})
        except JournalError as error:
            log.error("a reading is lost: %s", error)
            self._tell(f"a reading could not be recorded and is not used: {error}")
            self.server.publish({"/reading/ignored": (f"could not be recorded: {error}",)})
        else:
            self._record.keep(self._session.session_id, self._session.last_seq, events, stretch)
            self.server.announce_paths()
            self._announce(events, self._session.state.instrument)
            self._plugins.notify(self._session.session_id, events)

    def _address_space(self) -> AddressSpace:
        """Return the addresses there are now: they depend on the instrument and the phase."""
        state = self._session.state
        return address_space(
            self._settings.root,
            len(state.strings),
            fret_count=state.instrument.frets if state.instrument is not None else 0,
            items=tuple(name for name, _ in state.items),
            simulated=self._simulated,
            phase=str(state.phase),
        )

    def alive(self) -> tuple[int, int, str]:
        """Return the uptime in seconds, the number of subscribers, and the state of the audio source."""
        uptime = int(time.monotonic() - self._began_s)
        return uptime, len(self.server.subscribers.targets()), self._audio_state

    def _status(self) -> Reply:
        return (*self.alive(), str(self.phase), *self.server.traffic())

    def _announce(self, events: Sequence[ev.Event], instrument: Instrument | None = None) -> None:
        """Publish readings of this instrument, sentences and the topics that changed; the prompt comes last."""
        if self._closed:
            return
        for event in events:
            values = self._event_values(event, instrument)
            if values:
                self.server.publish(values)
            line = sentence(event, self._sentences)
            if line is not None:
                self._tell(line)
                self.server.publish({"/event": (line,)})
        self._report_record()
        now = self.snapshot()
        self.server.publish(changed(self._sent, now))
        self._sent = now

    def _event_values(self, event: ev.Event, instrument: Instrument | None) -> dict[str, Topic]:
        """Return the values that are sent of an event beside its sentence; empty for most events."""
        match event:
            case ev.ReadingTaken() if instrument is not None:
                return {"/reading": reading_message(event, instrument)} | self._bends.reading(event, instrument)
            case ev.StringChecked():
                return {"/check/string": checked(event)}
            case ev.CauseNamed(finding=finding):
                return {"/cause": cause(finding_of(finding), self._sentences)}
            case ev.ChangeNoticed(what=what, text=text):
                return {"/change": (what, self._sentences.told(text)[:MOST_CHARACTERS])}
        return {}
