"""All adjusters of a bridge together: what they should do, and what they leave."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from oscservice.advice.bridge_plan import ErrorRow, adjuster_moves, plan_bridge
from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import error_after, saddle_correction, speaking_lengths_mm
from oscservice.instrument.instrument_file import load_instrument, preset_toml, read_instrument
from oscservice.instrument.spec import Adjuster, Instrument

SCREWED = load_instrument("six-string-628")
PAIRED = load_instrument("six-string-648-paired")
BAR = load_instrument("six-string-628-bar")
FIXED = load_instrument("six-string-628-fixed")
FRETS = (1, 3, 5, 7, 12, 17)
CENTS_PER_E = 1200.0 / math.log(2.0)


def known(cents: float, se: float = 0.2, plucks: int = 8, scatter: float = 0.6) -> Comparison:
    return Comparison(cents, se, plucks, scatter)


def left_cents(row: ErrorRow, instrument: Instrument, from_mm: float, moved_mm: float, ratio: float = 1.0) -> float:
    """Error left: from the two sounding lengths before and after, nut at 0."""
    string = instrument.string(row.string)
    saddle_mm = string.scale_mm + string.setback_mm + from_mm
    fret_mm = string.scale_mm * (1.0 - 2.0 ** (-row.fret / 12.0))
    before = saddle_mm / (saddle_mm - fret_mm)
    after = (saddle_mm + moved_mm) / (saddle_mm + moved_mm - fret_mm)
    return row.error_cents + ratio * 1200.0 * math.log2(after / before)


def with_adjusters(instrument: Instrument, adjusters: list[Adjuster]) -> Instrument:
    return instrument.model_copy(update={"bridge": instrument.bridge.model_copy(update={"adjusters": adjusters})})


def test_separate_saddles_planned_together_are_the_single_moves() -> None:
    errors = {n: known(cents) for n, cents in zip(range(1, 7), (4.0, -3.0, 0.5, 8.0, -7.0, 0.0), strict=True)}
    plan = adjuster_moves(errors, SCREWED, {}, 12)
    for n, error in errors.items():
        single = saddle_correction(error, SCREWED.string(n), 12, 0.0, SCREWED.adjuster_of(n))
        assert plan.moves[f"saddle {n}"].mm == pytest.approx(single.mm, abs=1e-5)
        assert plan.remaining_cents[n] == pytest.approx(0.0, abs=1e-4)


def test_a_pair_takes_the_middle_and_reports_the_rest() -> None:
    plan = adjuster_moves({1: known(6.0), 2: known(2.0)}, PAIRED, {}, 12)
    assert plan.remaining_cents[1] == pytest.approx(2.0, abs=0.1)
    assert plan.remaining_cents[2] == pytest.approx(-2.0, abs=0.1)
    assert plan.moves["saddle 1+2"].mm == pytest.approx(1.5, abs=0.1)
    assert plan.moves["saddle 1+2"].turns == pytest.approx(plan.moves["saddle 1+2"].mm / 0.79375)
    assert plan.moves["saddle 5+6"].mm == pytest.approx(0.0, abs=1e-6)
    assert plan.moves["saddle 5+6"].direction == "stay"


def test_the_better_known_string_of_a_pair_has_more_weight() -> None:
    plan = adjuster_moves({1: known(6.0, se=0.05), 2: known(2.0, se=1.0)}, PAIRED, {}, 12)
    assert 0.5 < plan.remaining_cents[1] < 1.5
    assert -4.0 < plan.remaining_cents[2] < -2.5


def test_a_bar_follows_the_line_of_errors() -> None:
    """Set a bar askew by hand: what the plan undoes must be what was done."""
    done = {"treble screw": 1.2, "bass screw": -0.8}
    errors = {}
    for n in range(1, 7):
        shift = sum(a.influence[n] * done[a.name] for a in BAR.bridge.adjusters)
        errors[n] = known(error_after(0.0, speaking_lengths_mm(BAR.string(n), 12, 0.0), shift))
    plan = adjuster_moves(errors, BAR, done, 12)
    assert plan.moves["treble screw"].mm == pytest.approx(-1.2, abs=0.01)
    assert plan.moves["bass screw"].mm == pytest.approx(0.8, abs=0.01)
    assert all(abs(cents) < 0.02 for cents in plan.remaining_cents.values())


def test_when_one_screw_of_a_bar_ends_the_other_makes_the_best_of_it() -> None:
    errors = {n: known(-8.0) for n in range(1, 7)}
    plan = adjuster_moves(errors, BAR, {"treble screw": -3.5}, 12)
    treble, bass = plan.moves["treble screw"], plan.moves["bass screw"]
    assert treble.mm == pytest.approx(-0.5)
    assert treble.out_of_travel
    assert treble.missing_mm == pytest.approx(-treble.needed_mm - 0.5)
    assert bass.mm < bass.needed_mm - 0.2  # goes further than it would if both could move freely
    assert plan.remaining_cents[1] < -3.0


def test_a_plan_is_refused_as_a_whole() -> None:
    plan = adjuster_moves({1: known(6.0), 2: known(2.0, scatter=3.0)}, PAIRED, {}, 12)
    assert plan.moves["saddle 1+2"].mm == 0.0
    assert plan.moves["saddle 1+2"].refused is not None
    assert plan.remaining_cents == pytest.approx({1: 6.0, 2: 2.0})


def test_a_plan_for_a_fixed_saddle_moves_nothing() -> None:
    plan = adjuster_moves({1: known(6.0)}, FIXED, {}, 12)
    assert plan.moves == {}
    assert plan.remaining_cents == pytest.approx({1: 6.0})


def test_a_plan_needs_strings_and_known_adjusters() -> None:
    with pytest.raises(ValueError, match="no string"):
        adjuster_moves({}, PAIRED, {}, 12)
    with pytest.raises(ValueError, match="'knob'"):
        adjuster_moves({1: known(1.0)}, PAIRED, {"knob": 1.0}, 12)


def test_a_saddle_balances_the_frets_that_are_played() -> None:
    """With one saddle and several frets the least squares are d = (X0/K) sum(w u e) / sum(w u^2), u = 2^(k/12) - 1:
    from Anderson and Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, eq. (31), to first order."""
    errors = dict(zip(FRETS, (2.1, 1.4, 0.2, 1.0, 0.4, -1.5), strict=True))
    weights = dict(zip(FRETS, (3.0, 2.0, 2.0, 1.0, 1.0, 0.25), strict=True))
    rows = [ErrorRow(3, k, errors[k], 0.6, weights[k]) for k in FRETS]
    string = SCREWED.string(3).model_copy(update={"setback_mm": 0.0})
    straight = SCREWED.model_copy(update={"strings": (*SCREWED.strings[:2], string, *SCREWED.strings[3:])})
    u = {k: 2.0 ** (k / 12.0) - 1.0 for k in FRETS}
    above = sum(weights[k] * u[k] * errors[k] for k in FRETS)
    below = sum(weights[k] * u[k] ** 2 for k in FRETS)
    plan = plan_bridge(rows, straight, {})
    assert plan.moves["saddle 3"].mm == pytest.approx(628.0 / CENTS_PER_E * above / below, rel=2e-3)
    assert plan.remaining_cents[3] == pytest.approx(0.0, abs=1e-6)
    for row in rows:
        left = left_cents(row, straight, 0.0, plan.moves["saddle 3"].mm)
        assert plan.remaining_by_fret[3, row.fret] == pytest.approx(left, abs=1e-9)
    favoured = plan_bridge([replace(r, weight=100.0 if r.fret == 1 else r.weight) for r in rows], straight, {})
    assert abs(favoured.remaining_by_fret[3, 1]) < abs(plan.remaining_by_fret[3, 1])


def test_what_several_frets_still_ask_of_a_saddle_at_its_end_is_said_at_fret_12() -> None:
    """All frets agree on 2.0 mm, and there are 1.2: what is left is what 0.8 mm make at fret 12, whatever the fret."""
    stuck = with_adjusters(SCREWED, [a.model_copy(update={"away_mm": 1.2}) for a in SCREWED.bridge.adjusters])
    rows = [
        ErrorRow(6, k, -left_cents(ErrorRow(6, k, 0.0, 0.5), stuck, 0.0, 2.0), 0.5, w) for k, w in ((5, 1.0), (17, 3.0))
    ]
    plan = plan_bridge(rows, stuck, {})
    assert plan.moves["saddle 6"].mm == pytest.approx(1.2)
    assert plan.moves["saddle 6"].missing_mm == pytest.approx(0.8, abs=1e-4)
    assert plan.short_mm[6] == pytest.approx(0.8, abs=1e-4)
    at_12 = -left_cents(ErrorRow(6, 12, 0.0, 0.5), stuck, 1.2, 0.8)
    assert plan.remaining_cents[6] == pytest.approx(at_12, rel=5e-3)
    assert plan.remaining_by_fret[6, 17] > 1.5 * plan.remaining_cents[6]


def test_one_fret_is_said_as_it_is() -> None:
    plan = plan_bridge([ErrorRow(1, 5, 6.0, 0.5), ErrorRow(2, 12, 2.0, 0.5)], PAIRED, {})
    assert plan.remaining_cents == {1: plan.remaining_by_fret[1, 5], 2: plan.remaining_by_fret[2, 12]}


@pytest.mark.parametrize("ratio", [0.6, 1.3])
def test_a_string_answers_as_was_learnt(ratio: float) -> None:
    rows = [ErrorRow(2, 12, 5.0, 0.3)]
    plain, learnt = (plan_bridge(rows, SCREWED, {}, response=r).moves["saddle 2"] for r in (None, {2: ratio, 5: 2.0}))
    assert learnt.mm == pytest.approx(plain.mm / ratio, rel=0.02)
    assert learnt.se_mm == pytest.approx(plain.se_mm / ratio, rel=0.02)
    assert left_cents(rows[0], SCREWED, 0.0, learnt.mm, ratio) == pytest.approx(0.0, abs=1e-6)


def test_the_doubt_of_moves_is_the_scatter_of_repeats() -> None:
    """Two pairs and a bar across all: three adjusters, a hundred draws of what was heard."""
    row_errors = [(1, 12, 4.0, 0.2), (2, 12, 1.0, 0.9), (3, 12, -2.0, 0.6), (4, 7, 1.0, 0.4), (4, 12, 1.5, 0.7)]
    rows = [ErrorRow(*r, weight=w) for r, w in zip(row_errors, (1.0, 2.0, 1.0, 1.0, 3.0), strict=True)]
    first = SCREWED.bridge.adjusters[0]
    shares = {"a": {1: 1.0, 2: 1.0}, "b": {3: 1.0, 4: 1.0}, "tilt": {1: 1.0, 2: 0.7, 3: 0.3, 4: -0.2}}
    bridge = [first.model_copy(update={"name": n, "influence": i}) for n, i in shares.items()]
    instrument = with_adjusters(SCREWED, bridge)
    chance = np.random.default_rng(3)
    draws = [
        plan_bridge(
            [replace(r, error_cents=r.error_cents + chance.normal(0.0, r.se_cents)) for r in rows], instrument, {}
        )
        for _ in range(100)
    ]
    for name, move in plan_bridge(rows, instrument, {}).moves.items():
        scatter = np.std([draw.moves[name].needed_mm for draw in draws], ddof=1)
        assert scatter == pytest.approx(move.se_mm, rel=0.2)  # 100 draws know a standard deviation to 7 %


def cost(mm: npt.NDArray[np.float64], rows: list[ErrorRow], instrument: Instrument) -> float:
    """Weighted sum of squares of what moves of the adjusters leave."""
    total = 0.0
    for row in rows:
        shares = [a.influence.get(row.string, 0.0) for a in instrument.bridge.adjusters]
        left = left_cents(row, instrument, 0.0, float(np.dot(shares, mm)))
        total += row.weight * (left / max(row.se_cents, 0.5)) ** 2
    return total


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_no_other_moves_within_travel_leave_less(seed: int) -> None:
    """Any bridge, any errors: the plan is as good as a general minimiser finds, and better than moves near it."""
    chance = np.random.default_rng(seed)
    count = int(chance.integers(1, 5))
    adjusters = [
        Adjuster(
            name=f"a{k}",
            influence={n: float(chance.uniform(-1.0, 2.0)) for n in range(1, 7) if chance.random() < 0.6} or {1: 1.0},
            toward_nut_mm=float(chance.uniform(0.0, 3.0)),
            away_mm=float(chance.uniform(0.0, 3.0)),
            mm_per_turn=None,
        )
        for k in range(count)
    ]
    instrument = with_adjusters(SCREWED, adjusters)
    rows = [
        ErrorRow(
            n, fret, float(chance.normal(0.0, 8.0)), float(chance.uniform(0.1, 2.0)), float(chance.uniform(0.2, 4.0))
        )
        for n in range(1, 7)
        for fret in chance.choice(FRETS, size=int(chance.integers(1, 4)), replace=False).tolist()
    ]
    plan = plan_bridge(rows, instrument, {})
    mm = np.array([plan.moves[a.name].mm for a in adjusters])
    low, high = -np.array([a.toward_nut_mm for a in adjusters]), np.array([a.away_mm for a in adjusters])
    assert (mm >= low).all()
    assert (mm <= high).all()
    found = minimize(cost, 0.5 * (low + high), (rows, instrument), "L-BFGS-B", bounds=list(zip(low, high, strict=True)))
    planned = cost(mm, rows, instrument)
    assert planned <= found.fun * (1.0 + 1e-5) + 1e-9
    for _ in range(10):
        near = np.clip(mm + chance.normal(0.0, 0.05, count), low, high)
        assert planned <= cost(near, rows, instrument) * (1.0 + 1e-7) + 1e-9


def test_a_bridge_from_a_file_with_blocks_of_its_own() -> None:
    """Two blocks of three strings and a wedge under the bass end: shifted by known amounts, all brought back."""
    blocks = """
[[bridge.adjuster]]
name = "treble block"
influence = { "1" = 1.0, "2" = 1.0, "3" = 1.0 }
toward_nut_mm = 3.0
away_mm = 3.0
thread = "#4-40"

[[bridge.adjuster]]
name = "bass block"
influence = { "4" = 1.0, "5" = 1.0, "6" = 1.0 }
toward_nut_mm = 3.0
away_mm = 3.0

[[bridge.adjuster]]
name = "wedge"
influence = { "4" = 0.1, "5" = 0.4, "6" = 0.8 }
toward_nut_mm = 0.5
away_mm = 0.5
means = "shaped"
"""
    text = preset_toml("six-string-628-fixed").replace("\n[[string]]", blocks + "\n[[string]]", 1)
    instrument = read_instrument(text, "blocks.toml")
    wanted = {"treble block": 1.27, "bass block": -0.9, "wedge": 0.4}
    rows = []
    for n in range(1, 7):
        shift = sum(a.influence.get(n, 0.0) * wanted[a.name] for a in instrument.bridge.adjusters)
        rows.append(ErrorRow(n, 12, -left_cents(ErrorRow(n, 12, 0.0, 0.3), instrument, 0.0, shift), 0.3))
    plan = plan_bridge(rows, instrument, {})
    assert {name: move.mm for name, move in plan.moves.items()} == pytest.approx(wanted, abs=1e-4)
    assert plan.moves["treble block"].turns == pytest.approx(2.0, abs=1e-3)
    assert plan.moves["treble block"].settable_mm == pytest.approx(1.27)
    assert plan.moves["bass block"].turns is None
    assert plan.moves["wedge"].settable_mm == pytest.approx(0.4)
    assert all(abs(cents) < 1e-3 for cents in plan.remaining_cents.values())
    # With the wedge used up, the block goes where the three strings are least off together.
    used = plan_bridge(rows, instrument, {"wedge": 0.5, "bass block": 0.0})
    assert used.moves["wedge"].mm == pytest.approx(0.0, abs=1e-6)
    assert used.moves["wedge"].out_of_travel
    for n, share in ((4, 0.1), (5, 0.4), (6, 0.8)):
        assert used.short_mm[n] == pytest.approx(0.4 * (share - (0.1 + 0.4 + 0.8) / 3.0), abs=0.01)


def test_errors_no_saddle_causes_end_in_a_plan_within_travel() -> None:
    for cents in (-3000.0, 900.0, 3000.0):
        plan = plan_bridge([ErrorRow(1, 24, cents, 0.5)], SCREWED, {})
        assert abs(plan.moves["saddle 1"].mm) == pytest.approx(5.0)
        assert math.isfinite(plan.remaining_cents[1])


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([ErrorRow(1, 12, 1.0, 0.2), ErrorRow(1, 12, 2.0, 0.2)], "string 1 at fret 12 comes twice"),
        ([ErrorRow(1, 12, math.nan, 0.2)], "expected a fret and numbers"),
        ([ErrorRow(1, 12, 1.0, math.inf)], "expected a fret and numbers"),
        ([ErrorRow(1, 0, 1.0, 0.2)], "expected a fret and numbers"),
        ([ErrorRow(1, 12, 1.0, 0.2, 0.0)], "has a weight of 0.0"),
        ([ErrorRow(7, 12, 1.0, 0.2)], "expected 1 to 6"),
    ],
)
def test_rows_that_cannot_be_planned_on(rows: list[ErrorRow], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        plan_bridge(rows, PAIRED, {})


@pytest.mark.parametrize("ratio", [0.0, -1.0, math.nan])
def test_a_response_that_cannot_be(ratio: float) -> None:
    with pytest.raises(ValueError, match="expected more than 0"):
        plan_bridge([ErrorRow(1, 12, 1.0, 0.2)], PAIRED, {}, response={1: ratio})
