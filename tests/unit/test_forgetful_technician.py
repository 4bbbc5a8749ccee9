"""Mistakes on purpose: which can be made on what hardware, each once, and put right when it is noticed."""

from __future__ import annotations

from typing import Any

import pytest

from oscservice.instrument.instrument_file import load_instrument
from oscservice.simulate.forgetful_technician import ForgetfulTechnician, lacking
from oscservice.simulate.mistakes import MISTAKE_TEXTS, Mistake
from oscservice.simulate.technician import RefusedError

LOCKING, SPRING, SCREWS, FIXED = (
    "six-string-648-locking",
    "six-string-648-spring",
    "six-string-628",
    "six-string-628-fixed",
)
TOPICS = {"/focus/string": 6, "/nut": "open", "/string/6/saddle/move": 3.0, "/string/6/saddle/room": 5.0}


class Hands(ForgetfulTechnician):
    """A technician without a daemon: what is asked for is kept. A peg turned further than ``most_cents`` is refused."""

    def __init__(self, *mistakes: Mistake, most_cents: float = 1e6, **topics: object) -> None:
        self.made: list[tuple[Mistake, int]] = []
        super().__init__(
            "127.0.0.1",
            9,
            mistakes=mistakes,
            strings=6,
            tell_mistake=lambda mistake, string: self.made.append((mistake, string)),
            seed=1,
        )
        self._socket.close()
        self._most_cents = most_cents
        self.asked: list[tuple[str, tuple[Any, ...]]] = []
        self.told(**topics)

    def told(self, **topics: object) -> None:
        """Take topics; ``__`` in a name is a slash."""
        given = {name.replace("__", "/"): value for name, value in topics.items()}
        self._topics = {address: (value,) for address, value in {**TOPICS, **given}.items()}

    def _ask(self, address: str, *values: int | float | str) -> tuple[object, ...]:
        if address == "/simulator/peg" and abs(float(values[1])) > self._most_cents:
            raise RefusedError("it would break")
        self.asked.append((address, values))
        return ()

    def take_asked(self) -> list[tuple[str, tuple[Any, ...]]]:
        asked, self.asked = self.asked, []
        return asked


def test_every_mistake_has_a_text() -> None:
    assert set(MISTAKE_TEXTS) == set(Mistake)


@pytest.mark.parametrize(
    ("preset", "impossible"),
    [
        (LOCKING, set()),
        (
            SPRING,
            {
                *(Mistake.FINE_TUNERS, Mistake.NUT_CLAMP, Mistake.NUT_LOCK, Mistake.PEG_WHEN_LOCKED),
                Mistake.SADDLE_CLAMP,
            },
        ),
        (
            FIXED,
            set(Mistake)
            - {Mistake.WRONG_PEG, Mistake.WRONG_WAY, Mistake.STRETCHING, Mistake.SLACKENING}
            - {Mistake.WRONG_STRING},
        ),
    ],
)
def test_a_mistake_needs_its_hardware(preset: str, impossible: set[Mistake]) -> None:
    instrument = load_instrument(preset)
    assert {mistake for mistake in Mistake if lacking(mistake, instrument)} == impossible
    assert lacking(Mistake.NUT_CLAMP, load_instrument(SCREWS)) == "a locking nut"


@pytest.mark.parametrize(
    ("mistake", "code"),
    [
        (Mistake.FINE_TUNERS, "centre_fine_tuners"),
        (Mistake.NUT_CLAMP, "open_nut"),
        (Mistake.NUT_LOCK, "close_nut"),
    ],
)
def test_a_step_by_hand_is_left_out_once(mistake: Mistake, code: str) -> None:
    hands = Hands(mistake)
    hands._do_by_hand(code)
    assert (hands.take_asked(), hands.made) == ([], [(mistake, 6)])
    hands._do_by_hand(code)
    assert len(hands.take_asked()) == 1
    assert hands.made == [(mistake, 6)]


def test_another_peg_is_turned_and_turned_back_when_it_is_noticed() -> None:
    hands = Hands(Mistake.WRONG_PEG)
    hands._tune(6, 3.0)  # too little to be a mistake that shows
    (address, (string, _)), *_ = hands.take_asked()
    assert (address, string) == ("/simulator/peg", 6)
    hands._tune(6, 20.0)
    assert hands.take_asked() == [("/simulator/peg", (1, 20.0))]
    hands._put_right("wrong_peg", 6)
    assert hands.take_asked() == [("/simulator/peg", (1, -20.0))]
    hands._put_right("wrong_peg", 6)
    assert hands.take_asked() == []


def test_a_peg_is_turned_the_wrong_way_and_behind_a_clamp() -> None:
    hands = Hands(Mistake.WRONG_WAY)
    hands._tune(6, 20.0)
    ((_, (string, cents)),) = hands.take_asked()
    assert (string, round(cents / 10.0)) == (6, -2)
    hands = Hands(Mistake.PEG_WHEN_LOCKED, most_cents=10.0)
    hands.told(__nut="closed")
    hands._tune(6, 15.0)
    assert hands.take_asked() == [("/simulator/peg", (6, 7.5))], "less where it resists"
    hands._put_right("fine_tuner_at_end", 6)
    assert hands.take_asked() == [("/simulator/peg", (6, -7.5))]


def test_one_mistake_at_the_pegs_at_a_time() -> None:
    hands = Hands(Mistake.NUT_CLAMP, Mistake.WRONG_WAY)
    hands._do_by_hand("open_nut")
    hands._tune(6, 20.0)
    ((_, (_, cents)),) = hands.take_asked()
    assert cents > 0.0
    hands._put_right("nut_still_closed", 6)
    assert hands.take_asked() == [("/simulator/peg", (6, -cents))], "what was wound behind the clamp comes back"
    hands._tune(6, 20.0)
    ((_, (_, cents)),) = hands.take_asked()
    assert cents < 0.0


def test_strings_are_not_slackened_or_another_one_is() -> None:
    hands = Hands(Mistake.SLACKENING, Mistake.WRONG_STRING)
    hands._let_down(6, "slacken")
    assert hands.take_asked() == []
    hands._let_down(6, "slacken")
    assert hands.take_asked() == [("/simulator/peg", (1, -400.0))]
    hands._put_right("wrong_string_slack", 6)
    assert hands.take_asked() == [("/simulator/peg", (1, 400.0))]
    hands._let_down(6, "slacken")
    assert hands.take_asked() == [("/simulator/slacken", (6,))]
    assert [mistake for mistake, _ in hands.made] == [Mistake.SLACKENING, Mistake.WRONG_STRING]


def test_saddles_are_moved_wrongly_where_the_move_is_long_enough_to_show() -> None:
    hands = Hands(Mistake.SADDLE_MOVE, Mistake.SADDLE_WAY, Mistake.SADDLE_CLAMP)
    hands._place_saddle(6, 1.0)
    assert hands.take_asked() == [("/simulator/saddle", (6, 1.0))]
    hands._place_saddle(6, 3.0)
    assert hands.take_asked() == []
    hands._place_saddle(6, 3.0)
    assert hands.take_asked() == [("/simulator/saddle", (6, -3.0))]
    hands._place_saddle(6, 3.0)
    assert hands.take_asked() == [("/simulator/saddle", (6, 3.0, 0))]
    hands._place_saddle(6, 3.0)
    assert hands.take_asked() == [("/simulator/saddle", (6, 3.0))]
