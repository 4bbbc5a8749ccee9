"""A simulated technician: an OSC client that does what the daemon's prompts say, with human errors.

It knows the daemon only from its socket. A peg is off by about 6 % and half a cent. A saddle lands within 0.2 mm of its
place, or stops at the end of its travel. Plucks differ in strength. When a cause is named, the technician continues.
"""

from __future__ import annotations

import contextlib
import math
import random
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from oscservice.errors import OscserviceError

PLACING_MM = 0.2
PEG_SHARE = 0.06
PEG_CENTS = 0.5

_NEAR_PITCH_CENTS = 60.0
_WIND_CENTS = 1500.0
_TUNING_NOTE_S = 1.3
_COMPARING_NOTE_S = 2.4
_REST_S = 0.25
_ANSWER_S = 20.0
_MOST_STEPS = 4000
_MOST_TRIES = 4
_WHERE_PROMPTS_GO = "Technician._step of oscservice/simulate/technician.py"
_LAST_PROMPTS = ("hand_over", "hand_over_partly", "abandoned", "check_holds", "check_drifted", "check_unsure")


class RehearsalError(OscserviceError):
    """The rehearsal stopped before the set-up was proved."""


class _RefusedError(RehearsalError):
    """The daemon refused a command."""


@dataclass
class Account:
    """The technician's work by string: moves of the saddle in mm, and plucks."""

    moves_mm: dict[int, list[float]] = field(default_factory=dict)
    plucks: dict[int, int] = field(default_factory=dict)


class Technician:
    """Works on a simulated guitar through a daemon's OSC port.

    Args:
        host, port: where the daemon listens.
        seed: of the technician's errors.
        prefix: root of the addresses.
        watch: called with the account, the prompt code and its sentence before each step.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        seed: int,
        prefix: str = "/bench",
        watch: Callable[[Account, str, str], None] | None = None,
    ) -> None:
        self._peer = (host, port)
        self._prefix = prefix
        self._random = random.Random(seed)
        self._watch = watch
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._socket.bind((host if host != "0.0.0.0" else "127.0.0.1", 0))
        self._topics: dict[str, tuple[object, ...]] = {}
        self._nominal_hz: dict[int, float] = {}
        self._holding: dict[int, tuple[int, ...]] = {}
        self._done = 0
        self._stopped = False
        self._placed = 0
        self.account = Account()

    def close(self) -> None:
        """Leave the daemon and close the socket."""
        if not self._stopped:
            with contextlib.suppress(RehearsalError):
                self._ask("/unsubscribe")
        self._socket.close()

    def stop(self) -> None:
        """Stop the work, from any thread: a wait ends with a RehearsalError."""
        self._stopped = True
        self._socket.sendto(b"", self._socket.getsockname())  # wakes a wait

    def subscribe(self) -> None:
        """Subscribe and wait until the whole state has come."""
        self._ask("/subscribe")
        self._wait_for(lambda: "/prompt" in self._topics, "the daemon's state")

    def truth(self, string: int) -> tuple[float, float]:
        """Return the guitar's true values of a string: open frequency in Hz, error at fret 12 in cents."""
        open_hz, error_cents = self._ask("/simulator/truth", string)
        return float(str(open_hz)), float(str(error_cents))

    def begin(self, instrument: str, label: str, tolerance_cents: float, frets: str = "", tuning: str = "") -> None:
        """Begin a session and pass the inspection; ``frets`` and ``tuning`` as ``/session/begin`` takes them."""
        self._ask("/session/begin", instrument, label, float(tolerance_cents), frets, tuning)
        try:
            self._ask("/session/inspect", "all", "passed")
        except _RefusedError:  # the strings are old by the file, but simulated ones don't wear
            self._ask("/session/inspect", "strings", "waived", "simulated strings do not wear")
            self._ask("/session/inspect", "all", "passed")
        self._pause(0.3)

    def work(self) -> None:
        """Follow prompts until the record is sealed.

        Raises:
            RehearsalError: the daemon stopped answering, or the prompts don't end.
        """
        for _ in range(_MOST_STEPS):
            code = str(self._topics["/prompt"][0])
            if self._watch is not None:
                self._watch(self.account, code, str(self._topics["/prompt/text"][0]))
            if code in _LAST_PROMPTS:
                return
            self._step(code, int(str(self._topics["/focus/string"][0])))
        raise RehearsalError(f"{_MOST_STEPS} steps and no end; the last prompt was {self._topics['/prompt'][0]!r}")

    def _step(self, code: str, string: int) -> None:
        if code not in ("shift_saddle", "turn_screw", "shape_crown"):
            self._placed = 0
        match code:
            case "pluck_open" | "pluck_again":
                tuning = self._topics["/phase"][0] in ("tuning", "retuning")
                self._pluck(string, "open", _TUNING_NOTE_S if tuning else _COMPARING_NOTE_S)
            # In doubt, the last pluck is repeated.
            case "pluck_fretted" | "pluck_harmonic" | "say_which" | "pluck_softer" | "pluck_harder":
                place, fret = self._topics["/focus/place"][0], self._topics["/focus/fret"][0]
                self._pluck(string, f"fret {fret}" if place == "fret" else str(place), _COMPARING_NOTE_S)
            case "tune_up" | "tune_down":
                now, target = (self._topics[f"/string/{string}/{what}"][0] for what in ("open/cents", "tune/target"))
                cents = float(str(target)) - float(str(now))
                self._turn_peg(string, cents)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case "look_into" | "go_on":
                self._ask("/session/next")
                self._pause(_REST_S)
            case "slacken":
                for number in self._holding.get(string, (string,)):
                    self._ask("/simulator/slacken", number)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case "shift_saddle" | "turn_screw" | "shape_crown":
                if self._placed != string:  # otherwise it was moved, and only the pluck after it was not heard
                    self._move_saddle(string)
                    self._placed = string
                self._bring_up(string)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case "bring_up":
                self._bring_up(string)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case _:
                raise RehearsalError(
                    f"the technician does not know the prompt {code!r}; it needs a case in {_WHERE_PROMPTS_GO}"
                )

    def _move_saddle(self, string: int) -> None:
        wanted, room = (float(str(self._topics[f"/string/{string}/saddle/{what}"][0])) for what in ("move", "room"))
        mm = wanted + self._random.uniform(-PLACING_MM, PLACING_MM)
        if abs(mm) > abs(wanted):
            mm = math.copysign(min(abs(mm), max(abs(wanted), room)), mm)
        for less in range(_MOST_TRIES):
            try:
                self._ask("/simulator/saddle", string, float(mm))
                break
            except _RefusedError:  # earlier moves had errors too: the travel ends sooner than the daemon knows
                if less + 1 == _MOST_TRIES:
                    raise
                mm = math.copysign(max(0.0, abs(mm) - PLACING_MM), mm)
        self.account.moves_mm.setdefault(string, []).append(mm)

    def _bring_up(self, string: int) -> None:
        """Wind a slack string up to about its pitch, as with a quick look at a meter."""
        for _ in range(12):
            open_hz, _ = self.truth(string)
            cents = 1200.0 * math.log2(self._nominal_hz[string] / open_hz)
            if abs(cents) < _NEAR_PITCH_CENTS:
                return
            self._turn_peg(string, max(-_WIND_CENTS, min(_WIND_CENTS, cents)), least_cents=10.0)
        raise RehearsalError(f"string {string} can't be brought back to pitch")

    def _turn_peg(self, string: int, cents: float, least_cents: float = PEG_CENTS) -> None:
        error = self._random.gauss(0.0, min(abs(cents) * PEG_SHARE, 25.0)) + self._random.gauss(0.0, least_cents)
        self._ask("/simulator/peg", string, float(cents + error))

    def _pluck(self, string: int, place: str, length_s: float) -> None:
        strength_mm = max(0.3, self._random.gauss(1.0, 0.1))
        self._ask("/simulator/pluck", string, place, float(strength_mm))
        self.account.plucks[string] = self.account.plucks.get(string, 0) + 1
        self._pause(length_s)
        self._ask("/simulator/damp")
        self._pause(_REST_S)

    def know_bridge(self, holding: dict[int, tuple[int, ...]]) -> None:
        """Set which strings hold each string's saddle down, itself included."""
        self._holding = dict(holding)

    def know_nominal(self, nominal_hz: dict[int, float]) -> None:
        """Set the target of each open string, in Hz."""
        self._nominal_hz = dict(nominal_hz)

    def _pause(self, seconds: float) -> None:
        before = self._done
        self._ask("/simulator/wait", float(seconds))
        self._wait_for(lambda: self._done > before, "the guitar", seconds + _ANSWER_S)

    # OSC messages

    def _ask(self, address: str, *values: int | float | str) -> tuple[object, ...]:
        """Send a command and return the values of its reply."""
        builder = OscMessageBuilder(self._prefix + address)
        for value in values:
            builder.add_arg(value, {int: "i", float: "f", str: "s"}[type(value)])
        self._socket.sendto(builder.build().dgram, self._peer)
        answer: list[tuple[object, ...]] = []

        def answered() -> bool:
            return bool(answer)

        self._wait_for(answered, f"an answer to {address}", _ANSWER_S, answer, self._prefix + address)
        return answer[0]

    def _wait_for(
        self,
        arrived: Callable[[], bool],
        what: str,
        patience_s: float = _ANSWER_S,
        answer: list[tuple[object, ...]] | None = None,
        asked: str = "",
    ) -> None:
        deadline = time.monotonic() + patience_s
        while not arrived():
            if self._stopped:
                raise RehearsalError("the technician was stopped")
            left = deadline - time.monotonic()
            if left <= 0.0:
                raise RehearsalError(f"waited {patience_s:.0f} s for {what}; is the daemon still there?")
            self._socket.settimeout(left)
            try:
                packet, _ = self._socket.recvfrom(65536)
            except TimeoutError:
                continue
            if not packet:
                continue
            message = OscMessage(packet)
            address = message.address.removeprefix(self._prefix)
            values = tuple(message.params)
            if address == "/reply" and values and values[0] == asked and answer is not None:
                answer.append(values[1:])
            elif address == "/error" and values and values[0] == asked:
                raise _RefusedError(f"the daemon refused {asked}: {values[2]} (code {values[1]})")
            elif address == "/simulator/done":
                self._done += 1
            else:
                self.take(address, values)

    def take(self, address: str, values: tuple[object, ...]) -> None:
        """Take a topic, address without the root."""
        self._topics[address] = values
