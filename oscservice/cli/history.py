"""``oscservice history``: an instrument's sessions and how each left it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any, Literal

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from oscservice.cli.named import named_instrument
from oscservice.errors import InputError
from oscservice.record.history import sessions_of
from oscservice.record.journal import Journal, SessionRow
from oscservice.session.standing import Standing
from oscservice.session.state import State
from oscservice.session.summing import standing_of

_LAST = re.compile(r"last(?:-(\d{1,4}))?")

Entry = tuple[SessionRow, Standing, str]
"""A session's line in the journal, how it left the instrument, and its outcome or the phase it is in."""


def history_command(instrument: str, journal: Path | None, *, as_json: bool) -> None:
    """Print a table of an instrument's sessions, the newest first, or one JSON array.

    Args:
        instrument: its identity, its name, or its file.
        journal: the journal file; the user's own if None.

    Raises:
        InputError: no session of that instrument, or a file with a mistake.
        JournalError: the journal can't be read.
    """
    with Journal.open(journal, readonly=True) as opened:
        found = entries(opened, instrument)
    if not found:
        raise InputError(f"no session of {instrument!r} in the journal {opened.path}; `oscservice sessions` lists all")
    if as_json:
        print(json.dumps([_object(*one) for one in found]))
        return
    newest = found[0][1]
    console = Console()
    console.print(f"{newest.identity}: {len(found)} sessions, the newest first", highlight=False, markup=False)
    console.print(_table(found))
    console.print("Worst: the largest error heard in cents, + sharp, ± 1 sd (string, fret).", highlight=False)


def entries(journal: Journal, instrument: str) -> list[Entry]:
    """The sessions of an instrument by identity, name or file, the newest first. Raises InputError or JournalError."""
    found = list(sessions_of(journal, instrument))
    if not found and Path(instrument).suffix == ".toml":
        found = list(sessions_of(journal, named_instrument(instrument).identity))
    return [(row, standing_of(state, row.id), _outcome(row, state)) for row, state in found]


def named_session(journal: Journal, name: str, instrument: str | None) -> str:
    """The session that a name stands for: its own, or ``last``, ``last-1`` and so on, of an instrument if one is given.

    Raises:
        InputError: there are not so many.
        JournalError: the journal can't be read.
    """
    counted = _LAST.fullmatch(name)
    if counted is None:
        return name
    if instrument is None:
        known = [row.id for row in journal.sessions()]
    else:
        known = [row.id for row, _, _ in entries(journal, instrument)]
    back = int(counted.group(1) or 0)
    if back >= len(known):
        of = "" if instrument is None else f" of {instrument!r}"
        raise InputError(f"{name}: the journal {journal.path} has {len(known)} sessions{of}")
    return known[back]


def _outcome(row: SessionRow, state: State) -> str:
    return state.outcome if row.closed and state.outcome else f"open, {state.phase}"


def _worst(standing: Standing) -> str:
    worst = standing.worst
    if worst is None:
        return "–"
    string, error = worst
    return f"{error.error_cents:+.1f} ± {max(error.se_cents, 0.1):.1f} ({string}, {error.fret})"


def _table(found: list[Entry]) -> Table:
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for column in ("session", "begun (UTC)", "label", "outcome", "tol.", "worst"):
        justify: Literal["left", "right"] = "right" if column == "tol." else "left"
        table.add_column(column, justify=justify, no_wrap=column in ("session", "worst"))
    for row, standing, outcome in found:
        began = row.started_utc[:16].replace("T", " ")
        tolerance = f"{standing.tolerance_cents:g}"
        table.add_row(row.id, began, standing.label, outcome, tolerance, _worst(standing))
    return table


def _object(row: SessionRow, standing: Standing, outcome: str) -> dict[str, Any]:
    worst = standing.worst
    return {
        "session": row.id,
        "identity": standing.identity,
        "instrument": standing.instrument,
        "label": standing.label,
        "started_utc": row.started_utc,
        "closed_utc": row.closed_utc,
        "kind": "quick check" if standing.quick else "set-up",
        "outcome": outcome,
        "tolerance_cents": standing.tolerance_cents,
        "worst": None
        if worst is None
        else {
            "string": worst[0],
            "fret": worst[1].fret,
            "error_cents": worst[1].error_cents,
            "se_cents": worst[1].se_cents,
        },
    }
