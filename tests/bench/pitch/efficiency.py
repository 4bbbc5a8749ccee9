"""Part 2: our RMS error on steady, dying tones in white noise against the Cramer-Rao bound."""

from __future__ import annotations

import math

import numpy as np
from bounds import CENTS_PER_E, string_tone
from peers import interpolated_fft
from tables import Printer

from oscservice import window_pitch
from oscservice.errors import NoNoteError

RATE_HZ = 48000.0
NOTES = {"B0": 30.87, "E2": 82.41, "E4": 329.63}
SNRS_DB = (30.0, 50.0)
WINDOWS_S = (0.25, 0.5, 1.0)


def _rms(errors: list[float]) -> float:
    return math.sqrt(float(np.mean(np.square(errors)))) if errors else math.nan


def measure(trials: int, seed: int, printer: Printer) -> None:
    """Print the table: bounds, RMS errors and their ratios, each from so many tones with phases and noise of their own.

    The pitch lies within 50 cents of the note's, drawn anew for each tone, so that no grid favours anyone.
    """
    printer.heading(f"RMS error against the Cramer-Rao bound, {trials} tones a row")
    printer.remark(
        "Stiff strings (B = 0.0001) of steady pitch that die away, in white noise. The signal-to-noise ratio is the "
        f"mean power of the first partial over the window against all the noise from 0 to {RATE_HZ / 2000:.0f} kHz. "
        "Decay, amplitude and phase of every partial are unknown; f0 and B too where all partials are used. "
        f"So many tones leave {100.0 / math.sqrt(2.0 * trials):.0f} % of doubt (1 sd) in an RMS error."
    )
    rows = []
    for name, nominal_hz in NOTES.items():
        for snr_db in SNRS_DB:
            for length_s in WINDOWS_S:
                draw = np.random.default_rng((seed, round(100 * nominal_hz), round(snr_db), round(1000 * length_s)))
                rows.append(
                    [name, f"{snr_db:.0f}", f"{length_s:.2f}", *_case(draw, nominal_hz, snr_db, length_s, trials)]
                )
    printer.table(
        (
            "note",
            "dB",
            "window s",
            "bound, first alone (cents)",
            "bound, all partials",
            "ours RMS",
            "refused",
            "ours / first alone",
            "ours / all",
            "FFT / first alone",
        ),
        rows,
    )


def _case(draw: np.random.Generator, nominal_hz: float, snr_db: float, length_s: float, trials: int) -> list[str]:
    count = round(length_s * RATE_HZ)
    ours: list[float] = []
    theirs: list[float] = []
    first_bounds: list[float] = []
    all_bounds: list[float] = []
    refused = 0
    for trial in range(trials):
        f1_hz = nominal_hz * 2.0 ** (float(draw.uniform(-50.0, 50.0)) / 1200.0)
        tone = string_tone(f1_hz, RATE_HZ, draw)
        noise_power = tone.first_power(count, RATE_HZ) * 10.0 ** (-snr_db / 10.0)
        heard = tone.samples(count, RATE_HZ) + math.sqrt(noise_power) * draw.standard_normal(count)
        if trial < 3:  # the bound hardly depends on phases and the exact pitch
            first_bounds.append(CENTS_PER_E / f1_hz * tone.first_alone_sd_hz(count, RATE_HZ, noise_power))
            all_bounds.append(CENTS_PER_E / f1_hz * tone.all_partials_sd_hz(count, RATE_HZ, noise_power))
        try:
            ours.append(1200.0 * math.log2(window_pitch(heard, RATE_HZ, nominal_hz).f1_hz / f1_hz))
        except NoNoteError:
            refused += 1
        other = interpolated_fft(heard, RATE_HZ, nominal_hz)
        if other is not None:
            theirs.append(1200.0 * math.log2(other / f1_hz))
    first, every, mine = _rms(first_bounds), _rms(all_bounds), _rms(ours)
    return [
        f"{first:.6f}",
        f"{every:.6f}",
        f"{mine:.6f}",
        str(refused),
        f"{mine / first:.2f}",
        f"{mine / every:.2f}",
        f"{_rms(theirs) / first:.2f}",
    ]
