"""A test signal: one plucked note of a stiff string whose pitch is known exactly.

Used to test hearing. Every partial is evaluated directly in double precision, sample by sample, so the truth that
comes with the samples holds to rounding. Levels are 20 log10(rms) with full scale = 1.0; cents + is sharp; time in
seconds from the first sample.

The partials of a stiff string follow f_k = k f0 sqrt(1 + B k^2) (H. Fletcher, JASA 36 (1964) 203).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oscservice.simulate.background import HUM_MULTIPLES
from oscservice.simulate.voice import TOP_OF_BAND

FloatArray = NDArray[np.float64]

LEVEL_WINDOW_S = 0.1
"""The level of a note is taken over this long from the pluck."""


@dataclass(frozen=True)
class NoteTruth:
    """The true values of a synthetic note.

    ``f1_hz`` is the first partial after the glide has died away, of the stronger polarisation. ``f0_hz`` is the
    frequency of the same string without stiffness: f1 = f0 sqrt(1 + B). ``partials_hz`` are the settled partials,
    strays included, shape (K,).
    """

    f1_hz: float
    f0_hz: float
    inharmonicity: float
    partials_hz: FloatArray
    pluck_s: float
    glide_cents: float
    glide_tau_s: float
    polarisation_split_cents: float
    polarisation_share: float
    polarisation_rates: tuple[float, float] = (0.0, 0.0)  # amplitude decay of the two at the first partial, 1/s

    def momentary_hz(self, t_s: float) -> float:
        """Frequency of the first partial (stronger polarisation) at ``t_s``.

        Raises:
            ValueError: the note hasn't been plucked yet.
        """
        return self.f1_hz * (1.0 + self._rise * math.exp(-self._since_pluck(t_s) / self.glide_tau_s))

    def mean_hz(self, t0_s: float, t1_s: float) -> float:
        """Mean of ``momentary_hz`` over ``t0_s`` to ``t1_s``: cycles passed, divided by the time.

        Raises:
            ValueError: the stretch is empty or starts before the pluck.
        """
        if not t1_s > t0_s:
            raise ValueError(f"no time between {t0_s} s and {t1_s} s")
        start, end = self._since_pluck(t0_s), self._since_pluck(t1_s)
        tau = self.glide_tau_s
        surplus = self._rise * tau * (math.exp(-start / tau) - math.exp(-end / tau))
        return self.f1_hz * (1.0 + surplus / (end - start))

    def heard_hz(self, t_s: float) -> float:
        """Momentary frequency at ``t_s`` of the first partial as heard: both polarisations together.

        Raises:
            ValueError: the note hasn't been plucked yet.
        """
        steady = self.momentary_hz(t_s)
        tones = self._polarisations(np.array([t_s]))
        rates = -np.array(self.polarisation_rates) + 2j * np.pi * steady * np.array([1.0, self._ratio])
        swing = complex(tones.sum(axis=0)[0])
        return float((complex((rates[:, None] * tones).sum(axis=0)[0]) / swing).imag / (2.0 * math.pi))

    def heard_mean_hz(self, t0_s: float, t1_s: float) -> float:
        """Mean of ``heard_hz`` over ``t0_s`` to ``t1_s``: cycles passed of what is heard, divided by the time.

        Raises:
            ValueError: the stretch is empty or starts before the pluck.
        """
        mean_hz = self.mean_hz(t0_s, t1_s)
        # Against the stronger polarisation the sum only turns slowly: its phase, followed without a jump.
        beat_hz = abs(self._ratio - 1.0) * self.f1_hz
        times = np.linspace(t0_s, t1_s, 64 + 64 * math.ceil(beat_hz * (t1_s - t0_s)))
        tones = self._polarisations(times)
        turned = np.unwrap(np.angle(tones.sum(axis=0) / (tones[0] / np.abs(tones[0]))))
        return mean_hz + float(turned[-1] - turned[0]) / (2.0 * math.pi * (t1_s - t0_s))

    def _polarisations(self, times_s: FloatArray) -> NDArray[np.complex128]:
        """The two polarisations of the first partial as analytic signals, shape (2, n)."""
        since = times_s - self.pluck_s
        warped = since + self._rise * self.glide_tau_s * -np.expm1(-since / self.glide_tau_s)
        share = self.polarisation_share if self.polarisation_split_cents else 0.0
        parts = np.array([[1.0 - share], [share]])
        ratios = np.array([[1.0], [self._ratio]])
        fall = np.exp(-np.array(self.polarisation_rates)[:, None] * since)
        return np.asarray(parts * fall * np.exp(2j * np.pi * self.f1_hz * ratios * warped))

    @property
    def _ratio(self) -> float:
        return math.pow(2.0, self.polarisation_split_cents / 1200.0)

    @property
    def _rise(self) -> float:
        return math.pow(2.0, self.glide_cents / 1200.0) - 1.0

    def _since_pluck(self, t_s: float) -> float:
        if t_s < self.pluck_s:
            raise ValueError(f"{t_s} s lies before the pluck at {self.pluck_s} s")
        return t_s - self.pluck_s


def synthetic_note(
    *,
    f1_hz: float | None = None,
    f0_hz: float | None = None,
    inharmonicity: float = 1e-4,
    sample_rate_hz: float = 48000.0,
    seconds: float = 3.0,
    pluck_s: float = 0.1,
    glide_cents: float = 0.0,
    glide_tau_s: float = 0.8,
    polarisation_split_cents: float = 0.0,
    polarisation_share: float = 0.2,
    polarisation_decay: float = 1.0,
    polarisation_spread: float = 0.0,
    decay_s: float = 2.0,
    decay_per_partial: float = 0.15,
    level_dbfs: float = -20.0,
    noise_dbfs: float | None = None,
    hum_hz: float = 50.0,
    hum_dbfs: float | None = None,
    attack_noise: float = 0.0,
    stray_cents: float = 0.0,
    pluck_position: float = 0.2,
    pickup_position: float = 0.12,
    partials: int = 40,
    seed: int = 0,
) -> tuple[FloatArray, NoteTruth]:
    """One plucked note after ``pluck_s`` of silence, with its true values.

    Parameters
    ----------
    f1_hz, f0_hz
        Settled first partial, or the frequency without stiffness; give exactly one.
    inharmonicity
        B of f_k = k f0 sqrt(1 + B k^2).
    sample_rate_hz, seconds, pluck_s
        The samples last ``seconds`` in all, the silence before the pluck included.
    glide_cents, glide_tau_s
        How far all partials start sharp, and the time in which that excess frequency falls to 1/e.
    polarisation_split_cents, polarisation_share
        The second polarisation stands this far above the first (its share of the amplitude is ``polarisation_share``,
        0 to 0.5; left out when the split is 0).
    polarisation_decay, polarisation_spread
        The second polarisation dies this many times as fast as the first; and the split of partials 2, 3, ... scatters
        by this share of ``polarisation_split_cents`` (1 sd).
    decay_s, decay_per_partial
        Amplitude of partial k falls to 1/e in decay_s / (1 + decay_per_partial (k - 1)).
    level_dbfs
        Level of the tone alone over the first 0.1 s from the pluck.
    noise_dbfs, hum_hz, hum_dbfs
        White noise and mains hum with multiples through the whole length; None for none.
    attack_noise
        Level of a noise burst at the pluck (it dies away in 4 ms), as a multiple of the tone's rms.
    stray_cents
        Standard deviation by which partials 2, 3, ... stray from the law; the first never does.
    pluck_position, pickup_position
        Fractions of the string's length, from the saddle; they shape the partials' amplitudes.
    partials
        At most so many, and none above 0.45 of the sample rate.
    seed
        Noise, strays and the phases of the hum follow from it.

    Returns
    -------
    samples, truth
        float64 of shape (frames,), not clipped; and a NoteTruth.

    Raises
    ------
    ValueError
        Not exactly one of f1_hz and f0_hz, or a value out of range.
    """
    if (f1_hz is None) == (f0_hz is None):
        raise ValueError("give exactly one of f1_hz and f0_hz")
    above_zero = min(sample_rate_hz, decay_s, polarisation_decay, glide_tau_s) > 0.0
    if inharmonicity < 0.0 or not above_zero or partials < 1:
        raise ValueError("inharmonicity must not be negative; rate, decay, glide time and partials must be above 0")
    if not 0.0 <= pluck_s < seconds:
        raise ValueError(f"pluck_s {pluck_s} must lie within the {seconds} s")
    if not 0.0 <= polarisation_share <= 0.5:
        raise ValueError(f"polarisation_share {polarisation_share} is not within 0 to 0.5")
    stretch = math.sqrt(1.0 + inharmonicity)
    base_hz = f0_hz if f0_hz is not None else (f1_hz or 0.0) / stretch
    first_hz = f1_hz if f1_hz is not None else base_hz * stretch
    if not 0.0 < first_hz < TOP_OF_BAND * sample_rate_hz:
        raise ValueError(f"the first partial, {first_hz} Hz, must be above 0 and below 0.45 of the sample rate")

    rng = np.random.default_rng(seed)
    k = np.arange(1, partials + 1, dtype=np.float64)
    splits = polarisation_split_cents * (
        1.0 + polarisation_spread * np.random.default_rng((seed, 1)).standard_normal(partials)
    )
    splits[0] = polarisation_split_cents
    frequencies = k * base_hz * np.sqrt(1.0 + inharmonicity * k**2)
    strays = stray_cents * rng.standard_normal(partials)
    strays[0] = 0.0
    frequencies = frequencies * 2.0 ** (strays / 1200.0)
    frequencies[0] = first_hz
    amplitudes = np.sin(k * math.pi * pluck_position) * np.sin(k * math.pi * pickup_position) / k
    kept = frequencies < TOP_OF_BAND * sample_rate_hz
    k, frequencies, amplitudes, splits = k[kept], frequencies[kept], amplitudes[kept], splits[kept]
    rates = (1.0 + decay_per_partial * (k - 1.0)) / decay_s

    truth = NoteTruth(
        f1_hz=first_hz,
        f0_hz=base_hz,
        inharmonicity=inharmonicity,
        partials_hz=frequencies,
        pluck_s=pluck_s,
        glide_cents=glide_cents,
        glide_tau_s=glide_tau_s,
        polarisation_split_cents=polarisation_split_cents,
        polarisation_share=polarisation_share,
        polarisation_rates=(float(rates[0]), float(rates[0]) * polarisation_decay),
    )

    frames = round(seconds * sample_rate_hz)
    time = np.arange(frames) / sample_rate_hz
    sounding = time >= pluck_s
    since = time[sounding] - pluck_s
    rise = 2.0 ** (glide_cents / 1200.0) - 1.0
    warped = since + rise * glide_tau_s * -np.expm1(-since / glide_tau_s)
    tone = np.zeros(since.size)
    second = polarisation_share if polarisation_split_cents != 0.0 else 0.0
    for frequency, amplitude, rate, split in zip(frequencies, amplitudes, rates, splits, strict=True):
        turn = 2.0 * math.pi * frequency * warped
        tone += amplitude * (1.0 - second) * np.exp(-rate * since) * np.sin(turn)
        if second:
            fall = np.exp(-rate * polarisation_decay * since)
            tone += amplitude * second * fall * np.sin(turn * 2.0 ** (split / 1200.0))
    tone_rms = 10.0 ** (level_dbfs / 20.0)
    tone *= tone_rms / _rms(tone[: max(1, round(LEVEL_WINDOW_S * sample_rate_hz))])
    if attack_noise:
        tone += attack_noise * tone_rms * np.exp(-since / 0.004) * rng.standard_normal(since.size)

    samples = np.zeros(frames)
    samples[sounding] = tone
    if noise_dbfs is not None:
        samples += 10.0 ** (noise_dbfs / 20.0) * rng.standard_normal(frames)
    if hum_dbfs is not None:
        hum = np.zeros(frames)
        for multiple, strength in HUM_MULTIPLES.items():
            hum += strength * np.sin(2.0 * math.pi * (multiple * hum_hz * time + rng.random()))
        samples += hum * 10.0 ** (hum_dbfs / 20.0) / math.sqrt(sum(s * s for s in HUM_MULTIPLES.values()) / 2.0)
    return samples, truth


def _rms(samples: FloatArray) -> float:
    return math.sqrt(float(np.mean(samples**2))) or 1.0
