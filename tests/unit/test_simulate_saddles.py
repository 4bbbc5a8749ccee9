"""Saddles of the simulated guitar: every kind on a fixed and on a spring-balanced bridge, and loose clamps."""

from __future__ import annotations

from itertools import product

import pytest

from oscservice.instrument.bridge_kinds import BridgeSize, kind_of
from oscservice.instrument.hardware import BALANCES, CLAMPED, PAIRED, SADDLES, SPRING_BALANCED, TWO_SCREW_BAR
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN, cents_between
from oscservice.instrument.spec import Adjuster, Bridge, Instrument, bridge_title
from oscservice.simulate.guitar import Guitar
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.rig_hardware import SLIDE_MM

STRINGS = range(1, 7)
TRAVEL_MM = 6.0


def guitar_with(balance: str, saddle: str) -> Instrument:
    kind = kind_of(balance, saddle)
    adjusters = tuple(
        Adjuster(
            name=name,
            influence=dict(influence),
            toward_nut_mm=TRAVEL_MM,
            away_mm=TRAVEL_MM,
            mm_per_turn=0.7 if kind.screws else None,
            means=kind.means,
        )
        for name, influence in kind.layout(BridgeSize(6)).items()
    )
    bridge = Bridge(
        kind=bridge_title(balance, saddle),
        floating=kind.floating,
        slacken=kind.slacken,
        adjusters=adjusters,
        saddle=saddle,
    )
    return load_instrument("six-string-648").model_copy(update={"bridge": bridge})


def opened(rig: Rig) -> list[float]:
    return [rig.open_hz(n) for n in STRINGS]


def shifts(rig: Rig, before: list[float]) -> list[float]:
    return [cents_between(now, then) for now, then in zip(opened(rig), before, strict=True)]


def tune(rig: Rig, instrument: Instrument) -> None:
    """Tune round and round until every string is in tune."""
    for _ in range(30):
        off = {n: cents_between(instrument.open_hz(n), rig.open_hz(n)) for n in STRINGS}
        if max(map(abs, off.values())) < 0.01:
            return
        for n in STRINGS:
            rig.turn_peg(n, cents_between(instrument.open_hz(n), rig.open_hz(n)))
    raise AssertionError(off)


# Every combination


@pytest.mark.parametrize(("balance", "saddle"), list(product(BALANCES, SADDLES)))
def test_a_saddle_of_every_kind_moves_on_both_kinds_of_bridge(balance: str, saddle: str) -> None:
    instrument = guitar_with(balance, saddle)
    rig = rig_of(instrument, saddle_error_mm=[0.0] * 6)
    held = instrument.saddles_moved_with(3)
    if saddle == PAIRED:
        assert set(held) == {3, 4}
    elif saddle == TWO_SCREW_BAR:
        assert set(held) == set(STRINGS)
    else:
        assert held == {3: 1.0}
    errors = [rig.error_cents(n) for n in STRINGS]
    if instrument.bridge.slacken:
        with pytest.raises(ValueError, match="slacken it first"):
            rig.move_saddle(3, -1.0)
        while tight := [n for n in held if not rig.is_slack(n)]:  # springs pull the others up again
            for n in tight:
                rig.turn_peg(n, -700.0)
    moved = rig.move_saddle(3, -1.0)
    assert moved == pytest.approx({n: -share / held[3] for n, share in held.items()})
    tune(rig, instrument)
    for n in STRINGS:
        # common practice, no source: 1 mm toward the nut sharpens fret 12 by about 2.7 cents, on any bridge.
        sharper = rig.error_cents(n) - errors[n - 1]
        assert sharper == pytest.approx(-2.7 * moved.get(n, 0.0), rel=0.05, abs=0.02)
    # A string that is shorter by up to 2 mm is in tune with 0.6 % less tension: some newtons on springs of 99 N/mm.
    assert rig.bridge_mm == pytest.approx(0.0, abs=0.03)
    assert (rig.bridge_mm == 0.0) == (balance != SPRING_BALANCED)


@pytest.mark.parametrize("balance", BALANCES)
def test_a_screw_turned_under_tension_tightens_a_string_whose_saddle_goes_away_from_the_nut(balance: str) -> None:
    instrument = guitar_with(balance, "screw-driven")
    rig = rig_of(instrument, saddle_error_mm=[0.0] * 6)
    before = opened(rig)
    tension = rig.tension_n(6)
    rig.move_saddle(6, 0.5)
    changes = shifts(rig, before)
    # Hooke's law: the core is stretched by 0.5 mm over the length that shares the stretch. A spring-balanced bridge
    # follows the string, and gives the others less.
    build, length_mm = rig.builds[5], 648.0 + rig.saddle_mm(6) + 75.0
    assert rig.tension_n(6) - tension == pytest.approx(
        build.ea_n * 0.5 / length_mm, rel=0.03 if balance != SPRING_BALANCED else 0.3
    )
    assert changes[5] > 50.0
    if balance == SPRING_BALANCED:
        assert rig.bridge_mm < 0.0
        assert all(change < -1.0 for change in changes[:5])
    else:
        assert changes[:5] == [0.0] * 5
    # Let down first, the string is no tighter than it was, and its saddle went the same way.
    let_down = rig_of(instrument, saddle_error_mm=[0.0] * 6)
    let_down.turn_peg(6, -400.0)
    let_down.move_saddle(6, 0.5)
    assert let_down.tension_n(6) < tension
    assert let_down.saddle_mm(6) == rig.saddle_mm(6)
    for one in (rig, let_down):
        tune(one, instrument)
    assert let_down.error_cents(6) == pytest.approx(rig.error_cents(6), abs=1e-3)


# Loose clamps


def brought_up(clamp: bool, seed: int = 1, move_mm: float = 0.5) -> tuple[Rig, float]:
    """Return a guitar whose string 4 was slackened, its saddle moved and its pitch brought up, and the slide in mm."""
    instrument = guitar_with(SPRING_BALANCED, CLAMPED)
    rig = rig_of(instrument, saddle_error_mm=[0.0] * 6, seed=seed)
    rig.turn_peg(4, -900.0)
    rig.move_saddle(4, move_mm, clamp=clamp)
    put_mm = rig.saddle_mm(4)
    for _ in range(6):
        rig.turn_peg(4, cents_between(instrument.open_hz(4), rig.open_hz(4)))
    return rig, put_mm - rig.saddle_mm(4)


def test_a_saddle_left_loose_slides_toward_the_nut_when_its_string_is_brought_up() -> None:
    slides = [brought_up(clamp=False, seed=seed)[1] for seed in (1, 1, 2, 3)]
    assert all(SLIDE_MM[0] <= slide <= SLIDE_MM[1] for slide in slides)
    assert slides[0] == slides[1]
    assert len(set(slides)) == 3
    rig, slide_mm = brought_up(clamp=False)
    clamped, none_mm = brought_up(clamp=True)
    assert none_mm == 0.0
    assert rig.error_cents(4) - clamped.error_cents(4) == pytest.approx(2.7 * slide_mm, rel=0.05)


def test_a_loose_saddle_stays_while_its_string_is_slack_and_a_tightened_clamp_holds_it() -> None:
    instrument = guitar_with(SPRING_BALANCED, CLAMPED)
    rig = rig_of(instrument)
    rig.turn_peg(4, -900.0)
    rig.move_saddle(4, 0.5, clamp=False)
    put_mm = rig.saddle_mm(4)
    rig.turn_peg(4, 100.0)
    rig.turn_peg(1, 10.0)
    assert rig.is_slack(4)
    assert rig.saddle_mm(4) == put_mm
    rig.move_saddle(4, 0.0)
    tune(rig, instrument)
    assert rig.saddle_mm(4) == put_mm


def test_a_loose_saddle_slides_once_and_not_beyond_its_travel() -> None:
    rig, slide_mm = brought_up(clamp=False, move_mm=-TRAVEL_MM + 0.2)
    assert slide_mm == pytest.approx(0.2)
    put_mm = rig.saddle_mm(4)
    rig.turn_peg(4, -900.0)
    rig.turn_peg(4, 880.0)
    assert rig.saddle_mm(4) == put_mm


def test_only_a_clamp_can_be_left_loose() -> None:
    rig = rig_of(guitar_with("fixed", "screw-driven"))
    with pytest.raises(ValueError, match="no clamp"):
        rig.move_saddle(2, 0.5, clamp=False)
    guitar = Guitar.from_instrument(guitar_with("fixed", CLAMPED), seed=5)
    guitar.slacken(2)
    guitar.pluck(2, OPEN)
    start_mm = guitar.saddle_mm(2)
    assert guitar.move_saddle(2, 0.5, clamp=False) == {2: 0.5}
    assert not guitar.sounding()
    guitar.turn_peg(2, cents_between(guitar_with("fixed", CLAMPED).open_hz(2), guitar.open_hz(2)))
    assert start_mm + 0.5 - SLIDE_MM[1] <= guitar.saddle_mm(2) <= start_mm + 0.5 - SLIDE_MM[0]
