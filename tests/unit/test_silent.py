"""The silent bench reads what the simulated guitar is, and its hands bring a guitar to where the session wants it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bench.silent import SilentBench, set_up
from invented_sessions import out_of_tune
from saddle_travel import saddle_travel_mm

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.session.vocabulary import Ending, Status
from oscservice.simulate.guitar_builder import Faults, rig_of
from oscservice.simulate.uneven_string import Uneven

pytestmark = pytest.mark.slow

FLOATING, SCREWS, PAIRED, BAR = "six-string-648", "six-string-628", "six-string-648-paired", "six-string-628-bar"
TWELFTH = Place("fret", 12)


@pytest.mark.parametrize(("string", "place"), [(6, OPEN), (3, TWELFTH), (1, HARMONIC), (2, Place("fret", 5))])
def test_a_reading_without_scatter_is_the_truth(string, place):
    rig = rig_of(load_instrument(FLOATING))
    read = SilentBench(rig, 1, scatter_cents=0.0, open_sd_cents=0.0, reading_se_cents=0.0).reading(string, place)
    assert read.f1_hz == rig.place_hz(string, place)
    assert read.string_hz == read.f1_hz
    # B as read, within its own error, gives the partials of the mechanics: f_k = k f0 sqrt(1 + B k^2).
    k = np.arange(1, 7)
    law = k * read.f0_hz * np.sqrt(1.0 + read.inharmonicity * k**2)
    found = rig.stopped(string, place).partials_hz(6)
    off_cents = 1200.0 * np.log2(law / found)
    assert np.all(np.abs(off_cents) <= 5.0 * 0.03 * 600.0 / math.log(2.0) * read.inharmonicity * k**2)


def test_readings_scatter_as_stated_and_strings_may_differ():
    rig = rig_of(load_instrument(FLOATING), faults=Faults(scatter_cents={3: 4.0}))
    bench = SilentBench(rig, 2, scatter_cents=1.0, open_sd_cents=0.2)

    def spread(string, place):
        true = rig.place_hz(string, place)
        return np.std([cents_between(bench.reading(string, place).f1_hz, true) for _ in range(300)])

    assert spread(2, TWELFTH) == pytest.approx(1.0, rel=0.2)
    assert spread(3, TWELFTH) == pytest.approx(4.0, rel=0.2)
    assert spread(3, OPEN) == pytest.approx(0.2, rel=0.2)
    assert spread(3, HARMONIC) == pytest.approx(0.2, rel=0.2)


def test_a_worn_string_is_read_even_far_from_the_stiff_string():
    rig = rig_of(load_instrument(FLOATING), faults=Faults(uneven={1: Uneven(0.47, 30.0, 0.5)}))
    read = SilentBench(rig, 1).reading(1, OPEN)
    assert read.inharmonicity >= 0.0
    assert 0.0 < read.inharmonicity_se < math.inf


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_guitar_is_set_up_within_tolerance(seed):
    instrument = load_instrument(FLOATING)
    rig = out_of_tune(instrument, seed)
    before = [abs(rig.error_cents(n)) for n in range(1, 7)]
    account = set_up(instrument, rig, seed)
    assert account.outcome == Ending.PROVED
    assert set(account.statuses.values()) == {Status.SETTLED}
    assert max(abs(cents) for cents in account.errors_cents.values()) <= 2.0 < max(before)
    for n in range(1, 7):
        assert account.errors_cents[n] == rig.error_cents(n)
        assert account.plucks[n] >= 4
        assert sum(account.moves_mm[n]) == pytest.approx(rig.saddle_mm(n) - out_of_tune(instrument, seed).saddle_mm(n))


@pytest.mark.parametrize("name", [SCREWS, PAIRED, BAR])
def test_hands_know_every_bridge(name):
    instrument = load_instrument(name)
    account = set_up(instrument, out_of_tune(instrument, 5, worst_mm=1.5), 5)
    assert account.outcome == Ending.PROVED
    assert any(account.moves_mm.values())


def test_a_seed_decides():
    instrument = load_instrument(SCREWS)
    once, again, other = (set_up(instrument, out_of_tune(instrument, 1), seed) for seed in (1, 1, 2))
    assert once == again
    assert once.errors_cents != other.errors_cents


def test_a_saddle_goes_no_further_than_its_travel():
    instrument = load_instrument(FLOATING)
    rig = rig_of(instrument, saddle_error_mm=[0.0, 0.0, -7.0, 0.0, 0.0, 0.0])
    account = set_up(instrument, rig, 4)
    assert account.statuses[3] is Status.OUT_OF_TRAVEL
    assert account.outcome == Ending.PARTLY_PROVED
    assert sum(account.moves_mm[3]) <= 5.0 + 1e-6
    assert saddle_travel_mm(rig, 1)[0] == pytest.approx(-5.0 - sum(account.moves_mm[1]))


def test_a_string_that_scatters_badly_is_set_aside_and_the_rest_set_up():
    instrument = load_instrument(SCREWS)
    rig = rig_of(instrument, faults=Faults(scatter_cents={2: 12.0}))
    account = set_up(instrument, rig, 7)
    assert account.statuses[2] is Status.SET_ASIDE
    assert max(abs(cents) for n, cents in account.errors_cents.items() if n != 2) <= 2.0


def test_a_named_cause_is_skipped_or_overruled():
    instrument = load_instrument(FLOATING)
    worn = Faults(uneven={3: Uneven(0.5 - 15.0 / 648.0, 30.0, -0.2)})
    for overrule, status in ((False, Status.SET_ASIDE), (True, Status.SETTLED)):
        rig = rig_of(instrument, saddle_error_mm=[0.5] * 6, faults=worn)
        account = set_up(instrument, rig, 1, frets="thorough", overrule=overrule)
        assert 3 in account.state.findings[0].strings
        assert account.statuses[3] is status
