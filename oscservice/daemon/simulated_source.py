"""A guitar on the bench as an audio source: what hands do to it comes as OSC commands, what it sounds like goes to the
ears as blocks.

Time either runs by itself, as at a real bench, or passes only while ``/simulator/wait`` asks for it. The second way
makes a rehearsal as quick as the machine and the same on every run.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator, Sequence

from oscservice.audio.block import AudioSource, Block
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar import Guitar

WORST_SADDLE_MM = 4.0
WORST_SHARE = 0.8  # of the bridge's room
WORST_TUNING_CENTS = 25.0

_FRAMES = 1024


def rehearsal_guitar(
    instrument: Instrument, seed: int, sample_rate_hz: float = 48000.0, *, string_a_channel: bool = False
) -> Guitar:
    """A guitar out of tune by up to 25 cents, its saddles wrong by up to 4 mm (as far as the bridge allows).

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
        free_running: time runs by itself; otherwise it stands still until somebody waits.
        paced: time passes no quicker than real time.
        on_done: called in the ears' thread when a wait has passed and all of its sound has been heard, with the
            simulated time in seconds.
    """

    def __init__(
        self,
        guitar: Guitar,
        *,
        free_running: bool,
        paced: bool,
        on_done: Callable[[float], None] | None = None,
    ) -> None:
        how = "" if free_running else ", time passes when asked"
        super().__init__(round(guitar.sample_rate_hz), guitar.channels, f"simulated guitar{how}")
        self.on_done = on_done
        self._guitar = guitar
        self._free_running = free_running
        self._paced = paced
        self._lock = threading.Lock()
        self._asked = threading.Condition(self._lock)
        self._until: list[int] = []
        self._frames = 0

    def carry_out(self, path: str, values: Sequence[int | float | str]) -> Sequence[int | float | str]:
        """Carry out a simulator command by its declared address; gives what the reply says.

        Raises:
            ValueError: no such string or place, or what the hands were asked to do can't be done.
        """
        with self._lock:
            return self._do(path, values)

    def _do(self, path: str, values: Sequence[int | float | str]) -> Sequence[int | float | str]:
        match path, tuple(values):
            case "/simulator/pluck", (int(string), str(place), *rest):
                self._guitar.pluck(string, Place.parse(place), float(rest[0]) if rest else 1.0)
            case "/simulator/peg", (int(string), float(cents)):
                self._guitar.turn_peg(string, cents)
            case "/simulator/slacken", (int(string),):
                self._guitar.slacken(string)
            case "/simulator/saddle", (int(string), float(mm)):
                self._guitar.move_saddle(string, mm)
            case "/simulator/damp", ():
                self._guitar.damp(None)
            case "/simulator/wait", (float(seconds),):
                self._until.append(self._frames + max(1, round(seconds * self.sample_rate_hz)))
                self._asked.notify()
            case "/simulator/truth", (int(string),):
                return (self._guitar.open_hz(string), self._guitar.error_cents(string))
            case _:
                raise ValueError(f"{path} does not take {list(values)}")
        return ()

    def _blocks(self) -> Iterator[Block]:
        began = time.monotonic()
        heard_s = 0.0
        while not self._closed.is_set():
            with self._lock:
                while not (self._free_running or self._until or self._closed.is_set()):
                    stood = time.monotonic()
                    self._asked.wait()
                    began += time.monotonic() - stood
                if self._closed.is_set():
                    return
                count = min([_FRAMES, *(u - self._frames for u in self._until)])
                samples = self._guitar.render(count)
                self._frames += count
                heard_s = self._frames / self.sample_rate_hz
                passed = [u for u in self._until if u <= self._frames]
                self._until = [u for u in self._until if u > self._frames]
            if self._paced:
                self._closed.wait(max(0.0, began + heard_s - time.monotonic()))
            yield self._block(samples)
            # Here the ears have dealt with the block.
            if passed and self.on_done is not None:
                self.on_done(heard_s)

    def _wake(self) -> None:
        with self._lock:
            self._asked.notify_all()

    def _release(self) -> None:
        pass
