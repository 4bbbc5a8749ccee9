"""Levels of a string's places: against a reference library, and whether their errors are true."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import ttest_ind

from oscservice.advice.pluck_strength import PRIOR_CENTS
from oscservice.check.place_levels import (
    FittedNote,
    Levels,
    Scatter,
    degrees_of,
    levels_of,
    limit_sd,
    scatter_of,
    sounds_of,
)
from oscservice.check.verdicts import Case, Note
from oscservice.instrument.pitch import OPEN, Place, note_hz

OPENED = Case(6, OPEN, 40)
FRETTED = Case(6, Place("fret", 12), 52)
NOMINAL_HZ = {OPENED: note_hz(40), FRETTED: note_hz(52)}


def note(case: Case, cents: float, se_cents: float = 0.1, strength_db: float | None = -20.0) -> Note:
    return Note(NOMINAL_HZ[case] * float(2.0 ** (cents / 1200.0)), se_cents, strength_db)


def fitted(sets: list[dict[Case, list[Note]]], scatter: Scatter | None = None) -> tuple[Levels, float]:
    strings, louder = sounds_of(sets, NOMINAL_HZ)
    ((_, sounds),) = strings.items()
    return levels_of(sounds, scatter or scatter_of([sounds])), louder


def test_levels_are_those_of_least_squares_with_a_known_slope() -> None:
    """Against numpy.linalg.lstsq (LAPACK gelsd) on whitened rows, the prior as a row of its own."""
    rng = np.random.default_rng(3)
    scatter = Scatter(0.3, 0.9, 100.0, 100.0)
    sets: list[dict[Case, list[Note]]] = [{OPENED: [], FRETTED: []}, {OPENED: [], FRETTED: []}]
    rows, values = [], []
    reference_db = -20.0
    strengths = iter([-20.0, -26.0, -20.0, -17.0, -20.0, -23.0, -20.0, -20.0] * 3)
    for which, cases in enumerate(sets):
        for number, case in enumerate(cases):
            for _ in range(6 if which == 0 else 5):
                strength_db = next(strengths)
                drive = float(10.0 ** ((strength_db - reference_db) / 20.0)) - 1.0
                se = float(rng.uniform(0.05, 0.5))
                cents = float(rng.normal(2.0 * number + which, scatter.of(case))) + 1.3 * drive
                cases[case].append(note(case, cents, se, strength_db))
                weight = 1.0 / np.hypot(se, scatter.of(case))
                row = np.zeros(5)
                row[2 * which + number], row[4] = weight, weight * drive
                rows.append(row)
                values.append(weight * cents)
    rows.append(np.array([0.0, 0.0, 0.0, 0.0, 1.0 / PRIOR_CENTS]))
    values.append(0.0)
    expected = np.linalg.lstsq(np.array(rows), np.array(values), rcond=None)[0]
    found, louder = fitted(sets, scatter)
    assert louder == pytest.approx(0.0)
    assert found.left_out == ()
    at = [found.at[which, case] for which in (0, 1) for case in (OPENED, FRETTED)]
    assert found.cents[at] == pytest.approx(expected[:4], abs=1e-8)
    assert found.slope_cents == pytest.approx(expected[4], abs=1e-8)
    inverse = np.linalg.inv(np.array(rows).T @ np.array(rows))
    drift, se_cents = found.combined({(1, OPENED): 1.0, (0, OPENED): -1.0})
    assert drift == pytest.approx(expected[2] - expected[0], abs=1e-8)
    told = np.array([-1.0, 0.0, 1.0, 0.0, 0.0])
    assert se_cents == pytest.approx(float(told @ inverse @ told) ** 0.5, abs=1e-8)


def test_another_gain_changes_nothing_but_the_doubt() -> None:
    before = {OPENED: [note(OPENED, c, strength_db=db) for c, db in ((1.0, -20.0), (1.6, -14.0), (0.8, -24.0))]}
    louder = {OPENED: [note(OPENED, c, strength_db=db + 12.0) for c, db in ((1.0, -20.0), (1.6, -14.0), (0.8, -24.0))]}
    weights = {(1, OPENED): 1.0, (0, OPENED): -1.0}
    same, none = fitted([before, before])
    other, louder_by = fitted([before, louder])
    assert none == pytest.approx(0.0)
    assert louder_by == pytest.approx(10.0 ** (12.0 / 20.0) - 1.0)
    assert other.cents == pytest.approx(same.cents, abs=1e-9)
    level, doubt = same.combined(weights, none)
    assert level == pytest.approx(0.0, abs=1e-9)
    moved, more_doubt = other.combined(weights, louder_by)
    # Half of what so much more force would have raised it by is taken off, and as much is doubt.
    assert moved == pytest.approx(-0.5 * louder_by * other.slope_cents)
    assert more_doubt > 2.0 * doubt
    fret = {OPENED: before[OPENED], FRETTED: [note(FRETTED, 3.0)]}
    fret_louder = {OPENED: louder[OPENED], FRETTED: [note(FRETTED, 3.0, strength_db=-8.0)]}
    both, louder_by = fitted([fret, fret_louder])
    error = {(1, FRETTED): 1.0, (1, OPENED): -1.0, (0, FRETTED): -1.0, (0, OPENED): 1.0}
    assert both.combined(error, louder_by)[0] == pytest.approx(0.0, abs=1e-9), "it raises open and fretted alike"


def test_one_outlier_is_left_out_and_reported() -> None:
    good = [note(OPENED, cents) for cents in (0.1, -0.2, 0.0, 0.2, -0.1)]
    found, _ = fitted([{OPENED: [*good, note(OPENED, 14.0)]}, {OPENED: good}])
    assert [round(one.cents) for one in found.left_out] == [14]
    assert found.cents == pytest.approx(0.0, abs=0.1)
    few, _ = fitted([{OPENED: [note(OPENED, 0.0), note(OPENED, 14.0)]}, {OPENED: good}])
    assert few.left_out == (), "of two nobody knows which"


def drawn(rng: np.random.Generator, sd_cents: float, sizes: tuple[int, ...]) -> list[list[FittedNote]]:
    strings = []
    for number, size in enumerate(sizes):
        values: NDArray[np.float64] = rng.normal(0.0, sd_cents, size)
        case = Case(number + 1, OPEN, 40)
        strings.append([FittedNote((1, case), float(value), 0.0, 0.0, Note(100.0, 0.0)) for value in values])
    return strings


@pytest.mark.parametrize("sd_cents", [0.2, 1.0, 3.0])
def test_scatter_is_that_of_the_plucks(sd_cents: float) -> None:
    """Against the pooled standard deviation of the notes that were drawn (numpy)."""
    strings = drawn(np.random.default_rng(11), sd_cents, (5,) * 60)
    found = scatter_of(strings)
    cents = np.array([[sound.cents for sound in sounds] for sounds in strings])
    assert found.open_cents == pytest.approx(float(np.sqrt(cents.var(axis=1, ddof=1).mean())), rel=0.06)
    assert found.open_weight == pytest.approx(3.0 + 60 * 4)


def test_without_repeats_the_scatter_is_the_expected_one() -> None:
    assert scatter_of(drawn(np.random.default_rng(1), 5.0, (1,) * 12)) == Scatter()


def test_so_many_standard_errors_are_those_of_the_tables() -> None:
    """Student's t and the normal law: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 and 1.3.6.7.2."""
    assert limit_sd(0.05, 10.0) == pytest.approx(2.228, abs=5e-4)
    assert limit_sd(0.01, 3.0) == pytest.approx(5.841, abs=5e-4)
    assert limit_sd(0.002, 30.0) == pytest.approx(3.385, abs=5e-4)
    assert limit_sd(0.05, 1e9) == pytest.approx(1.960, abs=5e-4)


def test_degrees_of_freedom_are_welchs_where_nothing_but_scatter_is_unsure() -> None:
    """Against scipy.stats.ttest_ind of two samples of unlike variance; and known errors add certainty."""
    rng = np.random.default_rng(5)
    opened, fretted = rng.normal(0.0, 0.3, 7), rng.normal(0.0, 1.5, 4)
    scatter = Scatter(float(opened.std(ddof=1)), float(fretted.std(ddof=1)), 6.0, 3.0)
    sounds = [FittedNote((1, OPENED), float(c), 0.0, 0.0, note(OPENED, c)) for c in opened]
    sounds += [FittedNote((1, FRETTED), float(c), 0.0, 0.0, note(FRETTED, c)) for c in fretted]
    levels, weights = levels_of(sounds, scatter), {(1, FRETTED): 1.0, (1, OPENED): -1.0}
    _, se_cents = levels.combined(weights)
    expected = ttest_ind(opened, fretted, equal_var=False).df
    assert degrees_of(weights, levels, scatter, se_cents) == pytest.approx(expected, rel=1e-6)
    assert degrees_of(weights, levels, scatter, 10.0 * se_cents) == pytest.approx(1e4 * expected, rel=1e-6)


def test_standard_errors_fit() -> None:
    """Of drifts drawn at nothing, 68 in 100 lie within their standard error and 95 within two (normal law)."""
    rng = np.random.default_rng(7)
    within_1 = within_2 = 0
    runs = 300
    for _ in range(runs):
        strings = []
        for number in range(1, 7):
            case = Case(number, OPEN, 40)
            slope = abs(rng.normal(0.0, 1.0))
            sounds = []
            for which in (0, 1):
                for _ in range(4):
                    drive = float(10.0 ** (rng.normal(0.0, 2.0) / 20.0)) - 1.0
                    se = float(rng.uniform(0.05, 0.4))
                    cents = slope * drive + float(rng.normal(0.0, np.hypot(se, 0.5)))
                    sounds.append(FittedNote((which, case), cents, se, drive, Note(100.0, se)))
            strings.append(sounds)
        scatter = scatter_of(strings)
        case = strings[0][0].level[1]
        drift, se_cents = levels_of(strings[0], scatter).combined({(1, case): 1.0, (0, case): -1.0})
        within_1 += abs(drift) < se_cents
        within_2 += abs(drift) < 2.0 * se_cents
    assert within_1 / runs == pytest.approx(0.68, abs=0.08)
    assert within_2 / runs == pytest.approx(0.95, abs=0.04)
