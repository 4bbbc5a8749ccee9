"""A rehearsal: daemon, simulated guitar and simulated technician together, over a real socket."""

from __future__ import annotations

import asyncio
import tempfile
import threading
from collections.abc import Callable
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
from oscservice.settings import ServeSettings
from oscservice.simulate.technician import Account, Technician


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
class Rehearsed:
    """Results of all strings, and the simulated time in seconds."""

    strings: tuple[RehearsedString, ...]
    bench_s: float


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
    tell: Callable[[str], None] = lambda line: None,
    watch: Callable[[Account, str, str], None] | None = None,
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
        tell: takes each line of the daemon.
        watch: called before each step with the account, the code of the prompt and its text.
        journal_path: journal of the session; None: a temporary one.

    Raises:
        InputError: no such instrument, frets or tuning, or it can't be simulated.
        RehearsalError: the set-up did not reach its end.
    """
    instrument = checked_instrument(instrument_name, frets, tuning)
    try:
        guitar = rehearsal_guitar(instrument, seed)
    except ValueError as error:
        raise InputError(f"{instrument_name}: no guitar can be simulated from it: {error}") from None
    with tempfile.TemporaryDirectory(prefix="oscservice-") as folder:
        path = journal_path or Path(folder) / "journal.sqlite3"
        source = SimulatedSource(guitar, free_running=False, paced=real_time)
        daemon = DaemonThread(ServeSettings(port=0, instrument=instrument_name), source, path, tell)
        port = daemon.open()
        technician = Technician("127.0.0.1", port, seed=seed, watch=watch)
        try:
            numbers = range(1, len(instrument.strings) + 1)
            technician.know_nominal({n: instrument.open_hz(n) for n in numbers})
            technician.know_bridge({n: tuple(strings_moved_together(instrument, n)) for n in numbers})
            technician.subscribe()
            wanted_cents = {n: instrument.string(n).target_cents(REFERENCE_FRET) for n in numbers}
            before = {n: technician.truth(n)[1] - wanted_cents[n] for n in numbers}
            technician.begin(instrument_name, f"rehearsal {seed} (invented)", tolerance_cents, frets, tuning)
            technician.work()
            after = {n: technician.truth(n)[1] - wanted_cents[n] for n in numbers}
        finally:
            technician.close()
            daemon.close()
    done = technician.account
    return Rehearsed(
        tuple(
            RehearsedString(
                n,
                instrument.string(n).note,
                before[n],
                after[n],
                tuple(done.moves_mm.get(n, ())),
                done.plucks.get(n, 0),
            )
            for n in numbers
        ),
        guitar.frame / guitar.sample_rate_hz,
    )


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
