"""A simulated guitar as an audio source: it is played by OSC commands, and its sound comes as blocks.

Time either runs by itself, as at a real bench, or passes only while ``/simulator/wait`` asks for it. In the second way
a rehearsal is as fast as the machine and the same on every run.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator

from oscservice.audio.block import AudioSource, Block
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar import Guitar

WORST_SADDLE_MM = 4.0
WORST_SHARE = 0.8  # of the travel of the bridge
WORST_TUNING_CENTS = 25.0

_FRAMES = 1024


def rehearsal_guitar(
    instrument: Instrument, seed: int, sample_rate_hz: float = 48000.0, *, string_a_channel: bool = False
) -> Guitar:
    """Return a guitar out of tune by up to 25 cents, with saddles misplaced by up to 4 mm, or as the bridge allows.

    Raises:
        ValueError: no guitar can be made from this instrument.
    """
    draw = random.Random(seed)
    rooms = [min(adjuster.toward_nut_mm, adjuster.away_mm) for adjuster in instrument.bridge.adjusters]
    worst = min(WORST_SADDLE_MM, WORST_SHARE * min(rooms, default=0.0))
    numbers = range(1, len(instrument.strings) + 1)
    return Guitar.from_instrument(
        instrument,
        seed=seed,
        sample_rate_hz=sample_rate_hz,
        saddle_error_mm=[draw.uniform(-worst, worst) for _ in numbers],
        detune_cents=[draw.uniform(-WORST_TUNING_CENTS, WORST_TUNING_CENTS) for _ in numbers],
        channels=len(instrument.strings) if string_a_channel else 1,
    )


class SimulatedSource(AudioSource):
    """A simulated guitar as a source.

    Args:
        guitar: the guitar; nobody else may touch it while the source runs.
        free_running: time runs by itself; otherwise it passes only during ``wait``.
        paced: time passes no faster than real time.

    Attributes:
        on_done: called with the simulated time in seconds when a wait is over and all of its sound has been heard, in
            the thread that reads the blocks.
    """

    def __init__(self, guitar: Guitar, *, free_running: bool, paced: bool) -> None:
        how = "" if free_running else ", time passes when asked"
        super().__init__(round(guitar.sample_rate_hz), guitar.channels, f"simulated guitar{how}")
        self.on_done: Callable[[float], None] | None = None
        self._guitar = guitar
        self._free_running = free_running
        self._paced = paced
        self._lock = threading.Lock()
        self._asked = threading.Condition(self._lock)
        self._until: list[int] = []
        self._frames = 0

    def pluck(self, string: int, place: Place, pull_mm: float = 1.0) -> None:
        """Pluck a string that is pulled aside by ``pull_mm``. Raises ValueError: no such string or place."""
        with self._lock:
            self._guitar.pluck(string, place, pull_mm)

    def turn_peg(self, string: int, cents: float) -> None:
        """Turn a tuner; + up. Raises ValueError: no such string, or one that would break."""
        with self._lock:
            self._guitar.turn_peg(string, cents)

    def slacken(self, string: int) -> None:
        """Slacken a string completely. Raises ValueError: no such string."""
        with self._lock:
            self._guitar.slacken(string)

    def move_saddle(self, string: int, mm: float) -> None:
        """Move a saddle; + away from the nut. Raises ValueError: no such string, or no room."""
        with self._lock:
            self._guitar.move_saddle(string, mm)

    def damp(self) -> None:
        """Stop all strings."""
        with self._lock:
            self._guitar.damp(None)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        with self._lock:
            self._until.append(self._frames + max(1, round(seconds * self.sample_rate_hz)))
            self._asked.notify()

    def truth(self, string: int) -> tuple[float, float]:
        """Return a string's true open frequency in Hz and its true error at fret 12 in cents. Raises ValueError."""
        with self._lock:
            return self._guitar.open_hz(string), self._guitar.error_cents(string)

    def _blocks(self) -> Iterator[Block]:
        began = time.monotonic()
        heard_s = 0.0
        while not self._closed.is_set():
            with self._lock:
                while not (self._free_running or self._until or self._closed.is_set()):
                    paused = time.monotonic()
                    self._asked.wait()
                    began += time.monotonic() - paused
                if self._closed.is_set():
                    return
                count = min([_FRAMES, *(u - self._frames for u in self._until)])
                samples = self._guitar.render(count)
                self._frames += count
                heard_s = self._frames / self.sample_rate_hz
                passed = [u for u in self._until if u <= self._frames]
                self._until = [u for u in self._until if u > self._frames]
            if self._paced:
                self._wait_until(began + heard_s)
            yield self._block(samples)
            # Here the block has been heard.
            if passed and self.on_done is not None:
                self.on_done(heard_s)

    def _wake(self) -> None:
        with self._lock:
            self._asked.notify_all()

    def _release(self) -> None:
        pass
