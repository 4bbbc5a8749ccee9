"""Addresses of the simulated guitar: each does to the guitar what it says, and answers what was done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
import pytest

from oscservice.api.address_table import address_space
from oscservice.api.handler_context import CommandContext
from oscservice.daemon.simulated_source import SHARED_MM, SimulatedSource, rehearsal_guitar
from oscservice.instrument.hardware import LOCKING, FineTuners, Nut
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import cents_between
from oscservice.instrument.spec import Instrument
from oscservice.osc.dispatch import RefusedCall, resolve
from oscservice.osc.packet import Message
from oscservice.osc.peer import Peer
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.simulate.guitar import Guitar
from oscservice.simulate.guitar_builder import Faults

STRINGS = range(1, 7)
SPACE = address_space("/bench", 6, simulated=True)
Ask = Callable[..., Any]


class Simulated:
    """A context with a simulated guitar and nothing else."""

    def __init__(self, guitar: Guitar) -> None:
        self.simulator = SimulatedSource(guitar, free_running=False, paced=False)


def instrument_with(nut: Nut | None = None, fine_tuners: FineTuners | None = None) -> Instrument:
    return load_instrument("six-string-648").model_copy(update={"nut": nut or Nut(), "fine_tuners": fine_tuners})


LOCKED = instrument_with(Nut(kind=LOCKING, clamps=((1, 2), (3, 4), (5, 6))), FineTuners(range_cents=150.0))
BARE = instrument_with()


def asker(guitar: Guitar) -> Ask:
    context = cast("CommandContext", Simulated(guitar))

    def ask(path: str, tags: str, *values: float) -> Any:
        (call,) = resolve(Message(f"/bench/simulator/{path}", values, tags), SPACE)
        if isinstance(call, RefusedCall):
            raise OscRefusal(call.code, call.text)
        assert call.address.handler is not None
        return call.address.handler(context, call, Peer("127.0.0.1", 9))

    return ask


def opened(guitar: Guitar) -> list[float]:
    return [guitar.open_hz(n) for n in STRINGS]


def test_clamps_of_the_nut_close_and_open() -> None:
    guitar = rehearsal_guitar(LOCKED, 1)
    ask = asker(guitar)
    before = opened(guitar)
    assert ask("nut", "ii", 3, 1) == ()
    assert [guitar.is_clamped(n) for n in STRINGS] == [False, False, True, True, False, False]
    closed = opened(guitar)
    assert closed != before
    ask("peg", "if", 3, -30.0)
    assert opened(guitar) == closed
    ask("nut", "iT", 0, True)
    assert all(guitar.is_clamped(n) for n in STRINGS)
    ask("nut", "iF", 0, False)
    assert not any(guitar.is_clamped(n) for n in STRINGS)
    assert cents_between(guitar.open_hz(3), before[2]) < -20.0


def test_a_fine_tuner_answers_what_it_did() -> None:
    guitar = rehearsal_guitar(LOCKED, 1)
    ask = asker(guitar)
    place = guitar.fine_tuner_at(2)
    done, now = ask("fine_tuner", "if", 2, 20.0)
    assert done == pytest.approx(20.0)
    assert now == guitar.fine_tuner_at(2) > place
    done, now = ask("fine_tuner", "if", 2, 500.0)
    assert 20.0 < done < 90.0
    assert now == pytest.approx(1.0)
    ask("fine_tuner/centre", "")
    assert [guitar.fine_tuner_at(n) for n in STRINGS] == pytest.approx([0.5] * 6)


def test_a_new_string_is_stretched() -> None:
    guitar = rehearsal_guitar(LOCKED, 1, faults=Faults(unstretched_mm={4: 0.5}))
    before = opened(guitar)
    asker(guitar)("stretch", "i", 4)
    assert cents_between(guitar.open_hz(4), before[3]) < -20.0


def test_a_saddle_clamp_may_be_left_loose() -> None:
    places = {}
    for clamp in (None, 1, 0):
        guitar = rehearsal_guitar(LOCKED, 1)
        ask = asker(guitar)
        ask("slacken", "i", 5)
        start_mm = guitar.saddle_mm(5)
        ask("saddle", "ifi" if clamp is not None else "if", 5, 0.25, *([] if clamp is None else [clamp]))
        ask("peg", "if", 5, cents_between(LOCKED.open_hz(5), guitar.open_hz(5)))
        places[clamp] = guitar.saddle_mm(5) - start_mm
    assert places[None] == places[1] == pytest.approx(0.25)
    assert -1.75 <= places[0] <= -0.75


@pytest.mark.parametrize(
    ("path", "tags", "values", "code", "said"),
    [
        ("nut", "ii", (1, 1), ErrorCode.REFUSED, "has no clamps"),
        ("nut", "ii", (13, 1), ErrorCode.OUT_OF_RANGE, "string"),
        ("nut", "ii", (1, 2), ErrorCode.OUT_OF_RANGE, "closed"),
        ("fine_tuner", "if", (1, 5.0), ErrorCode.REFUSED, "has no fine tuners"),
        ("fine_tuner", "if", (0, 5.0), ErrorCode.OUT_OF_RANGE, "string"),
        ("fine_tuner/centre", "", (), ErrorCode.REFUSED, "has no fine tuners"),
        ("stretch", "i", (7,), ErrorCode.REFUSED, "string 7 isn't there"),
    ],
)
def test_what_a_guitar_does_not_have_is_refused(
    path: str, tags: str, values: tuple[float, ...], code: ErrorCode, said: str
) -> None:
    with pytest.raises(OscRefusal, match=said) as refusal:
        asker(rehearsal_guitar(BARE, 1))(path, tags, *values)
    assert refusal.value.code is code


def test_a_peg_that_would_break_a_string_behind_its_clamp_is_refused() -> None:
    guitar = rehearsal_guitar(LOCKED, 1)
    ask = asker(guitar)
    ask("nut", "ii", 0, 1)
    with pytest.raises(OscRefusal, match="would break behind the nut") as refusal:
        ask("peg", "if", 1, 150.0)
    assert refusal.value.code is ErrorCode.REFUSED


@pytest.mark.parametrize("name", ["six-string-648-paired", "six-string-628-bar"])
def test_saddles_that_strings_share_are_misplaced_together(name: str) -> None:
    """The part that carries them can be moved so that every string is within a cent: 0.374 mm a cent at fret 12."""
    instrument = load_instrument(name)
    off_mm = []
    for seed in range(3):
        rig = rehearsal_guitar(instrument, seed).rig
        found_mm = [rig.saddle_mm(n) - rig.find_saddle_in_tune_mm(n) for n in STRINGS]
        shares = np.array([[a.influence.get(n, 0.0) for a in instrument.bridge.adjusters] for n in STRINGS])
        by_parts_mm = np.linalg.lstsq(shares, np.array(found_mm), rcond=None)[0]
        assert np.max(np.abs(shares @ by_parts_mm - found_mm)) <= 2.0 * SHARED_MM
        off_mm.append(max(map(abs, found_mm)))
    assert max(off_mm) > 1.5


def test_a_rehearsal_starts_as_it_always_did_or_as_a_technician_finds_the_guitar() -> None:
    ready, bare, found = (
        rehearsal_guitar(LOCKED, 3),
        rehearsal_guitar(BARE, 3),
        rehearsal_guitar(LOCKED, 3, as_found=True),
    )
    assert opened(ready) == opened(bare)
    assert not any(ready.is_clamped(n) for n in STRINGS)
    assert all(found.is_clamped(n) for n in STRINGS)
    assert all(abs(found.fine_tuner_at(n) - 0.5) >= 0.2 for n in STRINGS)
    # Closing shifts a string by up to 6 cents, and those of a spring-balanced bridge by some cents of the others'.
    assert all(abs(cents_between(a, b)) < 12.0 for a, b in zip(opened(found), opened(bare), strict=True))
    assert opened(rehearsal_guitar(BARE, 3, as_found=True)) == opened(bare)
