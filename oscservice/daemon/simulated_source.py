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
from oscservice.simulate.guitar_builder import SOUND, Faults

WORST_SADDLE_MM = 4.0
WORST_SHARE = 0.8  # of the travel of the bridge
WORST_TUNING_CENTS = 25.0
SHARED_MM = 0.2  # so far each saddle of a shared part stands from where its neighbours would need it

_FRAMES = 1024


def rehearsal_guitar(
    instrument: Instrument,
    seed: int,
    sample_rate_hz: float = 48000.0,
    *,
    string_a_channel: bool = False,
    as_found: bool = False,
    faults: Faults = SOUND,
) -> Guitar:
    """Return a guitar out of tune by up to 25 cents, with saddles misplaced by up to 4 mm, or as the bridge allows.

    Saddles that strings share are misplaced together: the part that carries them was made for these strings.

    Args:
        instrument: the instrument that it is like.
        seed: of all that chance decides.
        sample_rate_hz: sample rate of its sound.
        string_a_channel: each string has a channel.
        as_found: clamps of the nut are closed, and fine tuners off the middle of their travel; closing has shifted the
            strings by some cents more.
        faults: differences from the instrument.

    Raises:
        ValueError: no guitar can be made from this instrument.
    """
    draw = random.Random(seed)
    rooms = [min(adjuster.toward_nut_mm, adjuster.away_mm) for adjuster in instrument.bridge.adjusters]
    worst = min(WORST_SADDLE_MM, WORST_SHARE * min(rooms, default=0.0))
    numbers = range(1, len(instrument.strings) + 1)
    moving = [adjuster.influence for adjuster in instrument.bridge.adjusters]
    if any(len(influence) > 1 for influence in moving):
        ways_mm = [draw.uniform(-worst, worst) for _ in moving]
        errors_mm = [
            draw.uniform(-SHARED_MM, SHARED_MM)
            + sum(mm * influence.get(n, 0.0) for mm, influence in zip(ways_mm, moving, strict=True))
            for n in numbers
        ]
    else:
        errors_mm = [draw.uniform(-worst, worst) for _ in numbers]
    return Guitar.from_instrument(
        instrument,
        seed=seed,
        sample_rate_hz=sample_rate_hz,
        saddle_error_mm=errors_mm,
        detune_cents=[draw.uniform(-WORST_TUNING_CENTS, WORST_TUNING_CENTS) for _ in numbers],
        channels=len(instrument.strings) if string_a_channel else 1,
        faults=faults,
        as_found=as_found,
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

    def set_clamp(self, string: int, closed: bool) -> None:
        """Close or open the nut clamp over a string; string 0: all clamps. Raises ValueError: no such clamp, or a
        string that would break."""
        with self._lock:
            self._guitar.set_clamp(string or None, closed)

    def turn_fine_tuner(self, string: int, cents: float) -> tuple[float, float]:
        """Turn a fine tuner, + up, as far as its stop lets it. Return the change in cents on a bridge at rest, and its
        place: 0 to 1, the share of its travel. Raises ValueError: no fine tuners, or a string that would break."""
        with self._lock:
            return self._guitar.turn_fine_tuner(string, cents), self._guitar.fine_tuner_at(string)

    def centre_fine_tuners(self) -> None:
        """Turn all fine tuners to the middle of their travel. Raises ValueError: none, or a string that would break."""
        with self._lock:
            self._guitar.centre_fine_tuners()

    def stretch(self, string: int) -> None:
        """Pull a string along its length, so that it is stretched in. Raises ValueError: no such string."""
        with self._lock:
            self._guitar.stretch(string)

    def move_saddle(self, string: int, mm: float, clamp: bool = True) -> None:
        """Move a saddle; + away from the nut. Its clamp is tightened again, or left loose. Raises ValueError: no such
        string or clamp, or no room."""
        with self._lock:
            self._guitar.move_saddle(string, mm, clamp=clamp)

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
