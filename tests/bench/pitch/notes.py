"""The notes of the pitch benchmark: synthetic strings whose pitch is known exactly, the same for every seed given.

All of it is made up; the ranges are chosen to hold what recorded electric guitars and basses show: B0 to fret 24 of E4,
a glide of up to 12 cents that dies about as fast as the power does, two polarisations up to a cent or two apart that
die at different speeds, partials that stray from the stiff-string law, hum 35 to 50 dB and noise 45 to 70 dB below.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from made_sound import NoteTruth, synthetic_note
from numpy.typing import NDArray

RATE_HZ = 48000.0
LOWEST_HZ = 30.868  # B0
HIGHEST_HZ = 1318.51  # fret 24 of E4
PLUCK_S = 0.3
WINDOW_S = (0.4, 1.2)
"""The window, in seconds after the pluck."""


@dataclass(frozen=True)
class Note:
    """A note and its true values.

    ``samples`` float64, shape (n,), at ``rate_hz``; ``window_hz`` is the mean frequency of the first partial as heard
    (both polarisations) over ``WINDOW_S``, ``settled_hz`` that of the stronger polarisation once the glide has gone;
    ``nominal_hz`` is what the technician would have asked for, up to 40 cents off.
    """

    samples: NDArray[np.float64]
    rate_hz: float
    truth: NoteTruth
    window_hz: float
    settled_hz: float
    nominal_hz: float

    @property
    def window(self) -> NDArray[np.float64]:
        """The samples of the window."""
        start = round((PLUCK_S + WINDOW_S[0]) * self.rate_hz)
        return self.samples[start : start + round((WINDOW_S[1] - WINDOW_S[0]) * self.rate_hz)]


def _note(**parameters: float) -> Note:
    draw = np.random.default_rng((int(parameters["seed"]), 7))
    samples, truth = synthetic_note(sample_rate_hz=RATE_HZ, pluck_s=PLUCK_S, **parameters)  # type: ignore[arg-type]
    start_s, end_s = PLUCK_S + WINDOW_S[0], PLUCK_S + WINDOW_S[1]
    nominal_hz = truth.f1_hz * 2.0 ** (float(draw.uniform(-40.0, 40.0)) / 1200.0)
    return Note(samples, RATE_HZ, truth, truth.heard_mean_hz(start_s, end_s), truth.f1_hz, nominal_hz)


def _string(draw: np.random.Generator) -> dict[str, float]:
    f1_hz = float(np.exp(draw.uniform(np.log(LOWEST_HZ), np.log(HIGHEST_HZ))))
    return {
        "f1_hz": f1_hz,
        "inharmonicity": float(np.exp(draw.uniform(np.log(1.3e-5), np.log(5e-4)))),
        # High notes die sooner: by about half from two octaves to the next (common practice, no source).
        "decay_s": float(draw.uniform(1.0, 3.0) * (f1_hz / 82.4) ** -0.3),
        "decay_per_partial": float(draw.uniform(0.05, 0.3)),
        "pluck_position": float(draw.uniform(0.06, 0.3)),
        "pickup_position": float(draw.uniform(0.06, 0.25)),
        "level_dbfs": -12.0,
    }


def full_set(count: int = 300, seed: int = 1) -> Iterator[Note]:
    """Notes with everything that troubles a real one: glide, beating, straying partials, hum, noise and attack."""
    draw = np.random.default_rng(seed)
    for number in range(count):
        string = _string(draw)
        yield _note(
            **string,
            seconds=PLUCK_S + 3.0,
            glide_cents=float(draw.uniform(0.0, 12.0)),
            # The glide goes with the power (Lee, Smith, Abel & Berger, DAFx-09, abstract), a quarter either way.
            glide_tau_s=string["decay_s"] / 2.0 * float(np.exp(0.25 * draw.standard_normal())),
            polarisation_split_cents=float(0.6 * draw.standard_normal()),
            polarisation_share=float(draw.uniform(0.05, 0.4)),
            polarisation_decay=float(draw.uniform(0.6, 1.6)),
            polarisation_spread=0.5,
            noise_dbfs=float(draw.uniform(-82.0, -57.0)),
            hum_hz=float(draw.choice([50.0, 60.0]) + draw.uniform(-0.1, 0.1)),
            hum_dbfs=float(draw.uniform(-62.0, -47.0)),
            attack_noise=0.3,
            stray_cents=0.5,
            seed=seed * 100_000 + number,
        )


def steady_set(count: int = 100, seed: int = 2) -> Iterator[Note]:
    """Stiff strings that only die away, in noise 60 dB below: what an estimator does when nothing moves."""
    draw = np.random.default_rng(seed)
    for number in range(count):
        yield _note(**_string(draw), seconds=PLUCK_S + 1.5, noise_dbfs=-72.0, seed=seed * 100_000 + number)
