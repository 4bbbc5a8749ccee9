"""A rehearsal: daemon, simulated guitar and simulated technician together, over a real socket."""

from __future__ import annotations

import asyncio
import random
import tempfile
import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.advice.compared_frets import REFERENCE_FRET, ComparedFrets
from oscservice.daemon.app import running
from oscservice.daemon.simulated_source import SimulatedSource, rehearsal_guitar
from oscservice.errors import InputError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import Instrument
from oscservice.instrument.tunings import in_tuning
from oscservice.plugins.registry import InstalledKinds, Registry
from oscservice.record.journal import Journal
from oscservice.sentences.sentence_table import ENGLISH
from oscservice.session.events import MissedStepNoticed, from_body
from oscservice.session.prompts import missed_text
from oscservice.settings import ServeSettings
from oscservice.simulate.forgetful_technician import ForgetfulTechnician, lacking
from oscservice.simulate.guitar import Guitar
from oscservice.simulate.guitar_builder import SOUND, Faults
from oscservice.simulate.mistakes import MISTAKE_TEXTS, Mistake
from oscservice.simulate.technician import Account, PromptSeen, Technician

UNSTRETCHED_MM = 0.6
"""How much a new string will still let out, if it is not stretched in."""


@dataclass(frozen=True)
class RehearsedString:
    """Result of one string.

    Attributes:
        before_cents, after_cents: true error at fret 12, from where it is wanted, before and after the set-up; + sharp.
        moves_mm: the saddle moves; + away from the nut.
        plucks: number of plucks.
    """

    string: int
    note: str
    before_cents: float
    after_cents: float
    moves_mm: tuple[float, ...]
    plucks: int


@dataclass(frozen=True)
class RehearsedMistake:
    """A mistake that was made on purpose, and the string at which it was made."""

    what: Mistake
    string: int


@dataclass(frozen=True)
class RehearsedNotice:
    """A step that was left out or done wrongly, as the session noticed it: ``session.vocabulary.MissedStep``."""

    what: str
    string: int
    text: str


@dataclass(frozen=True)
class Rehearsed:
    """Result of a rehearsal.

    Attributes:
        strings: results of all strings.
        bench_s: the simulated time in seconds.
        prompt: the last prompt's code.
        nut_locked: True if the nut was locked in the end; None without a locking nut.
        mistakes: mistakes that were made on purpose, in order.
        notices: steps that the session noticed as left out or done wrongly, in order.
    """

    strings: tuple[RehearsedString, ...]
    bench_s: float
    prompt: str = ""
    nut_locked: bool | None = None
    mistakes: tuple[RehearsedMistake, ...] = ()
    notices: tuple[RehearsedNotice, ...] = ()


def checked_instrument(name: str, frets: str, tuning: str = "") -> Instrument:
    """Return the instrument of a preset or file, in one of its tunings. Raises InputError: no such instrument, frets or
    tuning."""
    instrument = load_instrument(name, InstalledKinds(Registry()))
    try:
        ComparedFrets.parse(frets, instrument.frets)
    except ValueError as error:
        raise InputError(f"frets: {error}") from None
    try:
        return in_tuning(instrument, tuning) if tuning else instrument
    except ValueError as error:
        raise InputError(f"{name}: {error}") from None


def rehearse(
    seed: int,
    instrument_name: str,
    tolerance_cents: float,
    *,
    frets: str = "",
    tuning: str = "",
    real_time: bool = False,
    forget: Collection[Mistake] = (),
    tell: Callable[[str], None] = lambda line: None,
    watch: Callable[[Account, PromptSeen], None] | None = None,
    journal_path: Path | None = None,
) -> Rehearsed:
    """Run a whole set-up and return its result; the same seed gives the same run, to the last bit.

    Args:
        seed: seed of the guitar and of the technician.
        instrument_name: a preset or a file.
        tolerance_cents: largest error to accept.
        frets: frets to compare, as ``ComparedFrets.parse`` reads them; fret 12 if empty.
        tuning: a tuning of the instrument, or two, as ``in_tuning`` reads them; that of the file if empty.
        real_time: time passes as at a real bench.
        forget: mistakes that the technician makes, each once.
        tell: takes each line of the daemon, and one for each mistake.
        watch: called before each step with the account and the prompt.
        journal_path: journal of the session; None: a temporary one.

    Raises:
        InputError: no such instrument, frets or tuning, or it can't be simulated, or a mistake can't be made on it.
        RehearsalError: the set-up did not reach its end.
    """
    instrument = checked_instrument(instrument_name, frets, tuning)
    check_mistakes(forget, instrument, instrument_name)
    numbers = range(1, len(instrument.strings) + 1)
    unstretched = random.Random(f"string {seed}").choice(numbers) if Mistake.STRETCHING in forget else 0
    guitar = _guitar(instrument, instrument_name, seed, unstretched)
    mistakes: list[RehearsedMistake] = []

    def made(mistake: Mistake, string: int) -> None:
        mistakes.append(RehearsedMistake(mistake, string))
        tell(f"mistake: {MISTAKE_TEXTS[mistake]} (string {string})")

    with tempfile.TemporaryDirectory(prefix="oscservice-") as folder:
        path = journal_path or Path(folder) / "journal.sqlite3"
        source = SimulatedSource(guitar, free_running=False, paced=real_time)
        daemon = DaemonThread(ServeSettings(port=0, instrument=instrument_name), source, path, tell)
        port = daemon.open()
        technician = _technician(port, seed, watch, forget, len(numbers), made)
        try:
            technician.know_nominal({n: instrument.open_hz(n) for n in numbers})
            technician.know_bridge({n: tuple(strings_moved_together(instrument, n)) for n in numbers})
            technician.subscribe()
            wanted_cents = {n: instrument.string(n).target_cents(REFERENCE_FRET) for n in numbers}
            before = {n: technician.truth(n)[1] - wanted_cents[n] for n in numbers}
            technician.begin(instrument_name, f"rehearsal {seed} (invented)", tolerance_cents, frets, tuning)
            if unstretched:
                made(Mistake.STRETCHING, unstretched)
            technician.work()
            after = {n: technician.truth(n)[1] - wanted_cents[n] for n in numbers}
        finally:
            technician.close()
            daemon.close()
        notices = _notices(path)
    done = technician.account
    strings = (
        RehearsedString(
            n, instrument.string(n).note, before[n], after[n], tuple(done.moves_mm.get(n, ())), done.plucks.get(n, 0)
        )
        for n in numbers
    )
    return Rehearsed(
        tuple(strings),
        guitar.frame / guitar.sample_rate_hz,
        technician.last_prompt,
        all(guitar.is_clamped(n) for n in numbers) if instrument.nut.locking else None,
        tuple(mistakes),
        notices,
    )


def check_mistakes(mistakes: Collection[Mistake], instrument: Instrument, name: str) -> None:
    """Raise InputError unless each mistake can be made on the instrument of this name."""
    for mistake in mistakes:
        lacks = lacking(mistake, instrument)
        if lacks:
            raise InputError(f"--forget {mistake}: {name} does not have {lacks}")


def _guitar(instrument: Instrument, name: str, seed: int, unstretched: int) -> Guitar:
    """Return the guitar as it is found, one string not stretched in unless that is 0. Raises InputError."""
    faults = Faults(unstretched_mm={unstretched: UNSTRETCHED_MM}) if unstretched else SOUND
    try:
        return rehearsal_guitar(instrument, seed, as_found=True, faults=faults)
    except ValueError as error:
        raise InputError(f"{name}: no guitar can be simulated from it: {error}") from None


def _technician(
    port: int,
    seed: int,
    watch: Callable[[Account, PromptSeen], None] | None,
    forget: Collection[Mistake],
    strings: int,
    made: Callable[[Mistake, int], None],
) -> Technician:
    """Return the technician, who makes the mistakes that are wanted."""
    if not forget:
        return Technician("127.0.0.1", port, seed=seed, watch=watch)
    return ForgetfulTechnician(
        "127.0.0.1", port, mistakes=forget, strings=strings, tell_mistake=made, seed=seed, watch=watch
    )


def _notices(path: Path) -> tuple[RehearsedNotice, ...]:
    """Return what the newest session of a journal noticed, in order."""
    with Journal.open(path, readonly=True) as journal:
        session, *_ = journal.sessions()
        events = [from_body(kind, body) for _, _, kind, body in journal.events(session.id)]
    noticed = (event for event in events if isinstance(event, MissedStepNoticed))
    return tuple(RehearsedNotice(event.what, event.string, missed_text(event, ENGLISH)) for event in noticed)


class DaemonThread:
    """A daemon on an event loop in a thread of its own; ``tell`` takes its lines."""

    def __init__(
        self, settings: ServeSettings, source: SimulatedSource, journal: Path, tell: Callable[[str], None]
    ) -> None:
        self._settings = settings
        self._source = source
        self._journal = journal
        self._tell = tell
        self._port = 0
        self._fault: BaseException | None = None
        self._ready = threading.Event()
        self._stop: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = threading.Thread(target=self._run, name="daemon", daemon=True)

    def open(self) -> int:
        """Start the daemon and return its port. Raises the error that prevents the start."""
        self._thread.start()
        self._ready.wait()
        if self._fault is not None:
            raise self._fault
        return self._port

    def close(self) -> None:
        """End the daemon."""
        if self._loop is not None and self._stop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()

    def _run(self) -> None:
        try:
            asyncio.run(self._live())
        except BaseException as error:
            self._fault = error
        finally:
            self._ready.set()

    async def _live(self) -> None:
        self._stop = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        with self._source, Journal.open(self._journal) as journal:
            async with running(self._settings, self._source, journal, self._tell) as daemon:
                self._port = daemon.port
                self._ready.set()
                await self._stop.wait()
