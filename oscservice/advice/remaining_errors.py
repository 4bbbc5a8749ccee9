"""Remaining errors of a set-up: the error at every fret of every string, from the few that were compared.

The errors expected from the instrument file (``advice.expected_errors``), with the saddles anywhere, are a normal
prior. The measured errors condition it (a Gaussian process). All strings are in one vector, so what one string shows of
nut, finger or a fret counts for the others. The errors then follow the saddle moves made since.
``remaining_errors_after`` also gives them for another tuning, or with a capo.

Errors are in cents, + sharp of where a fret is wanted; lengths in mm, + away from the nut.

Source: C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, eqs. 2.23 and 2.24, from
memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.advice.causes import Finding, covariance_of
from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.decision import PLACING_SD_MM
from oscservice.advice.expected_errors import (
    HARMONIC_ROW,
    ExpectedErrors,
    Survey,
    UncertainFactor,
    expected_errors,
    measured_errors,
    surveyed_string,
    uncertain_factors,
)
from oscservice.advice.neck_errors import NeckErrors
from oscservice.instrument.fretting import FrettedString, Terms, fretted_error_cents
from oscservice.instrument.spec import Instrument, StringSpec
from oscservice.instrument.string_physics import fret_position_mm

Floats = npt.NDArray[np.float64]

SADDLE_SD_MM = 10.0
"""Position of a saddle from that in the file, 1 sd: anywhere that a bridge allows."""

FARTHEST = 0.05
"""A saddle is at most this share of the scale from the position in the file."""

LAST_TERMS_FRET = 19
"""Highest fret that the three terms are fitted to: above it they differ from the full model."""

_ROUNDS = 2


@dataclass(frozen=True)
class LastPass:
    """A comparison newer than the survey, at the present position of the saddle.

    Attributes
    ----------
    comparison : Comparison
        Error and standard error at ``fret`` (``neck_errors.equivalent_comparison``).
    fret : int
        The fret that the comparison is for.
    weights : Mapping[int, float]
        Fret -> weight of each fret that it combines.
    """

    comparison: Comparison
    fret: int
    weights: Mapping[int, float]


@dataclass(frozen=True)
class FretPosterior:
    """Normal distribution of the error of every fret, and of the uncertain factors of the strings, in one vector.

    Attributes
    ----------
    rows : tuple[tuple[int, int], ...]
        String and fret (or HARMONIC_ROW) of each error.
    factors : tuple[UncertainFactor, ...]
        The uncertain factors.
    mean : ndarray of float64, shape (rows + factors,)
        Errors in cents, then factors in their own prior standard deviations.
    covariance : ndarray of float64, shape (rows + factors, rows + factors)
        Covariance of ``mean``.
    place_mm : Mapping[int, float]
        String number -> present position of its saddle by the measured errors, from that of the file at the start, +
        away from the nut.
    """

    rows: tuple[tuple[int, int], ...]
    factors: tuple[UncertainFactor, ...]
    mean: Floats
    covariance: Floats
    place_mm: Mapping[int, float]

    def row(self, string: int, fret: int) -> int:
        """Return the index of a fret of a string. Raises ValueError for one that isn't there."""
        return self.rows.index((string, fret))

    def rows_of(self, string: int) -> npt.NDArray[np.intp]:
        """Return the indices of a string's rows.

        Parameters
        ----------
        string : int
            Number of the string.

        Returns
        -------
        ndarray of int, shape (k,)
            Indices in ``mean``.
        """
        return np.array([i for i, (number, _) in enumerate(self.rows) if number == string])

    def conditioned_on(self, weights: Floats, value: float, se: float) -> FretPosterior:
        """Return the distribution given one more measured value, a weighted sum of ``mean``.

        Parameters
        ----------
        weights : ndarray of float64, shape (rows + factors,)
            Weight of each value of ``mean``.
        value : float
            The measured sum.
        se : float
            Its standard error (1 sd).

        Returns
        -------
        FretPosterior
            The distribution with that value.
        """
        spread = self.covariance @ weights
        gain = spread / float(weights @ spread + se**2)
        mean = self.mean + gain * (value - float(weights @ self.mean))
        return replace(self, mean=mean, covariance=self.covariance - np.outer(gain, spread))


def fret_posterior(
    instrument: Instrument,
    surveys: Mapping[int, Survey],
    positions_mm: Mapping[int, float],
    last: Mapping[int, LastPass],
    named: Sequence[Finding],
) -> FretPosterior:
    """Return the distribution of the errors of all frets of the strings surveyed, at the present saddle positions.

    Parameters
    ----------
    instrument : Instrument
        The instrument as in its file.
    surveys : Mapping[int, Survey]
        String number -> its measured errors.
    positions_mm : Mapping[int, float]
        String number -> its saddle's move since the start; as surveyed if it is missing.
    last : Mapping[int, LastPass]
        String number -> comparison newer than the survey.
    named : Sequence[Finding]
        Causes that were named; their sizes follow from the measured errors.

    Raises
    ------
    ValueError
        No survey, a string or fret that isn't there.
    """
    off_mm = dict.fromkeys(surveys, 0.0)
    # The effect of a saddle is not quite linear: the second round starts at the position that the first one found.
    for _ in range(_ROUNDS):
        expected = expected_errors(instrument, {n: _every_fret(instrument, s, off_mm[n]) for n, s in surveys.items()})
        at, more_mm = _conditioned_on_surveys(expected, surveys, named, _lasting_factors(instrument, surveys))
        off_mm = {n: _within(off_mm[n] + mm, instrument.string(n).scale_mm) for n, mm in more_mm.items()}
    places: dict[int, float] = {}
    for number, survey in surveys.items():
        there_mm = survey.position_mm + off_mm[number]
        moved_mm = positions_mm.get(number, survey.position_mm) - survey.position_mm
        places[number] = there_mm + moved_mm
        if moved_mm:
            at = _after_saddle_move(at, instrument, number, there_mm, moved_mm)
    at = replace(at, place_mm=places)
    for number, newer in last.items():
        if number in surveys:
            weights = _last_pass_weights(at, instrument, number, newer)
            at = at.conditioned_on(weights, newer.comparison.error_cents, newer.comparison.se_cents)
    return at


def _within(off_mm: float, scale_mm: float) -> float:
    """Return a saddle's offset limited to ``FARTHEST``."""
    return max(-FARTHEST * scale_mm, min(FARTHEST * scale_mm, off_mm))


def _every_fret(instrument: Instrument, survey: Survey, off_mm: float) -> Survey:
    """Return a survey with a row for every fret and no errors: ``expected_errors`` then gives the prior alone."""
    frets = tuple(range(1, instrument.frets + 1))
    nothing = (0.0,) * len(frets)
    neck = NeckErrors(frets, nothing, (nothing,) * len(frets), (1,) * len(frets), 0.0)
    harmonic = None if survey.harmonic_cents is None else 0.0
    return Survey(neck, survey.position_mm + off_mm, harmonic, 0.0, survey.stiffness)


def _lasting_factors(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[UncertainFactor, ...]:
    """Return the uncertain factors that stay the same in another tuning or with a capo."""
    return tuple(factor for factor in uncertain_factors(instrument, surveys) if factor.stays)


def _conditioned_on_surveys(
    expected: ExpectedErrors,
    surveys: Mapping[int, Survey],
    named: Sequence[Finding],
    staying: tuple[UncertainFactor, ...],
) -> tuple[FretPosterior, dict[int, float]]:
    """Return the prior conditioned on the surveys, and string number -> offset of its saddle from the assumed place."""
    left_open = sum((covariance_of(expected, cause) for cause in named), np.zeros_like(expected.covariance))
    errors = expected.covariance + left_open + SADDLE_SD_MM**2 * expected.saddle @ expected.saddle.T
    cross = np.column_stack([expected.shift(factor.change, factor.string) for factor in staying])
    prior = np.block([[errors, cross], [cross.T, np.eye(len(staying))]])
    mean = np.concatenate([expected.mean, np.zeros(len(staying))])
    places, heard, noise = measured_errors(surveys)
    rows = np.array([expected.rows.index(place) for place in places])
    inverse = np.linalg.inv(prior[np.ix_(rows, rows)] + noise)
    weighed = inverse @ (heard - expected.mean[rows])
    covariance = prior - prior[:, rows] @ inverse @ prior[rows]
    found = FretPosterior(expected.rows, staying, mean + prior[:, rows] @ weighed, covariance, {})
    off_mm = SADDLE_SD_MM**2 * expected.saddle[rows].T @ weighed
    return found, dict(zip(expected.strings, off_mm.tolist(), strict=True))


def _after_saddle_move(
    at: FretPosterior, instrument: Instrument, number: int, there_mm: float, moved_mm: float
) -> FretPosterior:
    """Return the errors after a saddle was moved and the string retuned; placing it by hand has an error."""
    spec = instrument.string(number)
    shift, slope = np.zeros(len(at.mean)), np.zeros(len(at.mean))
    for index in at.rows_of(number):
        fret = at.rows[index][1]
        if fret != HARMONIC_ROW:
            lengths = speaking_lengths_mm(spec, fret, there_mm)
            shift[index] = error_after(0.0, lengths, moved_mm)
            slope[index] = cents_per_mm((lengths[0] + moved_mm, lengths[1] + moved_mm))
    covariance = at.covariance + PLACING_SD_MM**2 * np.outer(slope, slope)
    return replace(at, mean=at.mean + shift, covariance=covariance)


def _last_pass_weights(at: FretPosterior, instrument: Instrument, number: int, newer: LastPass) -> Floats:
    """Return the weight of each row in a last pass's comparison (see ``neck_errors.equivalent_comparison``)."""
    spec, place_mm = instrument.string(number), at.place_mm[number]
    reference = cents_per_mm(speaking_lengths_mm(spec, newer.fret, place_mm))
    take = np.zeros(len(at.mean))
    for fret, weight in newer.weights.items():
        take[at.row(number, fret)] = weight * cents_per_mm(speaking_lengths_mm(spec, fret, place_mm))
    squares = sum(take[i] ** 2 / newer.weights[at.rows[i][1]] for i in np.flatnonzero(take))
    return np.asarray(take * reference / squares)


@dataclass(frozen=True)
class StringRemains:
    """Remaining errors of one string.

    Attributes
    ----------
    string : int
        Its number, from 1.
    frets : tuple[int, ...]
        Frets, rising, (n,).
    errors_cents, se_cents : tuple[float, ...]
        Error of each fret from where it is wanted above the open string, + sharp, and its standard error (1 sd), (n,).
    terms, terms_se : Terms
        The three terms of the errors in equal temperament by least squares over the frets up to 19, and their standard
        errors. Without single frets that are off they fit within 0.1 cents.
    measured : tuple[int, ...]
        Frets that were compared.
    """

    string: int
    frets: tuple[int, ...]
    errors_cents: tuple[float, ...]
    se_cents: tuple[float, ...]
    terms: Terms
    terms_se: Terms
    measured: tuple[int, ...]

    def at_frets(self, frets: Sequence[int]) -> StringRemains:
        """Return the same at some of its frets. Raises ValueError for one that isn't there, or for none."""
        wanted = _checked(len(self.frets), frets)
        rows = [self.frets.index(fret) for fret in wanted]
        errors_cents, se_cents = (tuple(cents[i] for i in rows) for cents in (self.errors_cents, self.se_cents))
        kept = tuple(fret for fret in self.measured if fret in wanted)
        return replace(self, frets=wanted, errors_cents=errors_cents, se_cents=se_cents, measured=kept)


def remaining_errors(
    instrument: Instrument,
    surveys: Mapping[int, Survey],
    positions_mm: Mapping[int, float],
    frets: Sequence[int] | None = None,
    *,
    last: Mapping[int, LastPass] | None = None,
    named: Sequence[Finding] = (),
) -> dict[int, StringRemains]:
    """Return string number -> remaining errors of every string surveyed.

    Parameters
    ----------
    instrument, surveys, positions_mm, last, named
        As in ``fret_posterior``.
    frets : Sequence[int] | None, optional
        The frets to return; all of them if None.

    Raises
    ------
    ValueError
        No survey, a string or fret that isn't there.
    """
    every = _checked(instrument.frets, None)
    wanted = _checked(instrument.frets, frets)
    at = fret_posterior(instrument, surveys, positions_mm, last or {}, named)
    found: dict[int, StringRemains] = {}
    for number, survey in sorted(surveys.items()):
        rows = np.array([at.row(number, fret) for fret in every])
        covariance = at.covariance[np.ix_(rows, rows)]
        remains = _string_remains(number, instrument.string(number), at.mean[rows], covariance, survey.neck.frets)
        found[number] = remains.at_frets(wanted)
    return found


def remaining_errors_after(
    instrument: Instrument,
    changed: Instrument,
    surveys: Mapping[int, Survey],
    positions_mm: Mapping[int, float],
    frets: Sequence[int] | None = None,
    *,
    last: Mapping[int, LastPass] | None = None,
    named: Sequence[Finding] = (),
) -> dict[int, StringRemains]:
    """Return the remaining errors after a change (``instrument.modified_instrument``), the saddles not moved.

    Differences of the errors from the model stay as measured. The errors after the change count from where the changed
    instrument wants its frets. Finger, core, ends and action, as far as they are known,
    go through the model of the changed strings. With a capo at fret c, fret k is fret c + k of before and fret c is the
    nut: its difference from the model is subtracted from those of all frets.

    Parameters
    ----------
    instrument, surveys, positions_mm, last, named
        As in ``fret_posterior``, before the change.
    changed : Instrument
        The instrument after the change.
    frets : Sequence[int] | None, optional
        The frets to return, counted from the capo if there is one; all of them if None.

    Raises
    ------
    ValueError
        As ``remaining_errors``; other strings than before or not as many, or a board that is no capo's.
    """
    capo = _capo_fret(instrument, changed)
    wanted, every = _checked(changed.frets, frets), _checked(changed.frets, None)
    at = fret_posterior(instrument, surveys, positions_mm, last or {}, named)
    found: dict[int, StringRemains] = {}
    for number, survey in sorted(surveys.items()):
        log_b = survey.log_b
        before = surveyed_string(instrument, number, at.place_mm[number], log_b)
        if log_b is not None:
            log_b = _carried(log_b, instrument, changed, number)
        after = surveyed_string(changed, number, at.place_mm[number], log_b)
        modelled, by_factor = _modelled(before, at.factors, number, [capo + fret for fret in every])
        off = np.eye(len(at.mean))[[at.row(number, capo + fret) for fret in every]]
        if capo:
            at_nut, nut_by_factor = _modelled(before, at.factors, number, [capo])
            modelled, by_factor = modelled - at_nut, by_factor - nut_by_factor
            off[:, at.row(number, capo)] -= 1.0
        mean, changed_by_factor = _modelled(after, at.factors, number, every)
        off[:, len(at.rows) :] += changed_by_factor - by_factor
        measured = tuple(fret - capo for fret in survey.neck.frets if fret > capo)
        mean = mean - modelled + off @ at.mean + _targets_changed(instrument, changed, number, capo)
        remains = _string_remains(number, changed.string(number), mean, off @ at.covariance @ off.T, measured)
        found[number] = remains.at_frets(wanted)
    return found


def _modelled(
    string: FrettedString, factors: Sequence[UncertainFactor], number: int, frets: Sequence[int]
) -> tuple[Floats, Floats]:
    """Return the model's error at each fret, (n,), and the change of it by 1 sd of each factor, (n, factors)."""
    strings = [one.change(string) if one.string in (None, number) else string for one in factors]
    errors = np.array([fretted_error_cents(string, fret) for fret in frets])
    shifted = np.array([[fretted_error_cents(one, fret) for one in strings] for fret in frets])
    return errors, shifted - errors[:, None]


def _targets_changed(before: Instrument, after: Instrument, number: int, capo: int) -> Floats:
    """Return by how much each fret of a string counts from a lower place after a change than before, cents, (n,)."""
    old, new = before.string(number), after.string(number)
    at_capo_cents = old.target_cents(capo)
    frets = range(1, after.frets + 1)
    return np.array([old.target_cents(capo + fret) - at_capo_cents - new.target_cents(fret) for fret in frets])


def _string_remains(
    number: int, spec: StringSpec, mean: Floats, covariance: Floats, measured: tuple[int, ...]
) -> StringRemains:
    """Return the remaining errors of a string at all its frets.

    Parameters
    ----------
    number : int
        The string.
    spec : StringSpec
        The same, for the targets of its frets.
    mean : ndarray of float64, shape (frets,)
        Errors of all frets of the string, cents.
    covariance : ndarray of float64, shape (frets, frets)
        Their covariance, cents squared.
    measured : tuple[int, ...]
        Frets that were compared.
    """
    last = min(len(mean), LAST_TERMS_FRET)
    u = 2.0 ** (np.arange(1, last + 1) / 12.0) - 1.0
    solve = np.linalg.pinv(np.column_stack([1.0 / u, np.ones(last), u]))
    terms = solve @ (mean[:last] + np.array([spec.target_cents(fret) for fret in range(1, last + 1)]))
    terms_se = np.sqrt(np.maximum(np.diag(solve @ covariance[:last, :last] @ solve.T), 0.0))
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    frets, values = tuple(range(1, len(mean) + 1)), (tuple(mean.tolist()), tuple(se.tolist()))
    return StringRemains(number, frets, *values, Terms(*terms.tolist()), Terms(*terms_se.tolist()), measured)


def _carried(log_b: float, before: Instrument, after: Instrument, number: int) -> float:
    """Return ln B of the same string at another tension and length: B ~ 1 / (T L^2) and T ~ (f L)^2."""
    old, new = before.string(number), after.string(number)
    lengths = new.open_run_mm() / old.open_run_mm()
    pitches = after.open_hz(number) / before.open_hz(number)
    return float(log_b - 2.0 * np.log(pitches) - 4.0 * np.log(lengths))


def _capo_fret(before: Instrument, after: Instrument) -> int:
    """Return the fret of the capo between the two; 0 for none. Raises ValueError for another instrument."""
    if len(before.strings) != len(after.strings):
        raise ValueError(f"{len(after.strings)} strings after the change, {len(before.strings)} before")
    capo = before.frets - after.frets
    for number, (old, new) in enumerate(zip(before.strings, after.strings, strict=True), start=1):
        if (old.gauge_mm, old.core_mm, old.wound) != (new.gauge_mm, new.core_mm, new.wound):
            raise ValueError(f"string {number} is another one: readings of the old one don't apply to it")
        scale_mm = old.scale_mm - (fret_position_mm(old.scale_mm, capo) if capo > 0 else 0.0)
        if capo < 0 or abs(new.scale_mm - scale_mm) > 0.01 or new.setback_mm != old.setback_mm:
            raise ValueError(f"string {number}: scale or saddle differ by more than a capo makes")
    return capo


def _checked(last: int, frets: Sequence[int] | None) -> tuple[int, ...]:
    """Return the frets, rising; all up to ``last`` if None. Raises ValueError for one that isn't there."""
    if frets is None:
        return tuple(range(1, last + 1))
    if not frets:
        raise ValueError("no fret is asked for")
    for fret in frets:
        if not 1 <= fret <= last:
            raise ValueError(f"fret {fret} isn't there; expected 1 to {last}")
    return tuple(sorted(set(frets)))
