"""``oscservice remains``: what to tell the player, the error at every fret by a session's record."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from oscservice.advice.remaining_errors import StringRemains
from oscservice.cli.predict_command import Change, changed
from oscservice.errors import InputError, JournalError
from oscservice.instrument.spec import Instrument
from oscservice.record.journal import Journal
from oscservice.record.session_history import state_of
from oscservice.session.state import State
from oscservice.session.summarize import remaining

_COLUMN_WIDTH = 13
_FIRST_WIDTH = 6
_MEASURED = "*"

_ON_REMAINS = (
    f"Cents against the open string in equal temperament, + sharp, ± 1 sd. {_MEASURED}: this fret was plucked. The "
    "others follow from those, from the strings' build, and from what frets and fingers are like. The saddles stand as "
    "the session left them."
)
_ON_CHANGE = "The open strings are tuned anew; frets are counted from the capo, if there is one."


def remains_command(session: str, journal: Path | None, change: Change, *, as_json: bool) -> None:
    """Print the table, or one JSON object.

    Args:
        session: its name; the newest one if empty.
        journal: the journal file; the user's own if None.
        change: another tuning, a capo; none for the instrument as it is.

    Raises:
        InputError: a session that compared nothing, or a change that can't be made.
        JournalError: no such session, or the journal can't be read.
    """
    with Journal.open(journal, readonly=True) as opened:
        name, state = _state(opened, session)
    if state.instrument is None:
        raise InputError(f"session {name} has no instrument: nothing was begun in it")
    try:
        after = changed(state.instrument, change) if str(change) else None
        found = remaining(state, None, after)
    except ValueError as error:
        raise InputError(f"session {name}: {error}") from None
    if as_json:
        print(json.dumps(_object(name, state, change, found)))
        return
    width = _FIRST_WIDTH + _COLUMN_WIDTH * len(found)
    console = Console(width=None if sys.stdout.isatty() else max(100, width))
    what = f" {change}," if str(change) else ""
    console.print(f"{state.instrument.title}:{what} session {name}, {state.label}", highlight=False, markup=False)
    console.print(_table(after or state.instrument, found))
    console.print(_ON_REMAINS + (f" {_ON_CHANGE}" if str(change) else ""), highlight=False)
    left_out = sorted(set(state.numbers) - set(found))
    if left_out:
        console.print(f"Not compared: string {', '.join(map(str, left_out))}.", highlight=False)


def _state(journal: Journal, session: str) -> tuple[str, State]:
    """Name and state of a session. Raises JournalError."""
    rows = journal.sessions()
    if not rows:
        raise JournalError(f"there is no session in the journal {journal.path}")
    name = session or rows[0].id
    return name, state_of(journal, name)


def _object(name: str, state: State, change: Change, found: Mapping[int, StringRemains]) -> dict[str, Any]:
    assert state.instrument is not None
    asked = {key: value for key, value in asdict(change).items() if value is not None}
    return {
        "session": name,
        "instrument": state.instrument.name,
        "label": state.label,
        "change": asked,
        "strings": [asdict(one) for one in found.values()],
    }


def _table(instrument: Instrument, found: Mapping[int, StringRemains]) -> Table:
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    table.add_column("fret", justify="right")
    for number in sorted(found, reverse=True):
        table.add_column(f"{number} {instrument.string(number).note}", justify="left", no_wrap=True)
    for fret in range(1, instrument.frets + 1):
        table.add_row(str(fret), *(_cell(found[number], fret) for number in sorted(found, reverse=True)))
    return table


def _cell(one: StringRemains, fret: int) -> str:
    at = one.frets.index(fret)
    error, se = round(one.errors_cents[at], 1) + 0.0, max(one.se_cents[at], 0.1)
    return f"{error:+.1f} ± {se:.1f}" + (_MEASURED if fret in one.measured else "")
