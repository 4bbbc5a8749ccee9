"""Errors at unplucked frets, compared with the simulated guitar's mechanics, which share no formula with the advice."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import numpy as np
import pytest
from fretting_terms import terms_error_cents

from oscservice.advice.causes import Finding
from oscservice.advice.comparison import Comparison
from oscservice.advice.expected_errors import (
    ACTION_SD_MM,
    FRET_SD_MM,
    GROOVE_SD_MM,
    NUT_HEIGHT_SD_MM,
    NUT_PLACE_SD_MM,
    TAKE_UP_SD_MM,
    Survey,
)
from oscservice.advice.neck_errors import NeckErrors, equivalent_comparison
from oscservice.advice.remaining_errors import (
    LAST_TERMS_FRET,
    LastPass,
    StringRemains,
    remaining_errors,
    remaining_errors_after,
)
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.fretting import fretted_error_cents, fretted_string
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import NewGauge, tuned_by, with_capo, with_gauges
from oscservice.instrument.pitch import OPEN
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar_builder import Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig

THOROUGH = (1, 3, 5, 7, 12, 17)
ONE = (12,)
CENTS, OPEN_CENTS = 0.4, 0.1  # standard errors of each fret, and of the open string they are all compared with
B_SD = 0.06


@dataclass
class Guitar:
    """A guitar that strays from its file as a sound one may, its saddles anywhere within 4 mm of where they belong."""

    instrument: Instrument
    rig: Rig
    faults: Faults
    draw: random.Random

    @property
    def numbers(self) -> range:
        return range(1, len(self.instrument.strings) + 1)

    def survey(self, number: int, frets: tuple[int, ...], sd: float = CENTS) -> Survey:
        """Return the errors as measured with small scatter."""
        opened = self.draw.gauss(0.0, OPEN_CENTS)
        errors = [self.rig.error_cents(number, fret) + opened + self.draw.gauss(0.0, sd) for fret in frets]
        covariance = sd**2 * np.eye(len(frets)) + OPEN_CENTS**2
        # f_k = k f0 sqrt(1 + B k^2), from partials 1 and 4
        first, _, _, fourth = self.rig.stopped(number, OPEN).partials_hz(4)
        ratio = (fourth / first / 4.0) ** 2
        log_b = math.log((ratio - 1.0) / (16.0 - ratio)) + self.draw.gauss(0.0, B_SD)
        return Survey(neck(frets, errors, covariance), stiffness=Stiffness(log_b, B_SD))

    def surveys(self, frets: tuple[int, ...]) -> dict[int, Survey]:
        return {n: self.survey(n, frets) for n in self.numbers}

    def truth(self, told: StringRemains) -> np.ndarray:
        return np.array([self.rig.error_cents(told.string, fret) for fret in told.frets])


def neck(frets, errors, covariance) -> NeckErrors:
    rows = tuple(map(tuple, np.asarray(covariance).tolist()))
    return NeckErrors(tuple(frets), tuple(map(float, errors)), rows, (3,) * len(frets), 0.7)


def guitar(seed: int, preset: str = "six-string-648") -> Guitar:
    draw = random.Random(f"remains {seed}")
    instrument = load_instrument(preset)
    numbers, frets = range(1, len(instrument.strings) + 1), range(1, instrument.frets + 1)
    faults = Faults(
        core_factor={n: draw.gauss(1.0, 0.05 if instrument.string(n).wound else 0.01) for n in numbers},
        nut_raised_mm={n: draw.gauss(0.0, NUT_HEIGHT_SD_MM) for n in numbers},
        nut_shift_mm=draw.gauss(0.0, NUT_PLACE_SD_MM),
        action_raised_mm=draw.gauss(0.0, ACTION_SD_MM),
        take_up_mm=abs(draw.gauss(0.0, TAKE_UP_SD_MM)),
        fret_shift_mm={fret: draw.gauss(0.0, FRET_SD_MM) for fret in frets},
        groove_mm={(n, fret): draw.gauss(0.0, GROOVE_SD_MM) for n in numbers for fret in frets},
    )
    rig = rig_of(instrument, saddle_error_mm=[draw.uniform(-4.0, 4.0) for _ in numbers], faults=faults)
    return Guitar(instrument, rig, faults, draw)


def guitars(count: int = 12) -> list[Guitar]:
    return [guitar(seed, ("six-string-648", "six-string-628", "seven-string-648")[seed % 3]) for seed in range(count)]


def standing(instrument: Instrument, rig: Rig, faults: Faults) -> Rig:
    """The guitar as another instrument file and other faults make it, its saddles where ``rig`` has them."""
    strings = [
        spec.model_copy(update={"setback_mm": rig.saddle_mm(n)}) for n, spec in enumerate(instrument.strings, start=1)
    ]
    return rig_of(instrument.model_copy(update={"strings": tuple(strings)}), faults=faults)


def off(told: StringRemains, truth: np.ndarray) -> np.ndarray:
    """Return the deviation of each fret's reported error, in its standard errors."""
    return (np.array(told.errors_cents) - truth) / np.array(told.se_cents)


def check_calibrated(z: list[np.ndarray]) -> None:
    """About 68 of 100 within 1 sd; the frets of one guitar hang together, so some dozens of strings say no more."""
    every = np.abs(np.concatenate(z))
    assert 0.58 <= np.mean(every < 1.0) <= 0.80
    assert np.mean(every < 2.0) >= 0.90
    assert every.max() < 5.5


@pytest.mark.slow
@pytest.mark.parametrize(("frets", "worst_rms_cents"), [(ONE, 2.6), (THOROUGH, 1.4)])
def test_errors_of_unplucked_frets_fit_their_standard_errors(frets, worst_rms_cents):
    z, errors = [], []
    for one in guitars():
        for told in remaining_errors(one.instrument, one.surveys(frets), {}).values():
            truth = one.truth(told)
            assert told.measured == frets
            assert told.frets == tuple(range(1, one.instrument.frets + 1))
            z.append(off(told, truth))
            errors.append(np.array(told.errors_cents)[:22] - truth[:22])
    check_calibrated(z)
    # Each fret over all strings: even the worst is known far better than the guitar was off.
    assert np.sqrt(np.mean(np.square(errors), axis=0)).max() < worst_rms_cents


def test_a_well_measured_fret_is_reported_as_measured():
    one = guitar(1)
    surveys = {n: replace(one.survey(n, THOROUGH, sd=0.01), stiffness=None) for n in one.numbers}
    told = remaining_errors(one.instrument, surveys, {}, THOROUGH)
    for n in one.numbers:
        assert told[n].errors_cents == pytest.approx(surveys[n].neck.errors_cents, abs=0.1)
        assert max(told[n].se_cents) <= 0.12


def test_evidence_of_one_string_is_used_for_the_others():
    one = guitar(2)
    surveys = one.surveys(THOROUGH) | {3: one.survey(3, ONE)}
    alone = remaining_errors(one.instrument, {3: surveys[3]}, {})[3]
    together = remaining_errors(one.instrument, surveys, {})[3]
    assert together.se_cents[0] < 0.8 * alone.se_cents[0]
    assert set(remaining_errors(one.instrument, surveys, {})) == set(one.numbers)


def test_errors_go_along_with_a_saddle_and_a_last_pass_makes_them_surer():
    carried, newer, carried_se, newer_se = [], [], [], []
    weights = {1: 1.0, 3: 1.0, 5: 1.0, 7: 2.0, 12: 3.0, 17: 1.0}
    for one in guitars():
        surveys = one.surveys(THOROUGH)
        moved = {n: one.draw.uniform(-4.0, 4.0) for n in one.numbers}
        # A hand places a saddle within some tenth of a millimetre.
        rig = one.rig
        saddles = [rig.saddle_mm(n) + moved[n] + one.draw.gauss(0.0, 0.12) for n in one.numbers]
        one.rig = Rig(rig.builds, rig.bridge, rig.adjusters, saddle_mm=saddles)
        last = {}
        for n in one.numbers:
            heard = equivalent_comparison(one.survey(n, THOROUGH).neck, weights, one.instrument.string(n), 12, moved[n])
            last[n] = LastPass(heard, 12, weights)
        before = remaining_errors(one.instrument, surveys, moved)
        after = remaining_errors(one.instrument, surveys, moved, last=last)
        for n in one.numbers:
            truth = one.truth(before[n])
            carried.append(off(before[n], truth))
            newer.append(off(after[n], truth))
            carried_se.append(before[n].se_cents[11])
            newer_se.append(after[n].se_cents[11])
    check_calibrated(carried)
    check_calibrated(newer)
    assert np.mean(newer_se) < 0.75 * np.mean(carried_se)


def test_a_last_pass_at_one_fret_counts_as_one_more_reading_of_it():
    """Two independent values of one fret: the weighted mean, by hand."""
    one = guitar(4)
    survey = one.survey(2, ONE)
    before = remaining_errors(one.instrument, {2: survey}, {}, ONE)[2]
    newer = LastPass(Comparison(3.0, 0.5, 2, 0.6), 12, {12: 1.0})
    after = remaining_errors(one.instrument, {2: survey}, {}, ONE, last={2: newer})[2]
    weights = 1.0 / before.se_cents[0] ** 2, 1.0 / 0.5**2
    mean = (weights[0] * before.errors_cents[0] + weights[1] * 3.0) / sum(weights)
    assert after.errors_cents[0] == pytest.approx(mean, abs=1e-9)
    assert after.se_cents[0] == pytest.approx(sum(weights) ** -0.5, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("frets", [ONE, THOROUGH])
def test_the_same_saddles_tuned_down(frets):
    z = []
    for one in guitars():
        down = tuned_by(one.instrument, -2)
        slack = standing(down, one.rig, one.faults)
        for n, told in remaining_errors_after(one.instrument, down, one.surveys(frets), {}).items():
            z.append(off(told, np.array([slack.error_cents(n, fret) for fret in told.frets])))
    check_calibrated(z)


@pytest.mark.parametrize("capo", [2, 5])
def test_the_same_saddles_with_a_capo(capo):
    z = []
    for one in guitars():
        above = with_capo(one.instrument, capo)
        faults = Faults(
            core_factor=one.faults.core_factor,
            nut_shift_mm=-one.faults.fret_shift_mm[capo],
            action_raised_mm=one.faults.action_raised_mm,
            take_up_mm=one.faults.take_up_mm,
            fret_shift_mm={f: one.faults.fret_shift_mm[f + capo] for f in range(1, above.frets + 1)},
            groove_mm={
                (n, f): one.faults.groove_mm[n, f + capo] for n in one.numbers for f in range(1, above.frets + 1)
            },
        )
        held = standing(above, one.rig, faults)
        for n, told in remaining_errors_after(one.instrument, above, one.surveys(THOROUGH), {}).items():
            assert told.frets == tuple(range(1, above.frets + 1))
            assert told.measured == tuple(f - capo for f in THOROUGH if f > capo)
            z.append(off(told, np.array([held.error_cents(n, fret) for fret in told.frets])))
    check_calibrated(z)


def test_no_change_is_no_change():
    one = guitar(5)
    surveys = one.surveys(THOROUGH)
    same = remaining_errors_after(one.instrument, one.instrument, surveys, {})
    now = remaining_errors(one.instrument, surveys, {})
    for n in one.numbers:
        assert same[n].errors_cents == pytest.approx(now[n].errors_cents, abs=1e-9)
        assert same[n].se_cents == pytest.approx(now[n].se_cents, abs=1e-9)


def test_three_terms_say_it_in_short():
    """A string that does what the full model says: the terms follow it to fret 19."""
    instrument = load_instrument("six-string-648")
    string = fretted_string(instrument.string(5), instrument.open_hz(5))
    frets = tuple(range(1, 23))
    heard = [fretted_error_cents(string, fret) for fret in frets]
    survey = Survey(neck(frets, heard, 1e-4 * np.eye(len(frets))))
    told = remaining_errors(instrument, {5: survey}, {})[5]
    for fret in range(1, LAST_TERMS_FRET + 1):
        assert terms_error_cents(told.terms, fret) == pytest.approx(told.errors_cents[fret - 1], abs=0.1)
    assert 0.0 < told.terms_se.linear_cents < 0.1


def test_the_terms_are_of_the_whole_neck_whichever_frets_are_asked_for():
    one = guitar(9)
    surveys = one.surveys(THOROUGH)
    whole, part = (remaining_errors(one.instrument, surveys, {}, frets)[4] for frets in (None, (17, 2)))
    assert part.frets == (2, 17)
    assert part.measured == (17,)
    assert part.errors_cents == (whole.errors_cents[1], whole.errors_cents[16])
    assert (part.terms, part.terms_se) == (whole.terms, whole.terms_se)
    low = remaining_errors_after(one.instrument, tuned_by(one.instrument, -1), surveys, {}, (5,))[4]
    assert low.frets == (5,)
    assert low.terms.linear_cents != whole.terms.linear_cents


def test_impossible_saddle_places_do_not_break_it():
    """A string taken for another one: hundreds of cents off, and its neighbours as before."""
    one = guitar(10)
    surveys = one.surveys(ONE)
    wild = surveys[2].neck
    surveys[2] = replace(surveys[2], neck=replace(wild, errors_cents=(700.0,)))
    told = remaining_errors(one.instrument, surveys, {}, ONE)
    assert all(math.isfinite(told[n].errors_cents[0]) and told[n].se_cents[0] > 0.0 for n in one.numbers)
    assert abs(off(told[5], np.array([one.rig.error_cents(5)]))[0]) < 5.0


def test_the_doubt_of_the_terms_is_that_of_the_frets():
    one = guitar(6)
    told = remaining_errors(one.instrument, one.surveys(ONE), {})[4]
    # What makes frets 1 and 17 less sure than fret 12, of which they are read off, is in the terms.
    assert told.terms_se.linear_cents > 0.2
    assert told.se_cents[16] > 2.0 * told.se_cents[11]


def test_a_cause_that_was_named_is_left_as_large_as_it_was_heard():
    """A nut slot 0.9 mm high: a dozen standard deviations of a sound guitar."""
    one = guitar(7)
    faults = replace(one.faults, nut_raised_mm=dict(one.faults.nut_raised_mm) | {3: 0.9})
    one.rig = standing(one.instrument, one.rig, faults)
    surveys = one.surveys(THOROUGH)
    found = Finding("nut slot high", (3,), 0, 0.9, 0.1, "mm", 0.99, "", "", stops=True)
    without, named = (remaining_errors(one.instrument, surveys, {}, named=given)[3] for given in ((), (found,)))
    truth = one.truth(named)
    assert np.abs(off(named, truth)).max() < 3.5
    assert np.abs(off(without, truth)).max() > 5.0


def test_impossible_frets_and_changes_are_refused():
    one = guitar(8)
    surveys = one.surveys(ONE)
    with pytest.raises(ValueError, match="fret 30"):
        remaining_errors(one.instrument, surveys, {}, (1, 30))
    with pytest.raises(ValueError, match="no fret"):
        remaining_errors(one.instrument, surveys, {}, ())
    with pytest.raises(ValueError, match="no string was compared"):
        remaining_errors(one.instrument, {}, {})
    with pytest.raises(ValueError, match="string 1 is another one"):
        remaining_errors_after(one.instrument, with_gauges(one.instrument, {1: NewGauge(0.28)}), surveys, {})
    with pytest.raises(ValueError, match="6 strings after the change, 7 before"):
        remaining_errors_after(load_instrument("seven-string-648"), one.instrument, surveys, {})
    with pytest.raises(ValueError, match="more than a capo makes"):
        remaining_errors_after(one.instrument, load_instrument("six-string-628"), surveys, {})
