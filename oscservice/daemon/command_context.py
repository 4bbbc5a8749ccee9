"""The daemon as the handlers of incoming addresses see it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeAlias

from oscservice.advice.remaining_errors import StringRemains
from oscservice.api.handler_context import Reply, Simulator
from oscservice.api.note_messages import PitchBends
from oscservice.daemon.plugin_service import PluginService
from oscservice.daemon.recording_checks import RecordingChecks
from oscservice.daemon.session_service import SessionService
from oscservice.instrument.instrument_file import load_named
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.session_results import compared_strings, remaining
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase

ON_THE_BENCH = "."
"""Name of the instrument that the daemon was started with, for bindings, which don't know its own name."""


@dataclass(frozen=True)
class SessionDefaults:
    """Instruments and settings of new sessions.

    Attributes:
        folder: folder of the user's instrument files.
        instruments: instruments by name, beside the presets and the folder: the one the daemon was started with.
        tolerance_cents: tolerance of a session that is begun without one.
        by_hand: sessions advance only on command.
    """

    folder: Path
    instruments: dict[str, Instrument]
    tolerance_cents: float
    by_hand: bool


@dataclass(frozen=True)
class SessionChanged:
    """Events of a session, and its instrument after them."""

    session_id: str
    events: Sequence[ev.Event]
    instrument: Instrument | None


@dataclass(frozen=True)
class SessionResumed:
    """An open session goes on in a phase."""

    session_id: str
    phase: Phase


@dataclass(frozen=True)
class TopicsChanged:
    """Topics beside those of the session have changed; ``line`` says so to a person, or is empty."""

    line: str


@dataclass(frozen=True)
class BindingRefused:
    """A command that a foreign message is bound to was refused; ``line`` says so to a person."""

    line: str


Happening: TypeAlias = SessionChanged | SessionResumed | TopicsChanged | BindingRefused
"""A result of a command that is announced after the answer."""


@dataclass
class DaemonContext:
    """The :class:`~oscservice.api.handler_context.CommandContext` of a daemon.

    It collects what commands lead to. The coordinator takes that, and announces it, when the messages of a packet were
    carried out.

    Attributes:
        session: the session and its journal.
        status: returns the status of the daemon.
        defaults: what sessions begin with.
        bends: deviations as pitch bends.
        plugins: the plug-ins.
        simulator: the simulated guitar, if that is the source.
        checks: the checks of recordings.
    """

    session: SessionService
    status: Callable[[], Reply]
    defaults: SessionDefaults
    bends: PitchBends
    plugins: PluginService
    simulator: Simulator | None
    checks: RecordingChecks
    _happened: list[Happening] = field(default_factory=list, init=False)
    _remaining: tuple[State, dict[int, StringRemains]] | None = field(default=None, init=False)

    def take_happenings(self) -> list[Happening]:
        """Return what has happened since the last call, in order."""
        taken, self._happened = self._happened, []
        return taken

    def binding_refused(self, line: str) -> None:
        """Take note of a command that a foreign message is bound to and that was refused."""
        self._happened.append(BindingRefused(line))

    @property
    def tolerance_cents(self) -> float:
        """Tolerance of a session that is begun without one."""
        return self.defaults.tolerance_cents

    def instrument(self, name: str) -> Instrument:
        """Return an instrument by its name. Raises InputError."""
        own = self.defaults.instruments
        if name == ON_THE_BENCH and own:
            return next(iter(own.values()))
        return own.get(name) or load_named(name, self.defaults.folder, self.plugins.kinds)

    def last_sealed(self, instrument: Instrument) -> str:
        """Return how an instrument's last sealed session left it, as JSON; empty if there is none. Raises
        JournalError."""
        found = self.session.last_sealed(instrument)
        return "" if found is None else found.to_json()

    def carry_out(self, command: cm.Command) -> str:
        """Decide and commit a command to the session; return the session's id. Raises Refused."""
        if isinstance(command, cm.Begin):
            command = replace(self.session.with_history(command), by_hand=self.defaults.by_hand)
        events = self.session.carry_out(command)
        self._happened.append(SessionChanged(self.session.session_id, events, self.session.state.instrument))
        return self.session.session_id

    def resume(self, session_id: str) -> None:
        """Continue an open session. Raises Refused or JournalError."""
        self.session.resume(session_id)
        self._happened.append(SessionResumed(session_id, self.session.state.phase))

    def listen(self, command: cm.Listen) -> None:
        """Use what is heard from now on, or ignore it."""
        self._happened.append(TopicsChanged(self.session.listen(command.on)))

    def set_bend_range(self, semitones: int) -> None:
        """Set the range of pitch bends; 0: no bends are sent."""
        self.bends.range_semitones = semitones
        self._happened.append(TopicsChanged(""))

    def check_sets(self) -> list[str]:
        """Return the names of the sets of recordings that can be checked."""
        return self.checks.names()

    def run_check(self, name: str) -> None:
        """Begin to check a set of recordings. Raises OscRefusal: no such set, or another check is running."""
        self.checks.run(name)
        self._happened.append(TopicsChanged(f"checking the set {name!r}"))

    def stop_check(self) -> None:
        """Stop the check of recordings, if one is running."""
        self.checks.stop()

    def remaining(self, string: int) -> StringRemains:
        """Return the errors left on a string. Raises Refused.

        Those of all strings are kept until the state changes: they take half a second, and clients ask for one string
        after the other.
        """
        state = self.session.state
        if string not in state.numbers:
            raise cm.Refused("missing", f"string {string} isn't there")
        if string not in compared_strings(state):
            raise cm.Refused("phase", f"string {string} was not compared yet: pluck it open and fretted")
        if self._remaining is None or self._remaining[0] is not state:
            self._remaining = state, remaining(state)
        return self._remaining[1][string]
