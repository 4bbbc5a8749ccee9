"""Sounds of a workshop that are no pluck of the string asked for. All are made up but talk: espeak-ng speaks that.

Each is float32 of shape (n,) at the sample rate; levels are in dBFS, 20 log10 of the rms (of the peak, for knocks and
clicks), full scale = 1.0. Levels, lengths and pitches are assumed, in the range of what a pickup or a microphone on a
bench would hear; no source.
"""

from __future__ import annotations

import io
import math
import subprocess
from collections.abc import Callable

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

from oscservice.instrument.pitch import OPEN
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar import Guitar

Sound = NDArray[np.float32]

SENTENCES = (
    "Hand me the small screwdriver, would you?",
    "This one has been at the bottom of the drawer for years.",
    "Hello, no, he is not here, try again after lunch.",
    "Oh, lovely. Now you are all in tune, aren't you?",
    "Mind the lamp. A little more. Stop. Yes.",
    "One, two, three, four, five, six.",
)

BAR_MODES = (1.0, 2.757, 5.404, 8.933)
"""A free bar's partials over its first (Fletcher & Rossing, The Physics of Musical Instruments; cited from memory)."""


def talk(draw: np.random.Generator, rate_hz: int, program: str = "espeak-ng") -> Sound:
    """A sentence, spoken by ``program``."""
    text = SENTENCES[draw.integers(len(SENTENCES))]
    voice = ("en", "en+f2", "en+m3", "en+f4")[draw.integers(4)]
    how = ["-p", str(draw.integers(20, 80)), "-s", str(draw.integers(120, 190))]
    wav = subprocess.run([program, "-v", voice, *how, "--stdout", text], capture_output=True, check=True).stdout
    spoken, own_hz = soundfile.read(io.BytesIO(wav), dtype="float64")
    common = math.gcd(rate_hz, own_hz)
    return _at(resample_poly(spoken, rate_hz // common, own_hz // common), draw.uniform(-45.0, -26.0))


def knock(draw: np.random.Generator, rate_hz: int) -> Sound:
    """A knock on the body: a few damped thumps of 80 to 400 Hz, and a click."""
    time = np.arange(round(0.4 * rate_hz)) / rate_hz
    sound = np.zeros(time.size)
    for _ in range(draw.integers(2, 5)):
        hz, fall_s = draw.uniform(80.0, 400.0), draw.uniform(0.01, 0.06)
        sound += draw.uniform(0.3, 1.0) * np.exp(-time / fall_s) * np.sin(2.0 * math.pi * hz * time)
    sound += draw.uniform(0.2, 0.8) * np.exp(-time / 0.003) * draw.standard_normal(time.size)
    return _to_peak(sound, draw.uniform(-30.0, -8.0))


def scrape(draw: np.random.Generator, rate_hz: int) -> Sound:
    """A saddle shoved along its seat: noise in a band, in fits and starts."""
    time = np.arange(round(draw.uniform(0.1, 0.9) * rate_hz)) / rate_hz
    low = draw.uniform(200.0, 2500.0)
    band = butter(2, (low, min(0.45 * rate_hz, low * draw.uniform(2.0, 5.0))), "band", fs=rate_hz, output="sos")
    catches = 0.6 + 0.4 * np.sign(np.sin(2.0 * math.pi * draw.uniform(8.0, 40.0) * time))
    sound = sosfilt(band, draw.standard_normal(time.size)) * catches * np.hanning(time.size)
    return _at(sound, draw.uniform(-42.0, -24.0))


def ting(draw: np.random.Generator, rate_hz: int) -> Sound:
    """A key or a clamp struck: a bar's partials."""
    time = np.arange(round(1.2 * rate_hz)) / rate_hz
    first_hz, fall_s = draw.uniform(250.0, 1800.0), draw.uniform(0.05, 0.4)
    sound = np.zeros(time.size)
    for ratio in BAR_MODES:
        hz = first_hz * ratio * draw.uniform(0.98, 1.02)
        if hz < 0.45 * rate_hz:
            sound += (
                draw.uniform(0.2, 1.0) * np.exp(-time * math.sqrt(ratio) / fall_s) * np.sin(2 * math.pi * hz * time)
            )
    return _to_peak(sound, draw.uniform(-34.0, -16.0))


def squeak(draw: np.random.Generator, rate_hz: int) -> Sound:
    """A dry screw: a rough tone that wanders."""
    time = np.arange(round(draw.uniform(0.2, 0.8) * rate_hz)) / rate_hz
    start_hz, glide, wobble = draw.uniform(200.0, 1200.0), draw.uniform(-0.5, 0.5), draw.uniform(2.0, 9.0)
    octaves = glide * time / time[-1] + 0.03 * np.sin(2.0 * math.pi * wobble * time)
    turns = np.cumsum(start_hz * 2.0**octaves) / rate_hz
    sound = sum(np.sin(2.0 * math.pi * k * turns) / k for k in range(1, 6)) * np.hanning(time.size) ** 0.3
    return _at(np.asarray(sound) + 0.1 * draw.standard_normal(time.size), draw.uniform(-42.0, -26.0))


def let_down(draw: np.random.Generator, rate_hz: int) -> Sound:
    """A string that sounds while its peg is turned back: a plucked note that glides down."""
    time = np.arange(round(draw.uniform(0.8, 2.0) * rate_hz)) / rate_hz
    start_hz = draw.choice([82.4, 110.0, 146.8, 196.0, 246.9, 329.6])
    octaves = -draw.uniform(0.2, 0.7) * time / time[-1]
    turns = np.cumsum(start_hz * 2.0**octaves) / rate_hz
    parts = [np.exp(-time * (0.5 + 0.2 * k)) * np.sin(2.0 * math.pi * k * turns) / k for k in range(1, 13)]
    return _at(np.asarray(sum(parts)), draw.uniform(-38.0, -22.0))


def strum(draw: np.random.Generator, rate_hz: int, instrument: Instrument) -> Sound:
    """All strings of a guitar like this one at once, near their pitches: left to ring, or muted by the hand."""
    numbers = range(1, len(instrument.strings) + 1)
    guitar = Guitar.from_instrument(
        instrument,
        seed=int(draw.integers(1 << 30)),
        sample_rate_hz=float(rate_hz),
        detune_cents=[draw.normal(0.0, 8.0) for _ in numbers],
        noise_dbfs=None,
        hum_dbfs=None,
    )
    strength, gap_s = draw.uniform(0.15, 1.2), draw.uniform(0.004, 0.025)
    order = list(numbers) if draw.random() < 0.4 else list(reversed(numbers))
    parts = []
    for number in order:
        guitar.pluck(number, OPEN, strength * draw.uniform(0.7, 1.3))
        parts.append(guitar.render(round(gap_s * rate_hz)))
    muted = draw.random() < 0.5
    parts.append(guitar.render(round((draw.uniform(0.03, 0.12) if muted else draw.uniform(0.5, 2.5)) * rate_hz)))
    guitar.damp()
    parts.append(guitar.render(round(0.1 * rate_hz)))
    return np.concatenate(parts)[:, 0]


def kinds(instrument: Instrument, program: str) -> dict[str, Callable[[np.random.Generator, int], Sound]]:
    """Every kind of noise by name."""
    return {
        "talk": lambda draw, rate_hz: talk(draw, rate_hz, program),
        "knock": knock,
        "strum": lambda draw, rate_hz: strum(draw, rate_hz, instrument),
        "scrape": scrape,
        "ting": ting,
        "squeak": squeak,
        "let down": let_down,
    }


def _at(sound: NDArray[np.float64], level_dbfs: float) -> Sound:
    rms = math.sqrt(float(np.mean(sound**2))) or 1.0
    return np.asarray(sound * 10.0 ** (level_dbfs / 20.0) / rms, dtype=np.float32)


def _to_peak(sound: NDArray[np.float64], peak_dbfs: float) -> Sound:
    return np.asarray(sound * 10.0 ** (peak_dbfs / 20.0) / np.abs(sound).max(), dtype=np.float32)
