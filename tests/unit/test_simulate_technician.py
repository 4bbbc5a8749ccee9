"""The simulated technician does what prompts say. The daemon here is made up: it answers, and keeps a list."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from oscservice.simulate.technician import PLACING_MM, RehearsalError, Technician

Call = tuple[str, tuple[object, ...]]


class MadeUp:
    """A daemon that shows one prompt until something is asked of the guitar or the session, and then is done.

    Args:
        travel_mm: saddles asked to move further are refused.
        old_strings: passing them is refused.
        items: items of the inspection, each with a prompt of its own.
        fine_tuner_at: place of each fine tuner in its travel, which is worth 200 cents.
        deaf: nothing is ever done.
    """

    def __init__(
        self,
        topics: dict[str, tuple[int | float | str, ...]],
        travel_mm: float = 100.0,
        old_strings: bool = False,
        items: tuple[str, ...] = (),
        fine_tuner_at: float = 0.5,
        deaf: bool = False,
    ) -> None:
        self._deaf = deaf
        self._old_strings = old_strings
        self._items = list(items)
        self.fine_tuner_at = fine_tuner_at
        self.calls: list[Call] = []
        self._topics = topics
        self._travel_mm = travel_mm
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._socket.sendto(b"", ("127.0.0.1", self.port))
        self._thread.join()
        self._socket.close()

    def _serve(self) -> None:
        while True:
            packet, peer = self._socket.recvfrom(65536)
            if not packet:
                return
            message = OscMessage(packet)
            address, values = message.address.removeprefix("/bench"), tuple(message.params)
            self.calls.append((address, values))
            if address == "/simulator/saddle" and abs(float(values[1])) > self._travel_mm:
                self._send(peer, "/error", message.address, 8, "its travel ends there")
                continue
            if address == "/session/inspect" and self._old_strings and values[0] == "strings":
                self._old_strings = False
                self._send(peer, "/error", message.address, 8, "the strings are old")
                continue
            answer: tuple[float, ...] = (82.4, 0.0) if address == "/simulator/truth" else ()
            if address == "/simulator/fine_tuner":
                before = self.fine_tuner_at
                self.fine_tuner_at = min(1.0, max(0.0, before + float(values[1]) / 200.0))
                answer = (200.0 * (self.fine_tuner_at - before), self.fine_tuner_at)
            self._send(peer, "/reply", message.address, *answer)
            if address == "/session/begin":
                for item in self._items:
                    self._send(peer, f"/inspect/{item}", "waiting")
                    self._send(peer, f"/inspect/{item}/note", "")
                self._send(peer, "/phase", "inspecting")
            if address == "/session/inspect":
                self._items.remove(str(values[0]))
                self._send(peer, f"/inspect/{values[0]}", str(values[1]))
                if not self._items:
                    self._send(peer, "/phase", "tuning")
                self._send(peer, "/prompt/text", f"{len(self._items)} left")
            if address == "/subscribe":
                for topic, told in self._topics.items():
                    self._send(peer, topic, *told)
            if address == "/simulator/wait":
                if not self._deaf:
                    self._send(peer, "/prompt", "hand_over")
                self._send(peer, "/simulator/done", 1.0)

    def _send(self, peer: tuple[str, int], address: str, *values: int | float | str) -> None:
        builder = OscMessageBuilder("/bench" + address)
        for value in values:
            builder.add_arg(value)
        self._socket.sendto(builder.build().dgram, peer)


def done_by(
    prompt: str,
    travel_mm: float = 100.0,
    seed: int = 1,
    holding: dict[int, tuple[int, ...]] | None = None,
    fine_tuner_at: float = 0.5,
    **more: int | float | str,
) -> list[Call]:
    """Return the technician's commands at a prompt for string 6, without waiting."""
    topics: dict[str, tuple[int | float | str, ...]] = {
        "/phase": ("comparing",),
        "/focus/string": (6,),
        "/focus/place": ("open",),
        "/focus/fret": (0,),
        **{address.replace("__", "/"): (value,) for address, value in more.items()},
        "/prompt/text": ("…",),
        "/prompt": (prompt,),
    }
    daemon = MadeUp(topics, travel_mm, fine_tuner_at=fine_tuner_at)
    technician = Technician("127.0.0.1", daemon.port, seed=seed)
    try:
        technician.know_nominal({6: 82.4})
        technician.know_bridge(holding or {})
        technician.subscribe()
        technician.work()
    finally:
        technician.close()
        daemon.close()
    waits = ("/subscribe", "/unsubscribe", "/simulator/wait", "/simulator/damp", "/simulator/truth")
    return [call for call in daemon.calls if call[0] not in waits]


@pytest.fixture(autouse=True)
def _no_threads_left() -> Iterator[None]:
    before = threading.active_count()
    yield
    assert threading.active_count() == before


@pytest.mark.parametrize(
    ("prompt", "place", "fret", "plucked"),
    [
        ("pluck_fretted", "fret", 5, "fret 5"),
        ("pluck_harmonic", "harmonic", 12, "harmonic"),
        ("say_which", "fret", 17, "fret 17"),
        ("pluck_open", "open", 0, "open"),
    ],
)
def test_it_plucks_what_is_in_focus(prompt: str, place: str, fret: int, plucked: str) -> None:
    ((address, (string, where, strength)),) = done_by(prompt, __focus__place=place, __focus__fret=fret)
    assert (address, string, where) == ("/simulator/pluck", 6, plucked)
    assert 0.3 <= float(str(strength)) <= 1.6


@pytest.mark.parametrize(
    ("prompt", "nut", "done"),
    [
        ("centre_fine_tuners", "unknown", [("/simulator/fine_tuner/centre", ())]),
        ("open_nut", "unknown", [("/simulator/nut", (0, 0))]),
        ("close_nut", "open", [("/simulator/nut", (0, 1))]),
        ("check_action", "open", []),
        ("slacken", "open", [("/simulator/slacken", (6,))]),
        ("slacken", "closed", [("/simulator/nut", (0, 0)), ("/simulator/slacken", (6,))]),
    ],
)
def test_steps_of_the_hardware(prompt: str, nut: str, done: list[Call]) -> None:
    *calls, (address, values) = done_by(prompt, __nut=nut)
    assert calls == done
    assert (address, values[:2]) == ("/simulator/pluck", (6, "open"))


def test_strings_are_let_down_by_two_semitones_together() -> None:
    calls = done_by("let_down", holding={6: (5, 6)})
    pegs = [values for address, values in calls if address == "/simulator/peg"]
    assert [string for string, _ in pegs] == [5, 6]
    assert all(-280.0 < float(str(cents)) < -120.0 for _, cents in pegs)


OFF = {"__string__6__open__cents": 10.0, "__string__6__tune__target": 0.0}


def test_strings_are_tuned_by_the_fine_tuner_while_the_nut_is_closed() -> None:
    for nut, by in (("none", "peg"), ("open", "peg"), ("closed", "fine_tuner")):
        (address, values), _ = done_by("tune_down", __nut=nut, **OFF)
        assert (address, values[0]) == (f"/simulator/{by}", 6)
        assert float(str(values[1])) == pytest.approx(-10.0, abs=4.0)


@pytest.mark.parametrize("at", [0.0, 0.9, 1.0])
def test_a_fine_tuner_at_its_end_goes_to_the_middle_with_its_clamp_open(at: float) -> None:
    notice = {"__notice": "fine_tuner_at_end", "__notice__string": 6}
    calls = done_by("tune_up", __nut="closed", fine_tuner_at=at, **OFF, **notice)
    assert [values for address, values in calls if address == "/simulator/nut"] == [(6, 0), (6, 1)]
    turns = [float(str(values[1])) for address, values in calls if address == "/simulator/fine_tuner"]
    assert at + sum(turns) / 200.0 == pytest.approx(0.5)
    other = done_by("tune_up", __nut="closed", **OFF, **notice | {"__notice__string": 5})
    assert not [address for address, _ in other if address == "/simulator/nut"]


def test_a_string_that_still_stretches_is_stretched() -> None:
    (address, values), *_ = done_by("bring_up", __notice="still_stretching", __notice__string=4)
    assert (address, values) == ("/simulator/stretch", (4,))


@pytest.mark.parametrize("old", [False, True])
def test_the_inspection_is_passed_and_old_strings_are_waived_with_a_reason(old: bool) -> None:
    daemon = MadeUp({"/prompt": ("inspect",)}, old_strings=old, items=("strings", "frets"))
    technician = Technician("127.0.0.1", daemon.port, seed=1)
    try:
        technician.subscribe()
        technician.begin("any", "made up", 2.0)
        technician.work()
    finally:
        technician.close()
        daemon.close()
    said = [values for address, values in daemon.calls if address == "/session/inspect"]
    waived = [("strings", "waived", "simulated strings do not wear")]
    assert said == [("strings", "passed"), *(waived if old else []), ("frets", "passed")]


def test_the_technician_continues_after_a_named_cause() -> None:
    assert done_by("look_into") == [("/session/next", ())]


@pytest.mark.parametrize("wanted", [4.0, -4.0, 0.5])
def test_a_saddle_lands_near_where_it_should_and_never_beyond_its_travel(wanted: float) -> None:
    for seed in range(6):
        calls = done_by("turn_screw", 100.0, seed, __string__6__saddle__move=wanted, __string__6__saddle__room=4.0)
        (mm,) = [float(str(values[1])) for address, values in calls if address == "/simulator/saddle"]
        assert abs(mm - wanted) <= PLACING_MM + 1e-6
        assert abs(mm) <= 4.0 + 1e-6
        assert calls[-1][0] == "/simulator/pluck"


def test_a_saddle_that_meets_its_end_sooner_stops_there() -> None:
    calls = done_by("turn_screw", 3.7, 1, __string__6__saddle__move=4.0, __string__6__saddle__room=4.0)
    asked = [float(str(values[1])) for address, values in calls if address == "/simulator/saddle"]
    assert len(asked) > 1
    assert 3.7 - PLACING_MM <= asked[-1] <= 3.7
    with pytest.raises(RehearsalError, match="its travel ends there"):
        done_by("turn_screw", 0.5, 1, __string__6__saddle__move=4.0, __string__6__saddle__room=4.0)


def test_strings_stay_slack_while_another_screw_of_the_bar_follows() -> None:
    given = {"__string__6__saddle__move": 1.0, "__string__6__saddle__room": 4.0}
    bar = {6: (5, 6)}
    calls = done_by("turn_screw", holding=bar, **given, __string__5__status="to move")
    assert [address for address, _ in calls] == ["/simulator/saddle", "/simulator/pluck"]


def test_work_that_changes_nothing_comes_to_an_end() -> None:
    topics = {"/revision": (7,), "/focus/string": (6,), "/phase": ("comparing",)}
    daemon = MadeUp({**topics, "/prompt/text": ("Pluck it.",), "/prompt": ("pluck_open",)}, deaf=True)
    technician = Technician("127.0.0.1", daemon.port, seed=1)
    try:
        technician.subscribe()
        with pytest.raises(RehearsalError, match=r"40 steps at the prompt 'pluck_open' changed nothing: Pluck it\."):
            technician.work()
    finally:
        technician.close()
        daemon.close()


def test_it_says_which_prompt_it_does_not_know() -> None:
    place = f"{Technician.__name__}._step of {Technician.__module__.replace('.', '/')}.py"
    with pytest.raises(RehearsalError, match=f"'dance'; it needs a case in {place}"):
        done_by("dance")
