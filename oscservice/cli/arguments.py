"""Arguments of several commands: their common options, an instrument by name, a session by name.

What takes long to import is imported where it is used, so that the help of a command is there at once.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.errors import InputError
from oscservice.sentences.length_text import LengthUnit
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from oscservice.instrument.spec import Instrument
    from oscservice.plugins.registry import Offer
    from oscservice.record.event_chain import SessionRow
    from oscservice.record.journal import Journal
    from oscservice.session.state import State

JournalOption = Annotated[Path | None, typer.Option(help="Journal file; by default the user's own.")]
JsonObject = Annotated[bool, typer.Option("--json", help="Print the result as one JSON object.")]
SessionArgument = Annotated[str, typer.Argument(help="A session's name, as in `history`; or last, last-1 and so on.")]
CountedInstrument = Annotated[str | None, typer.Option(help="The instrument whose sessions `last` counts.")]
NewSemitones = Annotated[
    int | None, typer.Option(min=-24, max=24, help="Retune all strings by this many semitones; - is down.")
]
NewNotes = Annotated[str | None, typer.Option(help='Open notes, string 1 first: "D4 A3 F3 C3 G2 C2".')]
NewReference = Annotated[float | None, typer.Option(help="A4 in Hz.")]
LengthsOption = Annotated[
    LengthUnit | None,
    typer.Option("--lengths", help="Unit of lengths: mm or in (inches); by default that of the settings, or mm."),
]
TuningOption = Annotated[
    str | None, typer.Option(help='A tuning that the instrument file names, or two: "standard + drop D".')
]
Capo = Annotated[int | None, typer.Option(help="Fret of a capo.")]

_LAST = re.compile(r"last(?:-(\d{1,4}))?")


def chosen_lengths(given: LengthUnit | None) -> LengthUnit:
    """Return the unit of lengths: the one given, else that of the settings. Raises InputError as ``told_lengths``."""
    from oscservice.settings import told_lengths

    return told_lengths() if given is None else given


def length_mm(text: str | None, option: str) -> float | None:
    """Return the length that an option gives, in mm; a number without a unit is in mm. None stays None.

    Raises:
        InputError: it is no length.
    """
    from oscservice.instrument.length import parse_length_mm

    try:
        return None if text is None else parse_length_mm(text, LengthUnit.MM)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None


def named_instrument(name_or_path: str, tuning: str | None = None) -> Instrument:
    """Return the instrument of a preset or a file, in a tuning of its file; a plug-in that fails is named on standard
    error.

    Raises:
        InputError: no such preset or tuning, or a file that can't be read or has a mistake.
    """
    from oscservice.instrument.instrument_file import load_instrument
    from oscservice.instrument.tunings import in_tuning
    from oscservice.plugins.registry import InstalledKinds, Registry

    def failed(offer: Offer, reason: str) -> None:
        print(f"oscservice: {offer} is disabled: {reason}", file=sys.stderr)

    instrument = load_instrument(name_or_path, InstalledKinds(Registry(failed=failed)))
    try:
        return instrument if tuning is None else in_tuning(instrument, tuning)
    except ValueError as error:
        raise InputError(f"{name_or_path}: {error}") from None


def instrument_sessions(journal: Journal, instrument: str) -> list[tuple[SessionRow, State]]:
    """Return the sessions of an instrument by identity, name or file, the newest first.

    Raises:
        InputError: the file can't be read or has a mistake.
        JournalError: the journal can't be read.
    """
    from oscservice.record.session_history import sessions_of

    found = list(sessions_of(journal, instrument))
    if not found and Path(instrument).suffix == ".toml":
        found = list(sessions_of(journal, named_instrument(instrument).identity))
    return found


def named_session(journal: Journal, name: str, instrument: str | None) -> str:
    """Return the name of a session, given as itself, or as ``last``, ``last-1`` and so on, of an instrument if given.

    Raises:
        InputError: there are fewer sessions.
        JournalError: the journal can't be read.
    """
    last = _LAST.fullmatch(name)
    if last is None:
        return name
    if instrument is None:
        known = [row.id for row in journal.sessions()]
    else:
        known = [row.id for row, _ in instrument_sessions(journal, instrument)]
    back = int(last.group(1) or 0)
    if back >= len(known):
        of = "" if instrument is None else f" of {instrument!r}"
        raise InputError(f"{name}: the journal {journal.path} has {counted(len(known), 'session')}{of}")
    return known[back]


def begun_session(journal: Journal, session: str) -> tuple[State, Instrument]:
    """Return the state of a session and its instrument.

    Raises:
        InputError: nothing was begun in the session.
        JournalError: no such session, or the journal can't be read.
    """
    from oscservice.record.session_history import state_of

    state = state_of(journal, session)
    if state.instrument is None:
        raise InputError(f"session {session} has no instrument: nothing was begun in it")
    return state, state.instrument
