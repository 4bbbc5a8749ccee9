"""``oscservice history``: an instrument's sessions and how each left it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from oscservice.cli.arguments import JournalOption, instrument_sessions
from oscservice.cli.console import plain_table, say
from oscservice.errors import InputError
from oscservice.record.event_chain import SessionRow, minute_text
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from rich.table import Table

    from oscservice.record.journal import Journal
    from oscservice.report.history_plot import Visit
    from oscservice.session.setup_changes import Side
    from oscservice.session.setup_summary import SetupSummary
    from oscservice.session.state import State

    Entry = tuple[SessionRow, SetupSummary, str]
    """A session's line in the journal, how it left the instrument, and its outcome or the phase it is in."""


def history(
    instrument: Annotated[str, typer.Argument(help="Identity, name or file of an instrument.")],
    journal: JournalOption = None,
    plot: Annotated[
        Path | None, typer.Option(help="Draw the sessions over time into this file: .svg, .png or .pdf.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print a JSON array, one object a session.")] = False,
) -> None:
    """Print a table of an instrument's sessions, the newest first, or one JSON array; or draw them.

    Args:
        instrument: its identity, its name, or its file.
        journal: the journal file; the user's own if None.
        plot: the file to draw into.

    Raises:
        InputError: no session of that instrument, a file with a mistake, or one that can't be drawn into.
        JournalError: the journal can't be read.
    """
    # These take long to import, and the help needs none of them.
    from rich.console import Console

    from oscservice.record.journal import Journal

    with Journal.open(journal, readonly=True) as opened:
        found = [_entry(row, state) for row, state in instrument_sessions(opened, instrument)]
        visits = _visits(opened, found) if plot is not None or as_json else []
    if not found:
        raise InputError(f"no session of {instrument!r} in the journal {opened.path}; `oscservice sessions` lists all")
    if plot is not None:
        from oscservice.report.history_plot import write  # a library to draw with takes its time to load

        write(visits, found[0][1].identity, plot)
        if not as_json:
            print(f"{found[0][1].identity}: {counted(len(found), 'session')} drawn in {plot}")
    if as_json:
        by_session = {one.session: one for one in visits}
        print(json.dumps([_object(*one) | _strings(by_session[one[0].id]) for one in found]))
    if as_json or plot is not None:
        return
    newest = found[0][1]
    console = Console()
    say(console, f"{newest.identity}: {counted(len(found), 'session')}, the newest first")
    console.print(_table(found))
    console.print("Worst: the largest error heard in cents, + sharp, ± 1 sd (string, fret).", highlight=False)


def _visits(journal: Journal, found: list[Entry]) -> list[Visit]:
    """Return the sessions string by string, the oldest first, all with the errors of one fret."""
    from oscservice.record.session_history import events_of
    from oscservice.report.history_plot import visit
    from oscservice.session.replay import fold

    fret = next((known for _, summary, _ in found if (known := summary.check_fret) is not None), None)
    visits = []
    for row, _, _ in reversed(found):
        events = events_of(journal, row.id)
        visits.append(visit(row, fold(event for _, event in events), events, fret))
    return visits


def _strings(one: Visit) -> dict[str, Any]:
    """Return one session, string by string, as a JSON object."""

    def side_json(side: Side | None) -> dict[str, float] | None:
        return None if side is None else {"cents": side.value, "se_cents": side.se}

    return {
        "strings_fitted": one.strings_fitted,
        "fret": one.fret,
        "strings": [
            {
                "string": string.string,
                "note": string.summary.note,
                "open_found": side_json(string.open_found),
                "open_left": side_json(string.open_left),
                "error_found": side_json(string.error_found),
                "error_left": side_json(string.error_left),
                "inharmonicity": None if string.inharmonicity is None else string.inharmonicity.value,
                "inharmonicity_se": None if string.inharmonicity is None else string.inharmonicity.se,
            }
            for string in one.strings
        ],
    }


def _entry(row: SessionRow, state: State) -> Entry:
    from oscservice.session.session_results import summary_of

    return row, summary_of(state, row.id), _outcome(row, state)


def _outcome(row: SessionRow, state: State) -> str:
    return state.outcome if row.closed and state.outcome else f"open, {state.phase}"


def _worst(summary: SetupSummary) -> str:
    worst = summary.worst
    if worst is None:
        return "–"
    string, error = worst
    return f"{error.error_cents:+.1f} ± {max(error.se_cents, 0.1):.1f} ({string}, {error.fret})"


def _table(found: list[Entry]) -> Table:
    columns = ("session", "begun (UTC)", "label", "outcome", "tol.", "worst")
    table = plain_table(*columns, right=("tol.",), fixed=("session", "worst"))
    for row, summary, outcome in found:
        began = minute_text(row.started_utc)
        tolerance = f"{summary.tolerance_cents:g}"
        table.add_row(row.id, began, summary.label, outcome, tolerance, _worst(summary))
    return table


def _object(row: SessionRow, summary: SetupSummary, outcome: str) -> dict[str, Any]:
    worst = summary.worst
    return {
        "session": row.id,
        "identity": summary.identity,
        "instrument": summary.instrument,
        "label": summary.label,
        "started_utc": row.started_utc,
        "closed_utc": row.closed_utc,
        "kind": "quick check" if summary.quick else "set-up",
        "outcome": outcome,
        "tolerance_cents": summary.tolerance_cents,
        "worst": None
        if worst is None
        else {
            "string": worst[0],
            "fret": worst[1].fret,
            "error_cents": worst[1].error_cents,
            "se_cents": worst[1].se_cents,
        },
    }
