"""One partial as a signal model, fitted to its complex baseband by least squares.

One partial as a signal model: least squares on its complex baseband.

    z(t) = exp(a(t) + i p(t)) (1 + c exp(g t)) + sum_l h_l exp(i d_l t)

a(t) is a polynomial (the decay), p(t) whatever the caller's phase model says, c and g (complex) a second polarisation
that beats with the first, and h_l the lines of hum or of a neighbouring string that lie within the low-pass. Everything
is fitted at once by damped Gauss-Newton steps. Phases in radians, times in seconds.

Least squares of a tone on a partial's complex baseband: damped Gauss-Newton steps on everything at once.

Two polarisations of one partial: where to begin looking for the second.

A string swings in two planes whose bridge and nut give way differently; the two pitches differ by tenths of a cent to
a cent or two, and the partial beats (Weinreich, J. Acoust. Soc. Am. 62 (1977) 1474, for piano strings, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from scipy.linalg import block_diag

from oscservice.hearing.baseband import Baseband, ComplexSamples, correlation_length, lowpass_gain, unwrapped_phase
from oscservice.hearing.resampling import Samples
from oscservice.instrument.pitch import CENTS_PER_E


class PhaseModel(Protocol):
    """The phase p(t) of a tone."""

    @property
    def count(self) -> int:
        """Number of parameters."""

    @property
    def prior_mean(self) -> Samples:
        """Shape (count,)."""

    @property
    def prior_precision(self) -> Samples:
        """Inverse covariance, shape (count, count); 0 where nothing is known beforehand."""

    def phase(self, parameters: Samples) -> Samples:
        """p at every time, shape (n,)."""

    def slopes(self, parameters: Samples) -> Samples:
        """Its derivatives by the parameters, shape (n, count)."""


@dataclass(frozen=True)
class PolynomialPhase:
    """p(t) as a polynomial of ``degree``."""

    times: Samples
    degree: int

    @property
    def count(self) -> int:
        return self.degree + 1

    @property
    def prior_mean(self) -> Samples:
        return np.zeros(self.count)

    @property
    def prior_precision(self) -> Samples:
        return np.zeros((self.count, self.count))

    def phase(self, parameters: Samples) -> Samples:
        return np.asarray(np.polynomial.polynomial.polyval(self.times, parameters))

    def slopes(self, parameters: Samples) -> Samples:
        return np.vander(self.times, self.count, increasing=True)


@dataclass(frozen=True)
class GlidePhase:
    """p(t) of a string that falls to its pitch: a phase, a slope, and a glide of g exp(-2 t / tau).

    Parameters: phase in rad, slope in rad/s, g in cents at time 0 of ``times_s``, ln tau. The glide follows the energy
    of the vibration (Legge & Fletcher, J. Acoust. Soc. Am. 76 (1984) 5, cited from memory), so tau lies near the decay.

    Attributes:
        times_s: seconds, shape (n,).
        carrier_hz: frequency whose cents the glide is in.
        mean: of the prior of g and ln tau, shape (2,).
        precision: inverse covariance of that prior, shape (2, 2).
    """

    times_s: Samples
    carrier_hz: float
    mean: Samples
    precision: Samples
    count: int = 4

    @property
    def prior_mean(self) -> Samples:
        return np.concatenate(([0.0, 0.0], self.mean))

    @property
    def prior_precision(self) -> Samples:
        precision = np.zeros((4, 4))
        precision[2:, 2:] = self.precision
        return precision

    def phase(self, parameters: Samples) -> Samples:
        start, slope, glide, log_tau = parameters.tolist()
        bend = glide_phase(self.times_s, self.carrier_hz, log_tau)
        return np.asarray(start + slope * self.times_s + glide * bend)

    def slopes(self, parameters: Samples) -> Samples:
        bend, by_log_tau = glide_phase_and_derivative(self.times_s, self.carrier_hz, float(parameters[3]))
        return np.stack((np.ones_like(self.times_s), self.times_s, bend, parameters[2] * by_log_tau), axis=1)


def bounded_exp(rate: complex, times: Samples) -> ComplexSamples:
    """exp(rate t), shape (n,), held where it would leave what floats can hold."""
    exponent = rate * times
    return np.asarray(np.exp(np.minimum(exponent.real, 50.0) + 1j * exponent.imag))


def glide_phase(times_s: Samples, carrier_hz: float, log_tau: float) -> Samples:
    """Phase in radians that one cent of glide at time 0 adds by each time, shape (n,)."""
    scale, tau, fallen = _glide_terms(times_s, carrier_hz, log_tau)
    return np.asarray(scale * tau / 2.0 * (1.0 - fallen))


def glide_phase_and_derivative(times_s: Samples, carrier_hz: float, log_tau: float) -> tuple[Samples, Samples]:
    """The same, and its derivative by ln tau; both (n,)."""
    scale, tau, fallen = _glide_terms(times_s, carrier_hz, log_tau)
    bend = scale * tau / 2.0 * (1.0 - fallen)
    return bend, bend - scale * times_s * fallen


def _glide_terms(times_s: Samples, carrier_hz: float, log_tau: float) -> tuple[float, float, Samples]:
    """Radians a second of one cent, tau in seconds, and what is left of a glide of 1 by each time."""
    tau = math.exp(min(max(log_tau, -5.0), 5.0))
    return 2.0 * math.pi * carrier_hz / CENTS_PER_E, tau, np.exp(-2.0 * times_s / tau)


@dataclass(frozen=True)
class Line:
    """Another steady tone near the partial: its frequency in Hz and how large it may be (1 sd of its amplitude).

    ``multiple`` says which multiple of the mains it is: the multiples share what is not known of its frequency.
    """

    hz: float
    amplitude: float
    multiple: int = 0


@dataclass(frozen=True)
class Tone:
    """A fitted tone.

    Attributes:
        decay: coefficients of a(t), ascending.
        phase: parameters of the phase model.
        second: c and g of a second polarisation, or None.
        covariance: of (decay, phase, Re c, Im c, Re g, Im g) in that order, shape (p, p).
        independent: how many independent values the residual is worth.
        power: mean square of the residual.
        score: Bayesian information criterion (Schwarz, Ann. Stat. 6 (1978) 461); smaller is likelier.
        evidence: -2 log of the model's evidence by Laplace's method, for models that differ only in parameters with a
            prior (Kass & Raftery, J. Am. Stat. Assoc. 90 (1995) 773); smaller is likelier.
    """

    decay: Samples
    phase: Samples
    second: tuple[complex, complex] | None = None
    covariance: Samples = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    independent: float = 0.0
    power: float = math.inf
    score: float = math.inf
    evidence: float = math.inf

    def beating(self, times: Samples) -> ComplexSamples:
        """1 + c exp(g t): what the second polarisation does to the first, shape (n,)."""
        if self.second is None:
            return np.ones(len(times), dtype=np.complex128)
        c, g = self.second
        return np.asarray(1.0 + c * bounded_exp(g, times))


@dataclass(frozen=True)
class TonePrior:
    """What is known of a tone before it is heard, besides its phase: standard deviations, infinite for nothing.

    Attributes:
        decay: of the coefficients of a(t), ascending, as far as given.
        second: of c (real and imaginary part alike), Re g and Im g.
    """

    decay: tuple[float, ...] = ()
    second: tuple[float, float, float] = (math.inf, math.inf, math.inf)

    def precision(self, decays: int, poles: int) -> tuple[Samples, Samples]:
        """Diagonals of the inverse covariance for the decay, (decays,), and for the second polarisation, (poles,)."""
        decay = [1.0 / sd**2 for sd in self.decay[:decays]]
        c, g_re, g_im = (1.0 / sd**2 for sd in self.second)
        return np.array(decay + [0.0] * (decays - len(decay))), np.array([c, c, g_re, g_im][:poles])


def model_average(scores: Sequence[float], values: Sequence[float], variances: Sequence[float]) -> tuple[float, float]:
    """Several models' answers to one question as one, with its variance: what they disagree about is part of it.

    Bayesian model averaging (Hoeting et al., Stat. Sci. 14 (1999) 382).

    Args:
        scores: -2 log of each model's evidence, but for a constant.
        values, variances: each model's answer.

    Returns:
        Mean and variance; not a number and infinite when no model has an answer.
    """
    each = np.array([scores, values, variances])
    score, answer, variance = each[:, np.isfinite(each).all(axis=0)]  # a fit that ran away is no model
    if not len(score):
        return math.nan, math.inf
    likely = np.exp(-0.5 * np.minimum(score - score.min(), 700.0))
    likely /= likely.sum()
    mean = float(likely @ answer)
    return mean, max(0.0, float(likely @ (variance + (answer - mean) ** 2)))


_CONVERGED = 1e-3
"""A step that gains less than this in -2 log likelihood moves nothing by more than a few hundredths of its error."""
_LEAST_POWER = 1e-14
_MAINS_SD_HZ = 0.01
"""How well the mains frequency is known from the other lines, 1 sd."""


def fit_tone(
    band: Baseband,
    times: Samples,
    start: Tone,
    model: PhaseModel,
    lines: Sequence[Line] = (),
    beforehand: TonePrior = TonePrior(),
    independent: float = math.inf,
    steps: int = 40,
) -> Tone:
    """Fit from ``start``, with its degree of decay and a second polarisation if it has one.

    Args:
        band: the baseband.
        times: its times on the scale that the decay and the second polarisation are meant for, shape (n,).
        start: where to begin.
        model: the phase.
        lines: other tones that lie within the low-pass.
        beforehand: what is known without hearing it.
        independent: the values count for no more than so many independent ones. What no model here explains (a finger
            that moves, a neighbour that rings along) is no noise: neighbouring values share it.
        steps: at most so many steps.
    """
    problem = _LeastSquares.of(band, times, start, model, lines, beforehand, independent)
    theta = problem.packed(start)
    damping, growth = 1e-6, 4.0
    at = problem.at(theta)
    power = max(at.squares / len(band.values), _LEAST_POWER)
    gram: Samples | None = None
    for _ in range(steps):
        if gram is None:
            columns = problem.columns(at)
            gram, slope = columns.T @ columns, columns.T @ at.residual
        weight = problem.weight / power
        normal = weight * gram + problem.precision
        right = weight * slope - problem.precision @ (theta - problem.mean)
        normal.flat[:: len(normal) + 1] *= 1.0 + damping
        if not np.isfinite(normal).all():
            break
        moved = problem.relinear(theta + _solve(normal, right))
        there = problem.at(moved)
        gain = problem.cost(theta, power, power * len(band.values)) - problem.cost(moved, power, there.squares)
        if not gain >= 0.0:
            damping, growth = damping * growth, growth * 2.0
            if damping > 1e3:
                break
            continue
        theta, at, gram = moved, there, None
        damping, growth = max(1e-12, damping / 10.0), 4.0
        power = max(at.squares / len(band.values), _LEAST_POWER)
        if gain < _CONVERGED:
            break
    return problem.unpacked(theta, at)


@dataclass(frozen=True)
class _Evaluation:
    """The model at one set of parameters: both polarisations together, the second alone (bare, and as it stands), the
    lines and their amplitudes, all shape (n,) or (n, lines); and the residual, (2 n,), real parts over imaginary ones,
    with the sum of its squares, which is infinite where the model overflows."""

    theta: Samples
    tone: ComplexSamples
    other: ComplexSamples | None
    c: complex
    extra: ComplexSamples
    heard: ComplexSamples
    residual: Samples
    squares: float


@dataclass(frozen=True)
class _LeastSquares:
    """The least squares: parameters are (decay, phase, Re c, Im c, Re g, Im g, then Re h, Im h of each line, and what
    the mains frequency is off, in parts of what may be expected).

    ``weight`` times a squared residual, over the residual's mean power, is its share of -2 log likelihood: values that
    share samples with their neighbours count for what is new in them.
    """

    values: ComplexSamples
    scale: float
    times: Samples
    powers: Samples
    model: PhaseModel
    poles: int
    extra: ComplexSamples
    mains_turn: Samples
    mean: Samples
    precision: Samples
    weight: float

    @classmethod
    def of(
        cls,
        band: Baseband,
        times: Samples,
        start: Tone,
        model: PhaseModel,
        lines: Sequence[Line],
        beforehand: TonePrior,
        independent: float,
    ) -> _LeastSquares:
        scale = float(np.abs(band.values).max())
        extra, precision = line_columns(band, lines)
        decays, poles = len(start.decay), 0 if start.second is None else 4
        of_decay, of_second = beforehand.precision(decays, poles)
        zeros = np.zeros(decays)
        mains = 1 if any(line.multiple for line in lines) else 0
        middle_s = float(band.times_s.mean())
        off = 2.0 * np.pi * _MAINS_SD_HZ * (band.times_s - middle_s)
        return cls(
            values=band.values / scale,
            scale=scale,
            times=times,
            powers=np.vander(times, decays, increasing=True),
            model=model,
            poles=poles,
            extra=extra,
            mains_turn=off[:, None] * np.array([float(line.multiple) for line in lines])[None, : mains * len(lines)],
            mean=np.concatenate((zeros, model.prior_mean, np.zeros(poles + 2 * len(lines) + mains))),
            precision=block_diag(
                np.diag(of_decay),
                model.prior_precision,
                np.diag(of_second),
                np.diag(np.repeat(precision, 2) * scale**2),
                np.diag(np.ones(mains)),
            ),
            weight=2.0 * min(1.0, band.step_s / band.memory_s, independent / len(times)),
        )

    @property
    def count(self) -> int:
        """Parameters without those of the lines."""
        return int(self.powers.shape[1]) + self.model.count + self.poles

    def packed(self, tone: Tone) -> Samples:
        pole = [part for z in tone.second or () for part in (z.real, z.imag)]
        rest = np.zeros(len(self.mean) - self.count)
        theta = np.concatenate((tone.decay, tone.phase, pole, rest))
        theta[0] -= math.log(self.scale)
        return np.asarray(theta)

    def unpacked(self, theta: Samples, place: _Evaluation) -> Tone:
        at = self.powers.shape[1]
        after = at + self.model.count
        decay = theta[:at].copy()
        decay[0] += math.log(self.scale)
        second = None
        if self.poles:
            c_re, c_im, g_re, g_im = theta[after : after + 4].tolist()
            second = complex(c_re, c_im), complex(g_re, g_im)
        residual, columns = place.residual, self.columns(place)
        power = max(float(residual @ residual) / len(self.values), _LEAST_POWER)
        nominal = max(4.0, len(self.values) * self.weight / 2.0)
        left = residual[: len(self.values)] + 1j * residual[len(self.values) :]
        independent = min(nominal, max(4.0, len(self.values) / correlation_length(left)))
        freedom = max(1.0, independent - self.count / 2.0)
        normal = 2.0 * freedom / len(self.values) / power * (columns.T @ columns) + self.precision
        covariance = _inverse(normal)[: self.count, : self.count]
        misfit = 2.0 * nominal * math.log(power) + float((theta - self.mean) @ self.precision @ (theta - self.mean))
        known = np.diag(self.precision) > 0.0
        volume = np.linalg.slogdet(normal)[1] - np.linalg.slogdet(self.precision[np.ix_(known, known)])[1]
        score = misfit + self.count * math.log(2.0 * nominal)
        return Tone(
            decay,
            theta[at:after],
            second,
            covariance,
            independent,
            power * self.scale**2,
            score,
            misfit + float(volume),
        )

    def cost(self, theta: Samples, power: float, squares: float) -> float:
        """-2 log of the posterior, but for a constant, where the residual's squares come to ``squares``."""
        away = theta - self.mean
        return self.weight * squares / power + float(away @ self.precision @ away)

    def at(self, theta: Samples) -> _Evaluation:
        """The model and what it leaves of the values."""
        first = self.powers.shape[1]
        after = first + self.model.count
        with np.errstate(over="ignore", invalid="ignore"):
            log_envelope = np.minimum(self.powers @ theta[:first], 50.0) + 1j * self.model.phase(theta[first:after])
            tone = np.exp(log_envelope)
            other, c = None, 0j
            if self.poles:
                c, g = complex(*theta[after : after + 2]), complex(*theta[after + 2 : after + 4])
                moved = log_envelope + g * self.times
                other = np.exp(np.minimum(moved.real, 50.0)) * np.exp(1j * moved.imag)
                tone = tone + c * other
            extra, heard = self._heard(theta)
            left = self.values - tone - extra @ heard
            residual = np.concatenate((left.real, left.imag))
            squares = float(residual @ residual)
        return _Evaluation(
            theta, tone, other, c, extra, heard, residual, squares if math.isfinite(squares) else math.inf
        )

    def columns(self, place: _Evaluation) -> Samples:
        """The model's derivatives there, shape (2 n, parameters), real parts over imaginary ones."""
        first, count = self.powers.shape[1], len(self.values)
        columns = np.empty((2 * count, len(place.theta)))
        real, imag = columns[:count], columns[count:]
        tone = place.tone[:, None]
        phase = slice(first, first + self.model.count)
        slopes = self.model.slopes(place.theta[phase])
        real[:, :first], imag[:, :first] = tone.real * self.powers, tone.imag * self.powers
        real[:, phase], imag[:, phase] = -tone.imag * slopes, tone.real * slopes
        if place.other is not None:
            second = np.stack((place.other, place.c * self.times * place.other), axis=1)
            _fill_amplitude_columns(real, imag, phase.stop, second)
        _fill_amplitude_columns(real, imag, self.count, place.extra)
        if self.mains_turn.shape[1]:
            turned = (1j * self.mains_turn * place.extra) @ place.heard
            real[:, -1], imag[:, -1] = turned.real, turned.imag
        return columns

    def relinear(self, theta: Samples) -> Samples:
        """The same with the amplitudes of both polarisations, in which the model is linear, set to their best.

        Keeps the steps along the narrow valley in which a beat and a bend of the phase look alike.
        """
        if not self.poles:
            return theta
        at = self.powers.shape[1]
        after = at + self.model.count
        bare = theta.copy()
        bare[[0, at]] = 0.0
        log_envelope = self.powers @ bare[:at] + 1j * self.model.phase(bare[at:after])
        both = np.stack((log_envelope, log_envelope + complex(*theta[after + 2 : after + 4]) * self.times), axis=1)
        if not both.real.max() < 50.0:
            return theta
        extra, heard = self._heard(theta)
        columns = np.exp(both)
        normal = columns.conj().T @ columns
        if not np.linalg.cond(normal) < 1e10:
            return theta
        first, second = np.linalg.solve(normal, columns.conj().T @ (self.values - extra @ heard))
        if not abs(first) > 0.0:
            return theta
        ratio = second / first
        bare[0], bare[at] = math.log(abs(first)), float(np.angle(first))
        bare[after : after + 2] = ratio.real, ratio.imag
        return bare

    def _heard(self, theta: Samples) -> tuple[ComplexSamples, ComplexSamples]:
        """The lines as columns, at the mains frequency now thought right, and their amplitudes."""
        count = self.extra.shape[1]
        parts = theta[self.count : self.count + 2 * count]
        extra = self.extra
        if self.mains_turn.shape[1]:
            extra = np.asarray(extra * np.exp(1j * theta[-1] * self.mains_turn))
        return extra, np.asarray(parts[::2] + 1j * parts[1::2])


def _fill_amplitude_columns(real: Samples, imag: Samples, at: int, values: ComplexSamples) -> None:
    """Put what amplitudes stand before into columns from ``at`` on: for each the real part's, then the imaginary
    part's, which is turned by a quarter."""
    end = at + 2 * values.shape[1]
    real[:, at:end:2], imag[:, at:end:2] = values.real, values.imag
    real[:, at + 1 : end : 2], imag[:, at + 1 : end : 2] = -values.imag, values.real


def _solve(normal: Samples, right: Samples) -> Samples:
    unit = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    solution, *_ = np.linalg.lstsq(normal * np.outer(unit, unit), right * unit, rcond=1e-13)
    return np.asarray(solution * unit)


def _inverse(normal: Samples) -> Samples:
    unit = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inner = np.linalg.pinv(normal * np.outer(unit, unit), rcond=1e-14, hermitian=True)
    return np.asarray(inner * np.outer(unit, unit))


def line_columns(band: Baseband, lines: Sequence[Line]) -> tuple[ComplexSamples, Samples]:
    """Each line as it appears in the baseband, and the precision its amplitude's prior gives; (n, lines), (lines,)."""
    offsets = np.array([line.hz - band.carrier_hz for line in lines])
    gains = np.array([lowpass_gain(band, float(offset)) for offset in offsets])
    turns = np.exp(2j * np.pi * band.times_s[:, None] * offsets[None, :]) * gains[None, :]
    return np.asarray(turns), np.array([1.0 / line.amplitude**2 for line in lines])


WIDEST_SPLIT_CENTS = 4.0
"""Two polarisations further apart than this are two strings (common practice, no source)."""

_SHARES = (0.15, 0.4, 0.7)
_TURNS = 8


def second_polarisation_starts(
    band: Baseband, times: Samples, model: PhaseModel, tone: Tone, rates: Sequence[complex], count: int = 3
) -> list[Tone]:
    """Starts with a second polarisation: of a grid of beats, those that make the rest most like a single tone.

    The logarithm of z / (1 + c exp(g t)) is linear in what a single tone leaves to fit, so the whole grid is one
    projection.

    Args:
        band: the partial's baseband.
        times: its times on the scale of the tone's decay, shape (n,).
        model, tone: a single tone fitted to it; the model's first three parameters are linear.
        rates: values of g to try.
        count: how many starts to give.
    """
    turns = np.exp(2j * np.pi * np.arange(_TURNS) / _TURNS)
    g, c = (grid.ravel() for grid in np.meshgrid(np.array(rates), np.outer(_SHARES, turns).ravel()))
    beating = 1.0 + c[:, None] * np.exp(g[:, None] * times[None, :])
    weight = np.abs(band.values)
    turned = unwrapped_phase(band.values)[None, :] - np.angle(beating)
    loud = np.log(np.maximum(weight, 1e-9 * weight.max()))[None, :] - np.log(np.abs(beating))
    linear = min(3, model.count)
    phases, left = _projected(model.slopes(tone.phase)[:, :linear], turned, weight)
    decays, faded = _projected(np.vander(times, 2, increasing=True), loud, weight)
    starts = []
    for i in np.argsort(left + faded)[:count]:
        phase = tone.phase.copy()
        phase[:linear] = phases[i]
        decay = np.zeros(len(tone.decay))
        decay[:2] = decays[i]
        starts.append(Tone(decay, phase, (complex(c[i]), complex(g[i]))))
    return starts


def _projected(columns: Samples, values: Samples, weight: Samples) -> tuple[Samples, Samples]:
    """Weighted least squares of each row of ``values`` on ``columns``: coefficients and sums of squares left."""
    orthogonal, triangle = np.linalg.qr(columns * weight[:, None])
    rows = values * weight[None, :]
    along = rows @ orthogonal
    left = (rows**2).sum(axis=1) - (along**2).sum(axis=1)
    return np.asarray(np.linalg.solve(triangle, along.T).T), np.asarray(left)
