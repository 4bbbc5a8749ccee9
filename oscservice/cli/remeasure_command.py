"""``oscservice remeasure``: a session's kept sound measured again, and the changes."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from oscservice.cli.arguments import CountedInstrument, JournalOption, JsonObject, SessionArgument, named_session
from oscservice.cli.console import plain_table, progress_bar, say
from oscservice.errors import InputError
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from rich.table import Table

    from oscservice.record.remeasurement import ErrorAgain, NumberedEvents, ReadingAgain, Remeasured


def remeasure(
    session: SessionArgument,
    instrument: CountedInstrument = None,
    journal: JournalOption = None,
    as_json: JsonObject = False,
) -> None:
    """Print each kept reading measured again beside its value in the journal, and the errors that follow.

    Args:
        session: its name; or ``last``, ``last-1`` and so on, of the instrument if one is given.
        instrument: its identity, name or file, for ``last``.
        journal: the journal file; the user's own if None.

    Raises:
        typer.Exit: with 1, if something changes by more than its evidence, or a file is not the one that was kept.
        InputError: no such session of that instrument, or none of its sound is there.
        JournalError: no session of that name, or the journal can't be read.
    """
    # These take long to import, and the help needs none of them.
    from oscservice.record.journal import Journal
    from oscservice.record.kept_sound import folder_of
    from oscservice.record.session_history import events_of
    from oscservice.session import events as ev

    with Journal.open(journal, readonly=True) as opened:
        name = named_session(opened, session, instrument)
        events = events_of(opened, name)
        folder = folder_of(opened.path)
    kept = sum(isinstance(event, ev.ReadingTaken) and event.sound != "" for _, event in events)
    if not kept:
        raise InputError(f"no sound of session {name} was kept: `oscservice serve --keep-audio` keeps it from now on")
    found = _measured(folder, name, events, kept)
    if found.faults("missing") == kept:
        raise InputError(f"the sound of session {name} is not in {folder}: it was deleted, or left elsewhere")
    if as_json:
        print(json.dumps(_object(name, found)))
    else:
        _print(name, found)
    if found.changes or found.faults("altered"):
        raise typer.Exit(1)


def _measured(folder: Path, name: str, events: NumberedEvents, kept: int) -> Remeasured:
    from oscservice.record import remeasurement

    with progress_bar("measuring") as measuring:
        return remeasurement.remeasure(folder, name, events, lambda count: measuring(count, kept))


def _print(name: str, found: Remeasured) -> None:
    from rich.console import Console

    console = Console()
    measured = [one for one in found.readings if one.now is not None]
    marked = sum(one.marked for one in measured)
    counts = [f"{len(measured)} of {counted(len(found.readings) + found.without, 'reading')} measured again"]
    counts += [f"{found.without} kept no sound"] if found.without else []
    counts += [f"{n} {what}" for fault, what in _FAULTS.items() if (n := found.faults(fault))]
    say(console, f"session {name}: {', '.join(counts)}")
    console.print(_readings(found.readings), markup=False)
    for one in found.readings:
        if one.fault:
            say(console, f"event {one.seq}: {one.fault}: {one.why}", soft_wrap=True)
    if found.errors:
        console.print(_errors(found.errors), markup=False)
    say(
        console,
        f"Cents, + sharp, ± 1 sd. * changes by more than 2 sd of both readings together: {marked} of {len(measured)}; "
        "an error that changes by more than its own sd. Both share the sound, so chance alone marks nothing. "
        "(x) taken back.",
    )


_FAULTS = {"missing": "missing", "altered": "ALTERED", "no note": "without a note"}


def _readings(readings: tuple[ReadingAgain, ...]) -> Table:
    from oscservice.instrument.pitch import Place
    from oscservice.session.vocabulary import place_text

    columns = ("event", "reading", "then", "now", "change")
    table = plain_table(*columns, right=("event", "then", "now", "change"), fixed=columns)
    for one in readings:
        what = place_text(one.then.string, Place.parse(one.then.place)) + (" (x)" if one.taken_back else "")
        then = _cents(one.then.cents, one.then.se_cents)
        if one.now is None:
            table.add_row(str(one.seq), what, then, one.fault, "")
        else:
            change = f"{_cents(one.change_cents, one.se_cents)} {'*' if one.marked else ' '}"
            table.add_row(str(one.seq), what, then, _cents(one.now.cents, one.now.se_cents), change)
    return table


def _errors(errors: tuple[ErrorAgain, ...]) -> Table:
    columns = ("string", "error at", "then", "now", "change")
    table = plain_table(*columns, right=("then", "now", "change"), fixed=columns)
    for one in sorted(errors, key=lambda error: (-error.string, error.then.fret)):
        then, now = _cents(one.then.error_cents, one.then.se_cents), _cents(one.now.error_cents, one.now.se_cents)
        change = f"{_plain(one.change_cents)} {'*' if one.marked else ' '}"
        table.add_row(f"{one.string} {one.note}", f"fret {one.then.fret}", then, now, change)
    return table


def _cents(cents: float, se_cents: float) -> str:
    return f"{_plain(cents)} ± {max(se_cents, 0.01):.2f}"


def _plain(cents: float) -> str:
    return f"{round(cents, 2) + 0.0:+.2f}"


def _object(name: str, found: Remeasured) -> dict[str, Any]:
    return {
        "session": name,
        "changes": found.changes,
        "without_sound": found.without,
        "missing": found.faults("missing"),
        "altered": found.faults("altered"),
        "readings": [_reading(one) for one in found.readings],
        "errors": [
            {
                "string": one.string,
                "note": one.note,
                "fret": one.then.fret,
                "then": asdict(one.then),
                "now": asdict(one.now),
                "change_cents": one.change_cents,
                "marked": one.marked,
            }
            for one in found.errors
        ],
    }


def _reading(one: ReadingAgain) -> dict[str, Any]:
    now = one.now
    return {
        "event": one.seq,
        "string": one.then.string,
        "place": one.then.place,
        "then": {"f1_hz": one.then.f1_hz, "cents": one.then.cents, "se_cents": one.then.se_cents},
        "now": None if now is None else {"f1_hz": now.f1_hz, "cents": now.cents, "se_cents": now.se_cents},
        "change_cents": None if now is None else one.change_cents,
        "se_cents": None if now is None else one.se_cents,
        "marked": one.marked,
        "taken_back": one.taken_back,
        "fault": one.fault,
        "why": one.why,
    }
