"""The start, the run and the end of a daemon."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import signal
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace

from oscservice.api.address_table import ROOT
from oscservice.audio.block import AudioSource, check_rate
from oscservice.audio.open_source import open_source
from oscservice.audio.source_spec import BUILT_IN, parse_source, unknown_source
from oscservice.bindings.settings_file import NOTHING, SettingsFile
from oscservice.daemon.applied_bindings import bind, bound_lines
from oscservice.daemon.audio_thread import AudioThread
from oscservice.daemon.coordinator import Coordinator
from oscservice.daemon.job_sheet_intake import JobSheetIntake
from oscservice.daemon.network_announcement import announced, own_name
from oscservice.daemon.plugin_service import PluginService
from oscservice.daemon.record_status import RecordStatus
from oscservice.daemon.recording_checks import RecordingSets
from oscservice.daemon.session_service import SessionService
from oscservice.daemon.simulated_source import SimulatedSource, rehearsal_guitar
from oscservice.errors import InputError, JournalError, OscserviceError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.osc.http_server import Web, machine_names
from oscservice.osc.ports import open_ports
from oscservice.plugins.plugin_source import open_plugin
from oscservice.plugins.registry import InstalledKinds, Offer, Registry
from oscservice.record.job_file import read_job_file
from oscservice.record.journal import Journal
from oscservice.record.kept_sound import check_rate as check_rate_kept
from oscservice.record.kept_sound import folder_of
from oscservice.record.recorder import Recorder
from oscservice.record.sound_writer import SoundWriter
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.sentences.translation import load_translation
from oscservice.session.commands import Refused
from oscservice.settings import ServeSettings, check_folder, instrument_folder

# The longest wait for the audio thread, which may be in the middle of a reading. Without a load a reading takes a tenth
# of a second; service managers wait longer than this.
_END_TIMEOUT_S = 8.0


CAUTIONS_LINE = "work on strings, springs and gear: read docs/cautions.md; local codes and licensed practice come first"
"""The page that defers to them."""


@dataclass
class RunningDaemon:
    """A daemon that runs.

    Attributes:
        ended: set when its source has ended.
        fault: the error that ended the source, or None.
    """

    coordinator: Coordinator
    port: int
    ended: asyncio.Event
    fault: OscserviceError | None = None


@contextlib.asynccontextmanager
async def running(
    settings: ServeSettings,
    source: AudioSource,
    journal: Journal | Recorder,
    tell: Callable[[str], None],
    configured: SettingsFile = NOTHING,
    plugins: PluginService | None = None,
) -> AsyncIterator[RunningDaemon]:
    """Run a daemon on the current loop while the block runs: its ports are open, and it listens.

    Args:
        settings: its settings.
        source: the source of sound.
        journal: the journal.
        tell: takes one line for a person at each change of state.
        configured: bindings and listeners of a settings file.
        plugins: the plug-ins; None: only kinds of bridge are used.

    Raises:
        PortError, InputError, JournalError, AudioInputError: it can't be started.
    """
    channels = _channels(settings, source)
    loop = asyncio.get_running_loop()
    simulated = source if isinstance(source, SimulatedSource) else None
    sentences = _sentences(settings)
    recorder = journal if isinstance(journal, Recorder) else Recorder.of(journal)
    plugins = plugins or PluginService(Registry(settings.without_plugin), tell)
    instruments = {settings.instrument: load_instrument(settings.instrument, plugins.kinds)}
    sound = None
    if settings.keep_audio:
        check_rate_kept(source.sample_rate_hz)
        sound = SoundWriter(recorder.path, settings.keep_audio_mb, settings.keep_audio_days)
    job_sheets = None if settings.job_sheet is None else JobSheetIntake(settings.job_sheet, recorder, tell)
    coordinator = Coordinator(
        SessionService(recorder),
        settings,
        tell=tell,
        instruments=instruments,
        instrument_folder=instrument_folder(),
        sentences=sentences,
        simulator=simulated,
        record=RecordStatus(recorder, sound),
        plugins=plugins,
        sets=RecordingSets(check_folder(), configured.checks),
        session_begun=None if job_sheets is None else job_sheets.session_begun,
    )
    own_names = machine_names() | {settings.host.lower()}
    web = Web(coordinator.server, settings.name or own_name(), own_names, program="oscservice")
    await open_ports(coordinator.server, settings.host, settings.port, web.http)
    daemon = RunningDaemon(coordinator, coordinator.server.port, asyncio.Event())

    def ended(fault: OscserviceError | None) -> None:
        daemon.fault = fault
        coordinator.audio_dropped(source.dropped_frames)
        coordinator.audio_state("ended", _flags_text(source) if fault is None else str(fault))
        daemon.ended.set()

    def call_on_loop(function: Callable[..., None], *arguments: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop may be closed when the source ends
            loop.call_soon_threadsafe(function, *arguments)

    source.on_state = lambda state: call_on_loop(coordinator.audio_state, state) if state != "ended" else None
    if simulated is not None:
        simulated.on_done = lambda at_s: call_on_loop(coordinator.server.publish, {"/simulator/done": (at_s,)})
    audio_thread = AudioThread(
        source,
        loop,
        coordinator.hear,
        ended,
        coordinator.expected_hz,
        channels,
        keep=settings.keep_audio,
        string_a_channel=settings.string_a_channel,
    )
    heartbeat = asyncio.create_task(coordinator.heartbeat())
    watch = asyncio.create_task(_watch_drops(coordinator, source))
    try:
        bind(coordinator.server, configured, lambda: str(coordinator.phase), coordinator.context.binding_refused)
        if settings.resume:
            _resume(coordinator)
        plugins.start(lambda line: call_on_loop(coordinator.plugin_failed, line))
        if sound is not None:
            sound.start()
        audio_thread.start()
        try:
            yield daemon
        finally:
            audio_thread.stop()
            # The thread may wait for this loop to take what it heard, so the loop goes on until the thread has ended.
            try:
                await asyncio.wait_for(daemon.ended.wait(), _END_TIMEOUT_S)
            except TimeoutError:
                audio_thread.abandon()
                ended(None)
    finally:
        heartbeat.cancel()
        watch.cancel()
        coordinator.close()
        await coordinator.checks.end()
        if job_sheets is not None:
            await job_sheets.end()
        if sound is not None:
            await asyncio.to_thread(sound.close)
            for line in sound.take_notes():
                tell(line)
        await web.end()
        await asyncio.to_thread(plugins.end)


async def serve(settings: ServeSettings, tell: Callable[[str], None], configured: SettingsFile = NOTHING) -> None:
    """Run a daemon until SIGINT or SIGTERM, or until its source ends if the settings ask for that.

    Args:
        settings: its settings.
        tell: takes one line for a person at each change of state.
        configured: bindings and listeners of a settings file.

    Raises:
        OscserviceError: it can't be started, or it ended because of an error of its source.
    """
    if ROOT.fullmatch(settings.root) is None:
        raise InputError(f"--root {settings.root!r}: no root of OSC addresses; expected one like /bench or /shop/two")
    registry = Registry(settings.without_plugin)
    plugins = PluginService(registry, tell, with_listeners=True, arguments=settings.plugin)
    load_instrument(settings.instrument, plugins.kinds)  # mistakes in files are reported before anything is opened
    _sentences(settings)
    if settings.job_sheet is not None:
        read_job_file(settings.job_sheet)
    source = make_source(settings, registry)
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(sign, stop.set)
    with source, Recorder.open(settings.journal) as recorder:
        async with (
            running(settings, source, recorder, tell, configured, plugins) as daemon,
            announced(settings, daemon.coordinator.server),
        ):
            where = f"{settings.host} port {daemon.port}, root {settings.root}"
            tell(f"listening for OSC on {where}; hearing {source.description}")
            tell(CAUTIONS_LINE)
            for line in bound_lines(configured):
                tell(line)
            if settings.keep_audio:
                tell(f"keeping sound in {folder_of(recorder.path)}, {settings.keep_audio_mb} MB at most")
            freeze_garbage_collector()
            resumable = daemon.coordinator.resumable()
            if resumable is not None:
                how = f"{settings.root}/session/resume {resumable.id}"
                tell(f"session {resumable.id} ({resumable.label}) is still open: {how} resumes it")
            waits = [asyncio.create_task(stop.wait())]
            if settings.exit_at_end:
                waits.append(asyncio.create_task(daemon.ended.wait()))
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            for wait in waits:
                wait.cancel()
            fault = daemon.fault if settings.exit_at_end else None
        _write_unwritten(recorder, tell)
    if fault is not None:
        raise fault


def freeze_garbage_collector() -> None:
    """Exclude the objects made at the start from garbage collection.

    They stay to the end, and each search through them would stop the loop and the audio thread for tens of
    milliseconds.
    """
    gc.collect()
    gc.freeze()


def _write_unwritten(recorder: Recorder, tell: Callable[[str], None]) -> None:
    """Write what is in memory only, at the end. Raises JournalError: it can't be written."""
    recorder.try_again()
    for line in recorder.take_notes():
        tell(line)
    if recorder.unwritten:
        raise JournalError(recorder.rescued())


def make_source(settings: ServeSettings, registry: Registry | None = None) -> AudioSource:
    """Return the source that the settings name. Raises InputError or AudioInputError."""
    registry = registry or Registry(settings.without_plugin)
    plugin = _source_plugin(settings, registry)
    if plugin is not None:
        offer, rest = plugin
        return open_plugin(registry, offer, rest, settings.rate, settings.channels)
    spec = parse_source(settings.source)
    if settings.stepped and spec.kind != "simulated":
        raise InputError(f"--stepped is for the simulated source, not for the source {str(spec)!r}: leave it out")
    stdin = sys.stdin.buffer if spec.kind == "stdin" else None
    source = open_source(spec, settings.rate, settings.channels, settings.format, settings.fast, stdin)
    return _simulated_source(settings, registry) if source is None else source


def _source_plugin(settings: ServeSettings, registry: Registry) -> tuple[Offer, str] | None:
    """Return the plug-in that is the source, and its argument; None for a built-in source.

    Raises:
        InputError: no such source, or an option that plug-ins do not take.
    """
    kind, _, rest = settings.source.partition(":")
    if settings.source == "-" or kind in BUILT_IN:
        return None
    offer = registry.offer("source", kind)
    if offer is None:
        names = ", ".join(one.name for one in registry.offers("source"))
        raise InputError(unknown_source(settings.source) + (f"; or a plug-in's: {names}" if names else ""))
    for option, given in (
        ("--fast", settings.fast),
        ("--format", settings.format is not None),
        ("--stepped", settings.stepped),
    ):
        if given:
            raise InputError(f"{option} is not for the source {kind!r}, a plug-in's: leave it out")
    return offer, rest


def _sentences(settings: ServeSettings) -> Sentences:
    """Return the texts of prompts, with lengths as set. Raises InputError."""
    texts = ENGLISH if settings.sentences is None else load_translation(settings.sentences).sentences
    return replace(texts, lengths=settings.lengths)


def _simulated_source(settings: ServeSettings, registry: Registry) -> SimulatedSource:
    """Return the simulated guitar of the settings. Raises InputError."""
    instrument = load_instrument(settings.instrument, InstalledKinds(registry))
    rate_hz = check_rate(48000 if settings.rate is None else settings.rate, "simulated guitar")
    channels = len(instrument.strings) if settings.string_a_channel else 1
    if settings.channels not in (None, channels):
        raise InputError(
            f"--channels {settings.channels} does not fit the simulated guitar, which has {channels}: "
            "leave it out, and give --string-a-channel for one channel a string"
        )
    try:
        guitar = rehearsal_guitar(
            instrument, settings.seed, float(rate_hz), string_a_channel=settings.string_a_channel, as_found=True
        )
    except ValueError as error:
        raise InputError(f"{settings.instrument}: no guitar can be simulated from it: {error}") from None
    return SimulatedSource(guitar, free_running=not settings.stepped, paced=not settings.stepped)


def _channels(settings: ServeSettings, source: AudioSource) -> list[int]:
    """Return the channels to listen to, from 0. Raises InputError."""
    if settings.string_a_channel:
        return list(range(source.channels))
    if not 1 <= settings.channel <= source.channels:
        raise InputError(f"--channel {settings.channel}: the source has channels 1 to {source.channels}")
    return [settings.channel - 1]


def _flags_text(source: AudioSource) -> str | None:
    """Return the flags of a source's samples in one line, or None."""
    return f"{source.description}: {', '.join(source.flags)}" if source.flags else None


async def _watch_drops(coordinator: Coordinator, source: AudioSource) -> None:
    """Announce lost frames until cancelled."""
    while True:
        await asyncio.sleep(0.5)
        coordinator.audio_dropped(source.dropped_frames)


def _resume(coordinator: Coordinator) -> None:
    """Continue the newest open session, if there is one. Raises OscserviceError."""
    resumable = coordinator.resumable()
    if resumable is None:
        return
    try:
        coordinator.resume(resumable.id)
    except Refused as refusal:
        raise OscserviceError(refusal.text) from None
