"""General-purpose pitch estimators, each used as a competent user would who knows which note was asked for.

A peer is a function of the window's samples, the sample rate and the pitch asked for (right to within a semitone); it
gives the mean pitch over the window in Hz, or None when it refuses. Knowing the note, its user gives the range half an
octave or so either side, sizes the frames to the note's period, and takes the mean of the frames that agree.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

Samples = NDArray[np.float64]
Estimate = Callable[[Samples, float, float], float | None]

REACH = 1.5
"""The range a peer may answer in reaches from the pitch asked for divided by this to it times this."""

INSTALL = "pip install -e '.[bench]'"


@dataclass(frozen=True)
class Peer:
    """An estimator, its name in the table, and the module it needs."""

    name: str
    estimate: Estimate
    module: str

    @property
    def installed(self) -> bool:
        """True if its module can be imported."""
        return importlib.util.find_spec(self.module) is not None


def agreeing_mean(frames_hz: Any) -> float | None:
    """Mean over the frames within half a semitone of their median; None when no frame has a pitch."""
    frames = np.asarray(frames_hz, dtype=np.float64)
    heard = frames[np.isfinite(frames) & (frames > 0.0)]
    if not len(heard):
        return None
    middle = float(np.median(heard))
    near = heard[np.abs(np.log2(heard / middle)) < 0.5 / 12.0]
    return float(near.mean()) if len(near) else middle


def band_pass(samples: Samples, rate_hz: float, hint_hz: float) -> Samples:
    """The first partial alone: Butterworth band-pass of order 4, run both ways, from 0.67 to 1.41 of the note."""
    sections = butter(4, (hint_hz / 1.5, hint_hz * 2.0**0.5), "bandpass", fs=rate_hz, output="sos")
    return np.asarray(sosfiltfilt(sections, samples, padlen=min(len(samples) - 1, round(6.0 * rate_hz / hint_hz))))


def filtered(estimate: Estimate, edge_periods: float = 3.0) -> Estimate:
    """The estimator behind the band-pass, the filter's ringing at either end cut off."""

    def behind(samples: Samples, rate_hz: float, hint_hz: float) -> float | None:
        edge = min(round(edge_periods * rate_hz / hint_hz), len(samples) // 8)
        return estimate(band_pass(samples, rate_hz, hint_hz)[edge : len(samples) - edge], rate_hz, hint_hz)

    return behind


def frame_of(periods: float, rate_hz: float, hint_hz: float, most: int, least: int = 1024) -> int:
    """Frame length in samples: the next power of two that holds so many periods, within limits."""
    return int(np.clip(1 << int(np.ceil(np.log2(periods * rate_hz / hint_hz))), least, most))


def aubio_pitch(
    samples: Samples, rate_hz: float, hint_hz: float, *, method: str, periods: float, hops: int, most: int = 16384
) -> float | None:
    """One of aubio's pitch methods, so many hops a frame; frames that reach before the window's start are left out."""
    import aubio

    size = frame_of(periods, rate_hz, hint_hz, most)
    hop = size // hops
    detector = aubio.pitch(method, size, hop, int(rate_hz))
    detector.set_unit("Hz")
    single = samples.astype(np.float32)
    found = [float(detector(single[i : i + hop])[0]) for i in range(0, len(single) - hop + 1, hop)]
    return agreeing_mean(within_reach(found[size // hop - 1 :], hint_hz))


def within_reach(frames_hz: Any, hint_hz: float) -> Samples:
    """Frames outside the range that was asked for count as unheard (NaN)."""
    frames = np.asarray(frames_hz, dtype=np.float64)
    return np.where((frames > hint_hz / REACH) & (frames < hint_hz * REACH), frames, np.nan)


def librosa_pyin(samples: Samples, rate_hz: float, hint_hz: float, *, periods: float) -> float | None:
    """pYIN (Mauch & Dixon, ICASSP 2014) in steps of 1 cent, two semitones either side (the default: 10 cents)."""
    import librosa

    size = frame_of(periods, rate_hz, hint_hz, most=32768)
    reach = 2.0 ** (2.0 / 12.0)
    frames, _, _ = librosa.pyin(
        samples,
        fmin=hint_hz / reach,
        fmax=hint_hz * reach,
        sr=rate_hz,
        frame_length=size,
        hop_length=size // 8,
        resolution=0.01,
        max_transition_rate=1.0,  # octaves a second: a string glides, it doesn't leap
        center=False,
    )
    return agreeing_mean(frames)


def librosa_reassigned(samples: Samples, rate_hz: float, hint_hz: float) -> float | None:
    """Reassigned spectrogram: in each frame the reassigned frequency of the strongest bin near the note."""
    import librosa

    size = frame_of(16.0, rate_hz, hint_hz, most=32768)
    frequencies, _, magnitudes = librosa.reassigned_spectrogram(
        samples, sr=rate_hz, n_fft=size, hop_length=size // 8, center=False, reassign_times=False, fill_nan=False
    )
    bins = np.arange(len(magnitudes)) * rate_hz / size
    near = (bins > hint_hz / REACH) & (bins < hint_hz * REACH)
    strongest = np.argmax(magnitudes[near], axis=0)
    return agreeing_mean(within_reach(frequencies[near][strongest, np.arange(len(strongest))], hint_hz))


def praat_ac(samples: Samples, rate_hz: float, hint_hz: float) -> float | None:
    """Praat's autocorrelation (Boersma, IFA Proceedings 17 (1993) 97), very accurate.

    The floor also sets the frame (6 periods of it): lower than the range needs, for frames of 15 periods of the note.
    """
    import parselmouth

    sound = parselmouth.Sound(samples, sampling_frequency=rate_hz)
    try:
        pitch = sound.to_pitch_ac(
            time_step=0.005, pitch_floor=hint_hz / 2.5, very_accurate=True, pitch_ceiling=hint_hz * REACH
        )
    except parselmouth.PraatError:  # the sound is too short for the floor
        return None
    return agreeing_mean(within_reach(pitch.selected_array["frequency"], hint_hz))


def world_dio(samples: Samples, rate_hz: float, hint_hz: float, *, refined: bool) -> float | None:
    """WORLD: DIO, refined by StoneMask or not (Morise, Yokomori & Ozawa, IEICE Trans. E99-D (2016) 1877)."""
    import pyworld

    wave = np.ascontiguousarray(samples)
    found, times = pyworld.dio(wave, int(rate_hz), f0_floor=hint_hz / REACH, f0_ceil=hint_hz * REACH, frame_period=5.0)
    if refined:
        found = pyworld.stonemask(wave, found, times, int(rate_hz))
    return agreeing_mean(within_reach(found, hint_hz))


def world_harvest(samples: Samples, rate_hz: float, hint_hz: float) -> float | None:
    """WORLD: Harvest (Morise, Interspeech 2017)."""
    import pyworld

    found, _ = pyworld.harvest(
        np.ascontiguousarray(samples),
        int(rate_hz),
        f0_floor=hint_hz / REACH,
        f0_ceil=hint_hz * REACH,
        frame_period=5.0,
    )
    return agreeing_mean(within_reach(found, hint_hz))


def interpolated_fft(samples: Samples, rate_hz: float, hint_hz: float) -> float | None:
    """The strongest peak of one Hann spectrum (padded eightfold) near the note, by a parabola on log magnitudes."""
    size = 8 << (len(samples) - 1).bit_length()
    log = np.log(np.abs(np.fft.rfft(samples * np.hanning(len(samples) + 2)[1:-1], size)) + 1e-30)
    first, last = (int(hz * size / rate_hz) for hz in (hint_hz / REACH, hint_hz * REACH))
    at = first + int(np.argmax(log[first:last]))
    if not first < at < last - 1:
        return None
    left, middle, right = log[at - 1 : at + 2]
    return float((at + 0.5 * (left - right) / (left - 2.0 * middle + right)) * rate_hz / size)


def all_peers() -> list[Peer]:
    """Every peer of the table, installed or not."""
    # Frames and hops: those that did best on these notes. yinfft and pYIN lean to one side by how much of the frame a
    # lag loses, and so want long frames once the first partial stands alone; mcomb wants short hops. DIO looks at the
    # lowest partial, StoneMask at the higher ones too, which on a stiff string makes it worse.
    yinfft = partial(aubio_pitch, method="yinfft", periods=32.0, hops=8, most=32768)
    yinfast = partial(aubio_pitch, method="yinfast", periods=4.0, hops=8)
    mcomb = partial(aubio_pitch, method="mcomb", periods=8.0, hops=16)
    return [
        Peer("aubio yinfft", yinfft, "aubio"),
        Peer("aubio yinfft, band-pass", filtered(yinfft, 1.0), "aubio"),
        Peer("aubio yinfast", yinfast, "aubio"),
        Peer("aubio yinfast, band-pass", filtered(yinfast), "aubio"),
        Peer("aubio mcomb", mcomb, "aubio"),
        Peer("aubio mcomb, band-pass", filtered(mcomb), "aubio"),
        Peer("librosa pYIN", partial(librosa_pyin, periods=8.0), "librosa"),
        Peer("librosa pYIN, band-pass", filtered(partial(librosa_pyin, periods=64.0), 1.0), "librosa"),
        Peer("librosa reassigned", librosa_reassigned, "librosa"),
        Peer("Praat", praat_ac, "parselmouth"),
        Peer("Praat, band-pass", filtered(praat_ac), "parselmouth"),
        Peer("WORLD DIO", partial(world_dio, refined=False), "pyworld"),
        Peer("WORLD DIO, band-pass", filtered(partial(world_dio, refined=False)), "pyworld"),
        Peer("WORLD DIO + StoneMask", partial(world_dio, refined=True), "pyworld"),
        Peer("WORLD Harvest", world_harvest, "pyworld"),
        Peer("interpolated FFT", interpolated_fft, "numpy"),
    ]
