"""``oscservice remains``: the errors that remain at every fret after a session."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from oscservice.cli.arguments import (
    Capo,
    JournalOption,
    JsonObject,
    NewNotes,
    NewReference,
    NewSemitones,
    TuningOption,
    begun_session,
    named_session,
)
from oscservice.cli.console import plain_table, say, wide_console
from oscservice.errors import InputError, JournalError
from oscservice.sentences.plural import numbered

if TYPE_CHECKING:
    from rich.table import Table

    from oscservice.advice.remaining_errors import StringRemains
    from oscservice.cli.modification import Modification
    from oscservice.instrument.spec import Instrument

_COLUMN_WIDTH = 13
_FIRST_WIDTH = 6
_MEASURED = "*"

_ON_REMAINS = (
    f"Cents against the open string in {{scale}}, + sharp, ± 1 sd. {_MEASURED}: this fret was plucked. The "
    "others follow from those, from the strings' build, and from typical frets and fingers. The saddles are as "
    "the session left them."
)
_ON_CHANGE = "The open strings are tuned again; frets are counted from the capo, if there is one."


def remains(
    session: Annotated[str, typer.Argument(help="Name of a session; by default the newest.")] = "",
    journal: JournalOption = None,
    semitones: NewSemitones = None,
    notes: NewNotes = None,
    tuning: TuningOption = None,
    reference: NewReference = None,
    capo: Capo = None,
    as_json: JsonObject = False,
) -> None:
    """Print the table, or one JSON object.

    Args:
        session: its name; the newest one if empty.
        journal: the journal file; the user's own if None.
        semitones, notes, tuning, reference, capo: another tuning, a capo; None for the instrument as it is.

    Raises:
        InputError: a session that compared nothing, or a change that can't be made.
        JournalError: no such session, or the journal can't be read.
    """
    # These take long to import, and the help needs none of them.
    from oscservice.cli.modification import Modification, modified
    from oscservice.record.journal import Journal
    from oscservice.session.session_results import remaining

    change = Modification(semitones=semitones, notes=notes, tuning=tuning, reference_hz=reference, capo=capo)
    with Journal.open(journal, readonly=True) as opened:
        if not opened.sessions():
            raise JournalError(f"there is no session in the journal {opened.path}")
        name = session or named_session(opened, "last", None)
        state, instrument = begun_session(opened, name)
    try:
        after = modified(instrument, change) if str(change) else None
        found = remaining(state, None, after)
    except ValueError as error:
        raise InputError(f"session {name}: {error}") from None
    if as_json:
        print(json.dumps(_object(name, instrument, state.label, change, found)))
        return
    width = _FIRST_WIDTH + _COLUMN_WIDTH * len(found)
    console = wide_console(max(100, width))
    what = f" {change}," if str(change) else ""
    say(console, f"{instrument.title}:{what} session {name}, {state.label}")
    console.print(_table(after or instrument, found))
    aimed = any(one.fret_targets_cents for one in (after or instrument).strings)
    scale = "equal temperament" + (", from the target of each fret that has one" if aimed else "")
    console.print(_ON_REMAINS.format(scale=scale) + (f" {_ON_CHANGE}" if str(change) else ""), highlight=False)
    left_out = sorted(set(state.numbers) - set(found))
    if left_out:
        console.print(f"Not compared: {numbered('string', left_out)}.", highlight=False)


def _object(
    name: str, instrument: Instrument, label: str, change: Modification, found: Mapping[int, StringRemains]
) -> dict[str, Any]:
    changes = {key: value for key, value in asdict(change).items() if value is not None}
    return {
        "session": name,
        "instrument": instrument.name,
        "label": label,
        "change": changes,
        "strings": [asdict(one) for one in found.values()],
    }


def _table(instrument: Instrument, found: Mapping[int, StringRemains]) -> Table:
    table = plain_table("fret", right=("fret",))
    for number in sorted(found, reverse=True):
        table.add_column(f"{number} {instrument.string(number).note}", justify="left", no_wrap=True)
    for fret in range(1, instrument.frets + 1):
        table.add_row(str(fret), *(_cell(found[number], fret) for number in sorted(found, reverse=True)))
    return table


def _cell(one: StringRemains, fret: int) -> str:
    at = one.frets.index(fret)
    error, se = round(one.errors_cents[at], 1) + 0.0, max(one.se_cents[at], 0.1)
    return f"{error:+.1f} ± {se:.1f}" + (_MEASURED if fret in one.measured else "")
