"""Errors expected from the instrument file at every fret of every string, and their covariance.

All strings are in one vector, because some uncertain factors are common to them: the place of the nut, the action, how
a finger presses, the place of a fret. The factors are normal. Their effects come from the full model
(``instrument.fretting``) by differences. The saddles are not in the covariance, since their positions are the
result; ``ExpectedErrors.saddle`` has their effect.

Errors are in cents, + sharp of where a fret is wanted; lengths in mm, + away from the nut.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.advice.neck_errors import NeckErrors
from oscservice.hearing.inharmonicity import Stiffness, expected_stiffness
from oscservice.instrument.fretting import SHARE_SD, FrettedString, fretted_error_cents, fretted_string
from oscservice.instrument.pitch import CENTS_PER_E
from oscservice.instrument.spec import Instrument, StringSpec
from oscservice.instrument.string_physics import fret_position_mm

Floats = npt.NDArray[np.float64]
Change = Callable[[FrettedString], FrettedString]

NUT_PLACE_SD_MM = 0.1
NUT_HEIGHT_SD_MM = 0.07
ACTION_SD_MM = 0.15
OWN_ACTION_SD_MM = 0.07
FRET_SD_MM = 0.04
GROOVE_SD_MM = 0.05
TAKE_UP_SD_MM = 0.003
EVEN_SD = 0.001
EVEN_LENGTH_MM = 50.0
"""Deviations of a sound instrument from its file, 1 sd (assumed): nut along the neck, height of a slot, action as read
with a ruler (common to all strings, and of each), a fret along the neck, the point of its crown that holds one string,
string taken up by a finger, relative mass per length along a new string, and the length over which it is correlated."""

FINGER_MM = 6.0
FINGER_SD_MM = 3.0
PRESS_MM = 0.07
PRESS_SD_MM = 0.05
"""Place of the finger on the string, and its error (1 sd): behind the fret, and below its crown (assumed)."""

GUITAR_ENDS_SD = 0.2
OWN_ENDS_SD = 0.3
"""Number of clamped ends from that of the model, 1 sd: of all strings of a guitar, and of each string. The measured
value is 1.1 +- 0.2 over five guitars; that of single strings depends on how they bend over their saddles (assumed).
Source: M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683."""

CELLS = 60
"""Cells of a string for its mass per length."""
HARMONIC_ROW = 0
"""The 12th-fret harmonic, in place of a fret number."""


@dataclass(frozen=True)
class Survey:
    """Measured errors of one string.

    Attributes
    ----------
    neck : NeckErrors
        Its errors over the frets.
    position_mm : float
        The saddle's move since the start, + away from the nut.
    harmonic_cents, harmonic_se_cents
        12th-fret harmonic above the open octave, without the part of stiffness; None where it was not plucked.
    stiffness : Stiffness | None
        ln B by its readings; None where they don't show it.
    """

    neck: NeckErrors
    position_mm: float = 0.0
    harmonic_cents: float | None = None
    harmonic_se_cents: float = 0.0
    stiffness: Stiffness | None = None

    @property
    def log_b(self) -> float | None:
        """ln B by its readings; None where they don't show it."""
        return None if self.stiffness is None else self.stiffness.log_b


@dataclass(frozen=True)
class ExpectedErrors:
    """Measured and expected errors, n values in all.

    Attributes
    ----------
    rows : tuple[tuple[int, int], ...]
        String and fret (or HARMONIC_ROW) of each value.
    strings : Mapping[int, FrettedString]
        String number -> model of the string.
    heard : ndarray of float64, shape (n,)
        Measured errors, cents. Like those expected, they count from where a fret is wanted: the difference of the two
        is the same with and without targets.
    mean : ndarray of float64, shape (n,)
        Errors by the instrument file, cents.
    covariance : ndarray of float64, shape (n, n)
        Covariance of ``heard`` about ``mean`` for known saddles, cents squared.
    saddle : ndarray of float64, shape (n, strings)
        Cents per mm of each string's saddle.
    gauges_mm : Mapping[int, float]
        String number -> outside diameter.
    """

    rows: tuple[tuple[int, int], ...]
    strings: Mapping[int, FrettedString]
    heard: Floats
    mean: Floats
    covariance: Floats
    saddle: Floats
    gauges_mm: Mapping[int, float]

    def shift(self, change: Change, only: int | None = None) -> Floats:
        """Return the shift of each value by a change of the strings.

        Parameters
        ----------
        change : Change
            The change of a string.
        only : int | None, optional
            The string that changes; None for all.

        Returns
        -------
        ndarray of float64, shape (n,)
            Cents.
        """
        return _shift(self.rows, self.strings, change, only)

    def uneven(self, string: int, sd: float, length_mm: float) -> Floats:
        """Return the covariance that uneven mass of one string adds.

        Parameters
        ----------
        string : int
            Number of the string.
        sd : float
            Standard deviation of its relative mass per length.
        length_mm : float
            Length over which the differences are correlated.

        Returns
        -------
        ndarray of float64, shape (n, n)
            Covariance in cents squared.
        """
        effect = np.zeros((len(self.rows), CELLS))
        for index, (number, fret) in enumerate(self.rows):
            if number == string:
                effect[index] = mass_effect(self.strings[string], fret)
        at = np.linspace(0.0, self.strings[string].scale_mm, CELLS)
        profile = sd**2 * np.exp(-np.abs(at[:, None] - at[None, :]) / length_mm)
        return np.asarray(effect @ profile @ effect.T)

    def fret(self, fret: int, only: int | None = None) -> Floats:
        """Return the change of each value when a fret moves toward the saddle.

        Parameters
        ----------
        fret : int
            The fret.
        only : int | None, optional
            The string whose part of the fret moves; None for all.

        Returns
        -------
        ndarray of float64, shape (n,)
            Cents per mm.
        """
        found = np.zeros(len(self.rows))
        for index, (number, at) in enumerate(self.rows):
            if at == fret and only in (None, number):
                s = self.strings[number]
                found[index] = CENTS_PER_E / (s.scale_mm + s.setback_mm - fret_position_mm(s.scale_mm, fret))
        return found


def expected_errors(instrument: Instrument, surveys: Mapping[int, Survey]) -> ExpectedErrors:
    """Return the expected and the measured errors of the strings surveyed.

    Raises
    ------
    ValueError
        No string was surveyed, or one that is not on the instrument.
    """
    if not surveys:
        raise ValueError("no string was compared")
    strings = {n: surveyed_string(instrument, n, s.position_mm, s.log_b) for n, s in sorted(surveys.items())}
    rows, heard, measured = measured_errors(surveys)
    columns = np.column_stack(
        [_shift(rows, strings, d.change, d.string) for d in uncertain_factors(instrument, surveys)]
    )
    covariance = measured + columns @ columns.T
    mean = np.array([expected_error_cents(instrument.string(n), strings[n], fret) for n, fret in rows])
    gauges_mm = {n: instrument.string(n).gauge_mm for n in strings}
    blank = ExpectedErrors(rows, strings, heard, mean, covariance, np.zeros((len(rows), len(strings))), gauges_mm)
    for fret in {fret for _, fret in rows if fret != HARMONIC_ROW}:
        moved = blank.fret(fret)
        covariance += FRET_SD_MM**2 * np.outer(moved, moved) + GROOVE_SD_MM**2 * np.diag(moved**2)
    for number in strings:
        covariance += blank.uneven(number, EVEN_SD, EVEN_LENGTH_MM)
    saddle = np.column_stack([blank.shift(_with_saddle_back, number) for number in strings])
    return replace(blank, covariance=covariance, saddle=saddle)


def expected_error_cents(spec: StringSpec, string: FrettedString, fret: int) -> float:
    """Return the error of a fret by the model of its string, from where the fret is wanted; 0 for HARMONIC_ROW."""
    if fret == HARMONIC_ROW:
        return 0.0
    return fretted_error_cents(string, fret) - spec.target_cents(fret)


@dataclass(frozen=True)
class UncertainFactor:
    """An uncertain factor of the strings.

    Attributes
    ----------
    change : Change
        Its change by 1 sd.
    string : int | None
        The string that has it; None for all.
    stays : bool
        True for a factor of string or player, which stays the same with a capo or in another tuning.
    """

    change: Change
    string: int | None
    stays: bool


def uncertain_factors(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[UncertainFactor, ...]:
    """Return the uncertain factors of the strings surveyed, except saddles, frets and mass along a string."""
    found = [
        UncertainFactor(lambda s: with_more_clamping(s, GUITAR_ENDS_SD), None, True),
        UncertainFactor(lambda s: replace(s, share=s.share + SHARE_SD), None, True),
        UncertainFactor(lambda s: with_more_take_up(s, TAKE_UP_SD_MM), None, True),
        UncertainFactor(lambda s: replace(s, finger_mm=s.finger_mm + FINGER_SD_MM), None, True),
        UncertainFactor(lambda s: replace(s, press_mm=s.press_mm + PRESS_SD_MM), None, True),
        UncertainFactor(lambda s: with_higher_action(s, ACTION_SD_MM), None, True),
        UncertainFactor(lambda s: with_farther_nut(s, NUT_PLACE_SD_MM), None, False),
    ]
    for number, survey in surveys.items():
        # B is proportional to the fourth power of the core's diameter.
        core_sd = (survey.stiffness or expected_stiffness(instrument, number)).sd / 4.0
        found += [
            UncertainFactor(_with_thicker_core(core_sd), number, True),
            UncertainFactor(lambda s: with_more_clamping(s, OWN_ENDS_SD), number, True),
            UncertainFactor(lambda s: with_higher_action(s, OWN_ACTION_SD_MM), number, True),
            UncertainFactor(lambda s: with_higher_nut(s, NUT_HEIGHT_SD_MM), number, False),
        ]
    return tuple(found)


def _with_thicker_core(share: float) -> Change:
    """Return the change of a string to a core thicker by this share, at the same tension."""
    square = (1.0 + share) ** 2
    return lambda s: replace(s, kappa=s.kappa * square, stiffness_mm=s.stiffness_mm * square)


def mass_effect(string: FrettedString, fret: int) -> Floats:
    """Return the cents of a stopped note (or the harmonic) above the open string for more mass in each cell.

    The values are for a mass per length larger by a factor e, linearised. To first order
    df/f = -(1/L) int (dmu/mu) sin^2(q pi x/L) dx over the sounding part, q the partial (Rayleigh's principle).
    Source: Lord Rayleigh, Theory of Sound, vol. 1, section 91, from memory.

    Parameters
    ----------
    string : FrettedString
        The string.
    fret : int
        The fret, or HARMONIC_ROW.

    Returns
    -------
    ndarray of float64, shape (CELLS,)
        Cents for each cell from nut to saddle.
    """
    length_mm = string.scale_mm + string.setback_mm
    edges = np.linspace(0.0, length_mm, CELLS + 1)

    def lowered(start_mm: float, partial: int) -> Floats:
        """Return the relative fall of a partial of the part from ``start_mm`` to the saddle."""
        sounding = length_mm - start_mm
        phase = 2.0 * math.pi * partial * np.clip((edges - start_mm) / sounding, 0.0, 1.0)
        return np.asarray(np.diff(phase - np.sin(phase)) / (4.0 * math.pi * partial))

    nut_mm = -string.nut_shift_mm
    opened = lowered(nut_mm, 1)
    if fret == HARMONIC_ROW:
        return CENTS_PER_E * (opened - lowered(nut_mm, 2))
    return CENTS_PER_E * (opened - lowered(fret_position_mm(string.scale_mm, fret), 1))


def surveyed_string(instrument: Instrument, number: int, position_mm: float, log_b: float | None) -> FrettedString:
    """Return the model of a string, pressed as by the player of a survey.

    Parameters
    ----------
    instrument : Instrument
        The instrument.
    number : int
        The string.
    position_mm : float
        Its saddle from the position in the file, + away from the nut.
    log_b : float | None
        Its ln B; None for that expected of its spec.
    """
    spec = instrument.string(number)
    setback_mm = spec.setback_mm + position_mm
    string = fretted_string(spec, instrument.open_hz(number), log_stiffness=log_b, setback_mm=setback_mm)
    return replace(string, finger_mm=FINGER_MM, press_mm=PRESS_MM)


def measured_errors(surveys: Mapping[int, Survey]) -> tuple[tuple[tuple[int, int], ...], Floats, Floats]:
    """Return the measured errors of all strings in one vector.

    Parameters
    ----------
    surveys : Mapping[int, Survey]
        String number -> its survey.

    Returns
    -------
    tuple[tuple[tuple[int, int], ...], ndarray of float64, ndarray of float64]
        String and fret (or HARMONIC_ROW) of each value; the errors in cents, shape (n,); their covariance in cents
        squared, shape (n, n).
    """
    rows: list[tuple[int, int]] = []
    cents: list[float] = []
    blocks: list[Floats] = []
    for number, survey in sorted(surveys.items()):
        rows += [(number, fret) for fret in survey.neck.frets]
        cents += survey.neck.errors_cents
        blocks.append(np.array(survey.neck.covariance))
        if survey.harmonic_cents is not None:
            rows.append((number, HARMONIC_ROW))
            cents.append(survey.harmonic_cents)
            blocks.append(np.array([[survey.harmonic_se_cents**2]]))
    covariance = np.zeros((len(rows), len(rows)))
    at = 0
    for block in blocks:
        covariance[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return tuple(rows), np.array(cents), covariance


def with_farther_nut(string: FrettedString, mm: float) -> FrettedString:
    """Return the string with its nut farther from the saddle by ``mm``."""
    return replace(string, nut_shift_mm=string.nut_shift_mm + mm)


def with_higher_nut(string: FrettedString, mm: float) -> FrettedString:
    """Return the string with its nut slot higher by ``mm``, the saddle as before."""
    return replace(
        string,
        nut_height_mm=string.nut_height_mm + mm,
        saddle_over_nut_mm=string.saddle_over_nut_mm - mm,
    )


def with_higher_action(string: FrettedString, mm: float) -> FrettedString:
    """Return the string higher by ``mm`` at fret 12, by its saddle."""
    return replace(string, saddle_over_nut_mm=string.saddle_over_nut_mm + 2.0 * mm)


def with_more_clamping(string: FrettedString, ends: float) -> FrettedString:
    """Return the string with ``ends`` more clamped ends."""
    return replace(string, clamped_ends=string.clamped_ends + ends)


def with_more_take_up(string: FrettedString, mm: float) -> FrettedString:
    """Return the string with ``mm`` more of it taken up by the finger."""
    return replace(string, take_up_mm=string.take_up_mm + mm)


def _with_saddle_back(string: FrettedString) -> FrettedString:
    """Return the string with its saddle 1 mm further from the nut."""
    return replace(string, setback_mm=string.setback_mm + 1.0)


def _shift(
    rows: tuple[tuple[int, int], ...], strings: Mapping[int, FrettedString], change: Change, only: int | None
) -> Floats:
    """Return the shift of each row in cents, (n,), by a change of all strings, or of string ``only``."""
    changed = {n: change(s) for n, s in strings.items() if only in (None, n)}
    return np.array(
        [
            fretted_error_cents(changed[n], fret) - fretted_error_cents(strings[n], fret)
            if fret != HARMONIC_ROW and n in changed
            else 0.0
            for n, fret in rows
        ]
    )
