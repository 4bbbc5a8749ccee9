"""``oscservice compare``: what changed on an instrument between two sessions."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from oscservice.cli.arguments import (
    CountedInstrument,
    JournalOption,
    JsonObject,
    LengthsOption,
    SessionArgument,
    begun_session,
    chosen_lengths,
    named_session,
)
from oscservice.cli.console import plain_table, say
from oscservice.sentences.length_text import LengthUnit, length_number, told_in

if TYPE_CHECKING:
    from rich.table import Table

    from oscservice.session.setup_changes import Cell, Changes, Side
    from oscservice.session.setup_summary import SetupSummary

_MILLIONTHS = 1e6


def compare(
    first: SessionArgument,
    second: Annotated[str, typer.Argument(help="Another session.")],
    instrument: CountedInstrument = None,
    journal: JournalOption = None,
    lengths: LengthsOption = None,
    as_json: JsonObject = False,
) -> None:
    """Print what changed from one session to another as a table, or one JSON object.

    Args:
        first, second: names of sessions; or ``last``, ``last-1`` and so on, of the instrument if one is given.
        instrument: its identity, name or file, for ``last``.
        journal: the journal file; the user's own if None.
        lengths: unit of the table's lengths.

    Raises:
        InputError: nothing was begun in a session, or there are fewer sessions than ``last-N`` asks for.
        JournalError: no session of that name, or the journal can't be read.
    """
    # These take long to import, and the help needs none of them.
    from rich.console import Console

    from oscservice.record.journal import Journal
    from oscservice.session.session_results import summary_of
    from oscservice.session.setup_changes import changes

    unit = chosen_lengths(lengths)
    with Journal.open(journal, readonly=True) as opened:
        names = [named_session(opened, name, instrument) for name in (first, second)]
        before, after = (summary_of(begun_session(opened, name)[0], name) for name in names)
    found = changes(before, after)
    if as_json:
        print(json.dumps(_object(before, after, found)))
        return
    console = Console()
    for name, one in (("first", before), ("second", after)):
        line = f"{name}: session {one.session} of {one.identity}, {one.label} ({one.outcome or 'open'})"
        say(console, line)
    for remark in found.remarks:
        say(console, told_in(remark, unit))
    why = list(dict.fromkeys(cell.why for cell in found.cells if cell.why))
    console.print(_table(before, found, why, unit))
    for number, reason in enumerate(why, start=1):
        say(console, f"({number}) not comparable: {told_in(reason, unit)}")
    say(
        console,
        f"Change: second less first, ± 1 sd; cents + sharp, {unit.plural} + away from the nut, inharmonicity B in "
        f"millionths. * more than 2 sd: of the {found.heard} changes heard {found.by_chance:.1f} would be so by chance "
        "alone. ** by chance in less than 1 of 20 such tables. Saddles: by the file and the reported moves, not heard.",
    )


def _table(first: SetupSummary, found: Changes, why: list[str], lengths: LengthUnit) -> Table:
    columns = ("string", "", "first", "second", "change")
    table = plain_table(*columns, fixed=columns)
    for number in sorted({cell.string for cell in found.cells}, reverse=True):
        cells = [cell for cell in found.cells if cell.string == number]
        name = f"{number} {first.strings[number - 1].note}"
        for row, cell in enumerate(cells):
            shown = f"{_shown(cell.what, cell.change, lengths, signed=True)} {found.mark(cell)}"
            change = shown if not cell.why else f"not comparable ({why.index(cell.why) + 1})"
            values = (_shown(cell.what, cell.before, lengths), _shown(cell.what, cell.after, lengths))
            table.add_row(
                name if row == 0 else "", _name(cell, lengths), *values, change, end_section=cell is cells[-1]
            )
    return table


def _name(cell: Cell, lengths: LengthUnit) -> str:
    from oscservice.session.setup_changes import FRET, SADDLE, UNITS

    unit = lengths if cell.what == SADDLE else UNITS[cell.what]
    name = f"fret {cell.fret}" if cell.what == FRET else cell.what
    return f"{name}, {unit}" if unit else name


def _shown(what: str, side: Side | None, lengths: LengthUnit, *, signed: bool = False) -> str:
    from oscservice.advice.correction import SHOWN_MM
    from oscservice.session.setup_changes import SADDLE, STIFFNESS

    if side is None:
        return "–"
    if what == STIFFNESS:
        return f"{_MILLIONTHS * side.value:{'+' if signed else ''}.0f} ± {_MILLIONTHS * side.se:.0f}"
    if what == SADDLE:
        return f"{length_number(side.value, lengths, sign=True)} ± {length_number(max(side.se, SHOWN_MM), lengths)}"
    return f"{round(side.value, 1) + 0.0:+.1f} ± {max(side.se, 0.1):.1f}"


def _object(first: SetupSummary, second: SetupSummary, found: Changes) -> dict[str, Any]:
    return {
        "first": asdict(first),
        "second": asdict(second),
        "remarks": list(found.remarks),
        "heard": found.heard,
        "by_chance": found.by_chance,
        "cells": [
            {
                "string": cell.string,
                "what": cell.what,
                "fret": cell.fret,
                "before": None if cell.before is None else asdict(cell.before),
                "after": None if cell.after is None else asdict(cell.after),
                "change": None if cell.change is None else asdict(cell.change),
                "z": cell.z,
                "mark": found.mark(cell),
                "why": cell.why,
            }
            for cell in found.cells
        ],
    }
