"""Recordings that a studio makes of an instrument in each session, and drifts planted between two takes.

A take is so many plucks of every string, open and at fret 12. Truth is the simulator's own mechanics: a peg is turned,
or a saddle slips and its string is brought back to where it was, until the change is what it should be.
"""

from __future__ import annotations

import copy
import random
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

sys.path.append(str(Path(__file__).parents[1]))  # a script that imports this has only its own folder there

from saddle_travel import saddle_travel_mm

from oscservice.instrument.pitch import OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session.vocabulary import Drift
from oscservice.simulate.guitar import Guitar
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig

PRESET = "six-string-628"
"""Its saddles move under the strings, and its bridge is fixed: a string's drift is its own."""

PLACES = (OPEN, Place("fret", 12))
NAMES = "string{string}_{place}_{take}"
SAMPLE_RATE_HZ = 48000
SILENCE_S, NOTE_S = 0.2, 2.3
STRENGTH_MM, STRENGTH_SD_MM = 1.0, 0.1  # as simulate.technician plucks
SCATTER_CENTS = 0.8
"""Scatter of a pitch by re-fretting, 1 sd; the same as without sound (``silent``)."""

Samples = NDArray[np.float32]

_EXACT_CENTS = 1e-3
_MM_PER_CENT = 0.35  # about 2.7 cents a mm at fret 12


@dataclass(frozen=True)
class Planted:
    """A drift: which string, in which way, and by how many cents, + sharper."""

    string: int
    way: Drift
    cents: float


def put_out(rig: Rig, planted: Planted) -> None:
    """Turn a peg, or let a saddle slip and bring the string back to where it was; until the change is as planted."""
    string, before_hz = planted.string, rig.open_hz(planted.string)
    if planted.way is Drift.TUNING:
        rig.turn_peg(string, planted.cents)
        return
    target_cents = rig.error_cents(string) + planted.cents
    for _ in range(30):  # by halves of what is missing
        missing = rig.error_cents(string) - target_cents
        if abs(missing) < _EXACT_CENTS:
            break
        toward_mm, away_mm = saddle_travel_mm(rig, string)
        rig.move_saddle(string, min(max(_MM_PER_CENT * missing, toward_mm), away_mm))
        rig.turn_peg(string, cents_between(before_hz, rig.open_hz(string)))


def studio_rig(instrument: Instrument, seed: int) -> Rig:
    """A guitar as it comes into a session: nearly in tune, its saddles nearly right."""
    draw = random.Random(f"studio {seed}")
    numbers = range(1, len(instrument.strings) + 1)
    astray_mm = [draw.uniform(-1.0, 1.0) for _ in numbers]
    return rig_of(instrument, saddle_error_mm=astray_mm, detune_cents=[draw.uniform(-3.0, 3.0) for _ in numbers])


def drifted(rig: Rig, planted: Planted) -> Rig:
    """The guitar after a drift; the one given is left as it is."""
    after = copy.deepcopy(rig)
    put_out(after, planted)
    return after


class Studio:
    """Records a guitar, take after take; no two plucks in it are alike.

    Args:
        instrument: what the guitar is like.
        rig: its mechanics, as they stand at first.
        seed: of the guitar and of the hand.
        scatter_cents: by which re-fretting moves a pitch, 1 sd.
    """

    def __init__(self, instrument: Instrument, rig: Rig, seed: int, scatter_cents: float = SCATTER_CENTS) -> None:
        self._guitar = Guitar(
            rig,
            seed=seed,
            frets=instrument.frets,
            sample_rate_hz=float(SAMPLE_RATE_HZ),
            scatter_cents=scatter_cents,
        )
        self._hand = random.Random(f"hand {seed}")

    def bring(self, rig: Rig) -> None:
        """The guitar as it is from now on: the same one, its strings or saddles elsewhere."""
        self._guitar.rig = rig

    def note(self, string: int, place: Place) -> Samples:
        """One pluck from silence to silence, shape (frames,)."""
        guitar = self._guitar
        guitar.damp()
        before = guitar.render(round(SILENCE_S * SAMPLE_RATE_HZ))
        guitar.pluck(string, place, max(0.3, self._hand.gauss(STRENGTH_MM, STRENGTH_SD_MM)))
        return np.concatenate([before, guitar.render(round(NOTE_S * SAMPLE_RATE_HZ))])[:, 0]

    def notes_a_file(self, folder: Path, strings: Iterable[int], plucks: int) -> None:
        """A file a note, named as ``NAMES`` reads them: ``string6_fret12_1.flac``."""
        for string in strings:
            for place in PLACES:
                for take in range(1, plucks + 1):
                    name = f"string{string}_{str(place).replace(' ', '')}_{take}.flac"
                    _write(folder / name, self.note(string, place))

    def strings_a_file(self, folder: Path, strings: Iterable[int], plucks: int) -> None:
        """A file a string, ``string6.flac``: all its open plucks, then all at fret 12."""
        for string in strings:
            notes = [self.note(string, place) for place in PLACES for _ in range(plucks)]
            _write(folder / f"string{string}.flac", np.concatenate(notes))


def _write(path: Path, samples: Samples) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, samples, SAMPLE_RATE_HZ, subtype="PCM_24")
