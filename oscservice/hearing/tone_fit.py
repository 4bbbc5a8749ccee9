"""Least squares of a tone model on the complex baseband of one partial.

    z(t) = exp(a(t) + i p(t)) (1 + c exp(g t)) + sum_l h_l exp(i d_l t)

* a(t) is a polynomial: the log amplitude (decay).
* p(t) is the phase by a phase model (``hearing.phase_model``): a polynomial, or a glide to a settled pitch.
* c and g (complex) are a second polarisation, which beats with the first. A string swings in two planes, and bridge and
  nut give way differently in each; the two frequencies differ by tenths of a cent to a cent or two.
* h_l are lines of hum or of another string within the low-pass, d_l their distance from the carrier.

All parameters are fitted together by damped Gauss-Newton steps, with normal priors where something is known beforehand.
Units are those of ``hearing.phase_model``.

Source: two polarisations: G. Weinreich, J. Acoust. Soc. Am. 62 (1977) 1474, for piano strings, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from oscservice.hearing.baseband import Baseband, ComplexSamples, correlation_length, lowpass_gain, unwrapped_phase
from oscservice.hearing.least_squares import inverse, projected, solution
from oscservice.hearing.phase_model import PhaseModel
from oscservice.hearing.resampling import Samples

WIDEST_SPLIT_CENTS = 4.0
"""Two polarisations are closer than this; lines further apart are two strings (common practice, no source)."""

_SHARES = (0.15, 0.4, 0.7)  # sizes of c that a search starts from
_TURNS = 8  # and its phases, over the full circle

_CONVERGED = 1e-3
"""Steps end when one gains less than this in -2 log likelihood: it moves no parameter by more than a few hundredths of
its standard error."""
_LEAST_POWER = 1e-14  # keeps an exact fit from dividing by 0
_MAINS_SD_HZ = 0.01
"""Error of the mains frequency that the other hum lines leave (1 sd)."""


def bounded_exp(rate: complex, times: Samples) -> ComplexSamples:
    """Return the exponential exp(rate t); its size is limited to exp(50), so that it doesn't overflow.

    Parameters
    ----------
    rate : complex
        Growth and turn (radians) per unit of time.
    times : ndarray of float64, shape (n,)
        The times t.

    Returns
    -------
    ndarray of complex128
        Values, shape (n,).
    """
    exponent = rate * times
    return np.asarray(np.exp(np.minimum(exponent.real, 50.0) + 1j * exponent.imag))


@dataclass(frozen=True)
class Line:
    """Another steady tone near the partial: hum, or another string.

    Attributes
    ----------
    hz : float
        Its frequency.
    amplitude : float
        Standard deviation of the prior of its amplitude, whose mean is 0.
    multiple : int
        Multiple of the mains frequency; 0 for other tones. All multiples share the error of that frequency.
    """

    hz: float
    amplitude: float
    multiple: int = 0


@dataclass(frozen=True)
class Tone:
    """A fitted tone.

    Attributes
    ----------
    decay : ndarray of float64, shape (d,)
        Coefficients of a(t), ascending.
    phase : ndarray of float64, shape (k,)
        Parameters of the phase model.
    second : tuple[complex, complex] | None
        c and g of a second polarisation, or None.
    covariance : ndarray of float64, shape (p, p)
        Of (decay, phase, Re c, Im c, Re g, Im g) in this order.
    independent : float
        Number of independent values in the residual.
    power : float
        Mean square of the residual.
    score : float
        Bayesian information criterion (G. Schwarz, Ann. Stat. 6 (1978) 461); smaller is more probable.
    evidence : float
        -2 log of the model's evidence by Laplace's method, for models that differ only in parameters with a prior (R.
        E. Kass and A. E. Raftery, J. Am. Stat. Assoc. 90 (1995) 773); smaller is more probable.
    """

    decay: Samples
    phase: Samples
    second: tuple[complex, complex] | None = None
    covariance: Samples = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    independent: float = 0.0
    power: float = math.inf
    score: float = math.inf
    evidence: float = math.inf

    def beat_factor(self, times: Samples) -> ComplexSamples:
        """Return the factor of the second polarisation, 1 + c exp(g t).

        Parameters
        ----------
        times : ndarray of float64, shape (n,)
            The times t, on the scale of g.

        Returns
        -------
        ndarray of complex128
            Factor at each time, shape (n,); 1 without a second polarisation.
        """
        if self.second is None:
            return np.ones(len(times), dtype=np.complex128)
        c, g = self.second
        return np.asarray(1.0 + c * bounded_exp(g, times))


@dataclass(frozen=True)
class TonePrior:
    """Prior of a tone's decay and second polarisation: standard deviations about 0; infinite where nothing is known.

    Attributes
    ----------
    decay : tuple[float, ...]
        Of the coefficients of a(t), ascending; coefficients that are missing have no prior.
    second : tuple[float, float, float]
        Of c (its real and its imaginary part), of Re g, and of Im g.
    """

    decay: tuple[float, ...] = ()
    second: tuple[float, float, float] = (math.inf, math.inf, math.inf)

    def precision(self, decays: int, poles: int) -> tuple[Samples, Samples]:
        """Return the inverse variances of ``decays`` coefficients of a(t) and of 4 or 0 parameters of c and g.

        Returns
        -------
        tuple[Samples, Samples]
            Of the decay, shape (decays,); of the second polarisation, shape (poles,). 0 where nothing is known.
        """
        decay = [1.0 / sd**2 for sd in self.decay[:decays]]
        c, g_re, g_im = (1.0 / sd**2 for sd in self.second)
        return np.array(decay + [0.0] * (decays - len(decay))), np.array([c, c, g_re, g_im][:poles])


def model_average(scores: Sequence[float], values: Sequence[float], variances: Sequence[float]) -> tuple[float, float]:
    """Return the Bayesian model average of one quantity; the variance includes the disagreement of the models.

    Source: J. A. Hoeting et al., Stat. Sci. 14 (1999) 382.

    Parameters
    ----------
    scores : Sequence[float]
        -2 log of the evidence of each model, up to a common constant.
    values, variances : Sequence[float]
        The quantity by each model, and its variance.

    Returns
    -------
    tuple[float, float]
        Mean and variance; NaN and infinity when no model has finite values.
    """
    each = np.array([scores, values, variances])
    score, answer, variance = each[:, np.isfinite(each).all(axis=0)]  # leave out fits that diverged
    if not len(score):
        return math.nan, math.inf
    likely = np.exp(-0.5 * np.minimum(score - score.min(), 700.0))
    likely /= likely.sum()
    mean = float(likely @ answer)
    return mean, max(0.0, float(likely @ (variance + (answer - mean) ** 2)))


def fit_tone(
    band: Baseband,
    times: Samples,
    start: Tone,
    model: PhaseModel,
    lines: Sequence[Line] = (),
    prior: TonePrior = TonePrior(),
    independent: float = math.inf,
    steps: int = 40,
) -> Tone:
    """Return the tone that fits a baseband best, by steps from ``start`` on.

    Parameters
    ----------
    band : Baseband
        The baseband.
    times : ndarray of float64, shape (n,)
        Its times on the scale of the decay and of g.
    start : Tone
        Where the steps start. The fit has its degree of decay, and a second polarisation if it has one.
    model : PhaseModel
        The phase model.
    lines : Sequence[Line], optional
        Other tones within the low-pass.
    prior : TonePrior, optional
        Prior of the decay and of the second polarisation.
    independent : float, optional
        Largest number of independent values to count. What no model here explains (a finger that moves, another string
        that rings) is not white noise: neighbouring values share it.
    steps : int, optional
        Largest number of steps.

    Returns
    -------
    Tone
        The fitted tone.
    """
    problem = _LeastSquares.of(band, times, start, model, lines, prior, independent)
    theta = problem.pack(start)
    damping, growth = 1e-6, 4.0
    at = problem.evaluate(theta, problem.lines_at(theta))
    power = max(at.squares / len(band.values), _LEAST_POWER)
    gram: Samples | None = None
    for _ in range(steps):
        if gram is None:
            columns = problem.jacobian(at)
            gram, slope = columns.T @ columns, columns.T @ at.residual
        weight = problem.weight / power
        normal = weight * gram + problem.precision
        right = weight * slope - problem.precision @ (theta - problem.mean)
        normal.flat[:: len(normal) + 1] *= 1.0 + damping
        if not np.isfinite(normal).all():
            break
        stepped = theta + solution(normal, right)
        lines_there = problem.lines_at(stepped)
        moved = problem.with_best_amplitudes(stepped, lines_there)
        there = problem.evaluate(moved, lines_there)
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
    return problem.unpack(theta, at)


@dataclass(frozen=True)
class _Lines:
    """The lines of hum and of other strings at one set of parameters.

    Attributes
    ----------
    each : ndarray of complex128, shape (n, lines)
        The lines for amplitude 1.
    amplitudes : ndarray of complex128, shape (lines,)
        Their amplitudes.
    sum : ndarray of complex128, shape (n,)
        All of them together.
    """

    each: ComplexSamples
    amplitudes: ComplexSamples
    sum: ComplexSamples


@dataclass(frozen=True)
class _Evaluation:
    """The model at one set of parameters.

    Attributes
    ----------
    theta : ndarray of float64, shape (p,)
        The parameters.
    tone : ndarray of complex128, shape (n,)
        Both polarisations together.
    other : ComplexSamples | None, shape (n,)
        exp(a + i p + g t), the second polarisation for c = 1, or None.
    c : complex
        Its factor.
    lines : _Lines
        The lines.
    residual : ndarray of float64, shape (2 n,)
        Values less the model, real parts before imaginary parts.
    squares : float
        Sum of the squares of the residual; infinite where the model overflows.
    """

    theta: Samples
    tone: ComplexSamples
    other: ComplexSamples | None
    c: complex
    lines: _Lines
    residual: Samples
    squares: float


@dataclass(frozen=True)
class _LeastSquares:
    """The least-squares problem of one fit.

    The parameters are, in this order: decay; phase; Re c, Im c, Re g, Im g; Re h and Im h of each line; and the error
    of the mains frequency in units of ``_MAINS_SD_HZ``.

    Attributes
    ----------
    values : ndarray of complex128, shape (n,)
        The baseband over ``scale``.
    scale : float
        Largest amplitude of the baseband.
    times : ndarray of float64, shape (n,)
        Times on the scale of the decay.
    powers : ndarray of float64, shape (n, decays)
        Powers of ``times`` for the decay, ascending.
    model : PhaseModel
        The phase model.
    poles : int
        4 parameters of a second polarisation, or 0.
    extra : ndarray of complex128, shape (n, lines)
        The lines at the nominal mains frequency for amplitude 1.
    mains_turn : ndarray of float64
        Phase that each line gains by 1 sd of the mains frequency; shape (n, lines), or (n, 0) without hum.
    mean, precision : ndarray of float64
        Normal prior of the parameters; shapes (p,) and (p, p).
    weight : float
        Share of -2 log likelihood of a squared residual over the mean power: neighbouring values share samples, so each
        counts for less than one.
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
        prior: TonePrior,
        independent: float,
    ) -> _LeastSquares:
        scale = float(np.abs(band.values).max())
        extra, line_precision = line_columns(band, lines)
        decays, poles = len(start.decay), 0 if start.second is None else 4
        decay_precision, second_precision = prior.precision(decays, poles)
        mains = 1 if any(line.multiple for line in lines) else 0
        amplitude_precision = np.repeat(line_precision, 2) * scale**2
        known = (decay_precision, np.zeros(model.count), second_precision, amplitude_precision, np.ones(mains))
        precision = np.diag(np.concatenate(known))
        of_phase = slice(decays, decays + model.count)
        precision[of_phase, of_phase] = model.prior_precision
        middle_s = float(band.times_s.mean())
        turn = 2.0 * np.pi * _MAINS_SD_HZ * (band.times_s - middle_s)
        return cls(
            values=band.values / scale,
            scale=scale,
            times=times,
            powers=np.vander(times, decays, increasing=True),
            model=model,
            poles=poles,
            extra=extra,
            mains_turn=turn[:, None] * np.array([float(line.multiple) for line in lines])[None, : mains * len(lines)],
            mean=np.concatenate((np.zeros(decays), model.prior_mean, np.zeros(poles + 2 * len(lines) + mains))),
            precision=precision,
            weight=2.0 * min(1.0, band.step_s / band.memory_s, independent / len(times)),
        )

    @property
    def count(self) -> int:
        """Number of parameters without those of the lines."""
        return int(self.powers.shape[1]) + self.model.count + self.poles

    def pack(self, tone: Tone) -> Samples:
        """Return a tone's parameters, shape (p,); those of the lines are 0."""
        pole = [part for z in tone.second or () for part in (z.real, z.imag)]
        rest = np.zeros(len(self.mean) - self.count)
        theta = np.concatenate((tone.decay, tone.phase, pole, rest))
        theta[0] -= math.log(self.scale)
        return np.asarray(theta)

    def unpack(self, theta: Samples, evaluation: _Evaluation) -> Tone:
        """Return the tone of the parameters, with its covariance and its evidence."""
        at = self.powers.shape[1]
        after = at + self.model.count
        decay = theta[:at].copy()
        decay[0] += math.log(self.scale)
        second = None
        if self.poles:
            c_re, c_im, g_re, g_im = theta[after : after + 4].tolist()
            second = complex(c_re, c_im), complex(g_re, g_im)
        residual, columns = evaluation.residual, self.jacobian(evaluation)
        power = max(float(residual @ residual) / len(self.values), _LEAST_POWER)
        nominal = max(4.0, len(self.values) * self.weight / 2.0)
        left = residual[: len(self.values)] + 1j * residual[len(self.values) :]
        independent = min(nominal, max(4.0, len(self.values) / correlation_length(left)))
        freedom = max(1.0, independent - self.count / 2.0)
        normal = 2.0 * freedom / len(self.values) / power * (columns.T @ columns) + self.precision
        covariance = inverse(normal, 1e-14)[: self.count, : self.count]
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
        """Return -2 log of the posterior up to a constant, for a residual with the sum of squares ``squares``."""
        away = theta - self.mean
        return self.weight * squares / power + float(away @ self.precision @ away)

    def evaluate(self, theta: Samples, lines: _Lines) -> _Evaluation:
        """Return the model and its residual at ``theta``, shape (p,), with its lines."""
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
            left = self.values - tone - lines.sum
            residual = np.concatenate((left.real, left.imag))
            squares = float(residual @ residual)
        if not math.isfinite(squares):
            squares = math.inf
        return _Evaluation(theta, tone, other, c, lines, residual, squares)

    def jacobian(self, evaluation: _Evaluation) -> Samples:
        """Return the derivatives of the model by its parameters, shape (2 n, p), real parts before imaginary parts."""
        first, count = self.powers.shape[1], len(self.values)
        columns = np.empty((2 * count, len(evaluation.theta)))
        real, imag = columns[:count], columns[count:]
        tone = evaluation.tone[:, None]
        phase = slice(first, first + self.model.count)
        slopes = self.model.jacobian(evaluation.theta[phase])
        real[:, :first], imag[:, :first] = tone.real * self.powers, tone.imag * self.powers
        real[:, phase], imag[:, phase] = -tone.imag * slopes, tone.real * slopes
        if evaluation.other is not None:
            second = np.stack((evaluation.other, evaluation.c * self.times * evaluation.other), axis=1)
            _fill_amplitude_columns(real, imag, phase.stop, second)
        _fill_amplitude_columns(real, imag, self.count, evaluation.lines.each)
        if self.mains_turn.shape[1]:
            turned = (1j * self.mains_turn * evaluation.lines.each) @ evaluation.lines.amplitudes
            real[:, -1], imag[:, -1] = turned.real, turned.imag
        return columns

    def with_best_amplitudes(self, theta: Samples, lines: _Lines) -> Samples:
        """Return the parameters with the best amplitudes of both polarisations, in which the model is linear.

        A beat and a curve of the phase look alike. This keeps the steps in the narrow valley between the two. ``lines``
        are those of ``theta``; they stay as they are.
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
        columns = np.exp(both)
        adjoint = columns.conj().T
        normal = adjoint @ columns
        # The condition of a Hermitian matrix of this size is its larger eigenvalue squared over its determinant.
        (a, b), (_, d) = normal.tolist()
        largest = 0.5 * (a.real + d.real) + math.hypot(0.5 * (a.real - d.real), abs(b))
        if not largest**2 < 1e10 * (a.real * d.real - abs(b) ** 2):
            return theta
        first, second = np.linalg.solve(normal, adjoint @ (self.values - lines.sum))
        if not abs(first) > 0.0:
            return theta
        ratio = second / first
        bare[0], bare[at] = math.log(abs(first)), float(np.angle(first))
        bare[after : after + 2] = ratio.real, ratio.imag
        return bare

    def lines_at(self, theta: Samples) -> _Lines:
        """Return the lines at ``theta``, shape (p,)."""
        count = self.extra.shape[1]
        parts = theta[self.count : self.count + 2 * count]
        each, amplitudes = self.extra, parts[::2] + 1j * parts[1::2]
        if self.mains_turn.shape[1]:
            each = each * np.exp(1j * theta[-1] * self.mains_turn)
        return _Lines(each, amplitudes, each @ amplitudes)


def _fill_amplitude_columns(real: Samples, imag: Samples, at: int, values: ComplexSamples) -> None:
    """Fill the derivatives by complex amplitudes into the columns from ``at`` on.

    ``values``, shape (n, m), is what each amplitude multiplies. The first of its two columns is the derivative by the
    real part of the amplitude, the second by the imaginary part (turned by 90 degrees).
    """
    end = at + 2 * values.shape[1]
    real[:, at:end:2], imag[:, at:end:2] = values.real, values.imag
    real[:, at + 1 : end : 2], imag[:, at + 1 : end : 2] = -values.imag, values.real


def line_columns(band: Baseband, lines: Sequence[Line]) -> tuple[ComplexSamples, Samples]:
    """Return the lines as they appear in a baseband, and the precision of their amplitudes' priors.

    Returns
    -------
    tuple[ComplexSamples, Samples]
        Lines for amplitude 1, shape (n, lines); inverse variances, shape (lines,).
    """
    offsets = np.array([line.hz - band.carrier_hz for line in lines])
    gains = np.array([lowpass_gain(band, float(offset)) for offset in offsets])
    turns = np.exp(2j * np.pi * band.times_s[:, None] * offsets[None, :]) * gains[None, :]
    return np.asarray(turns), np.array([1.0 / line.amplitude**2 for line in lines])


def second_polarisation_starts(
    band: Baseband, times: Samples, model: PhaseModel, tone: Tone, rates: Sequence[complex], count: int = 3
) -> list[Tone]:
    """Return starts for ``fit_tone`` with a second polarisation.

    A grid of beats (c, g) is divided out of the baseband. The beats whose quotients are most like a single tone are
    the starts. The logarithm of z / (1 + c exp(g t)) is linear in the parameters of a single tone, so the whole grid is
    one projection.

    Parameters
    ----------
    band : Baseband
        The partial's baseband.
    times : ndarray of float64, shape (n,)
        Its times on the scale of the tone's decay.
    model, tone : PhaseModel or Tone
        A single tone fitted to it. The first three parameters of the model are linear.
    rates : Sequence[complex]
        Values of g in the grid.
    count : int, optional
        Number of starts.

    Returns
    -------
    list[Tone]
        Tones to start from, the best first.
    """
    turns = np.exp(2j * np.pi * np.arange(_TURNS) / _TURNS)
    g, c = (grid.ravel() for grid in np.meshgrid(np.array(rates), np.outer(_SHARES, turns).ravel()))
    beating = 1.0 + c[:, None] * np.exp(g[:, None] * times[None, :])
    weight = np.abs(band.values)
    turned = unwrapped_phase(band.values)[None, :] - np.angle(beating)
    loud = np.log(np.maximum(weight, 1e-9 * weight.max()))[None, :] - np.log(np.abs(beating))
    linear = min(3, model.count)
    phases, phase_misfit = projected(model.jacobian(tone.phase)[:, :linear], turned, weight)
    decays, decay_misfit = projected(np.vander(times, 2, increasing=True), loud, weight)
    starts = []
    for i in np.argsort(phase_misfit + decay_misfit)[:count]:
        phase = tone.phase.copy()
        phase[:linear] = phases[i]
        decay = np.zeros(len(tone.decay))
        decay[:2] = decays[i]
        starts.append(Tone(decay, phase, (complex(c[i]), complex(g[i]))))
    return starts
