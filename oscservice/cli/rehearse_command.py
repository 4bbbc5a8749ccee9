"""``oscservice rehearse``: the whole job without a guitar, shown while it runs."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.cli.arguments import JsonObject, LengthsOption, TuningOption, chosen_lengths
from oscservice.cli.console import plain_table, say
from oscservice.cli.printed_prompts import PromptPrinter
from oscservice.defaults import DEFAULT_INSTRUMENT
from oscservice.errors import OscserviceError
from oscservice.sentences.length_text import LengthUnit, length_number, told_in
from oscservice.sentences.plural import counted, numbered
from oscservice.session.vocabulary import TOLERANCE_RANGE_CENTS
from oscservice.simulate.mistakes import MISTAKE_TEXTS, Mistake

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from oscservice.daemon.rehearsal import Rehearsed
    from oscservice.simulate.technician import Account, PromptSeen

LOWEST, HIGHEST = TOLERANCE_RANGE_CENTS

_FORGET = "A mistake to make once, to see what the session notices; may be given several times. " + "; ".join(
    f"{mistake}: {text}" for mistake, text in MISTAKE_TEXTS.items()
)


class GoalMissedError(OscserviceError):
    """The rehearsal ran, and a string is further off than the tolerance."""

    exit_code = 1


def rehearse(
    seed: Annotated[int, typer.Option(min=0, help="Chooses guitar and player; the same seed gives the same run.")] = 1,
    real_time: Annotated[bool, typer.Option("--real-time", help="Run at the speed of a real bench.")] = False,
    instrument: Annotated[str, typer.Option(help="Preset or instrument file.")] = DEFAULT_INSTRUMENT,
    tolerance: Annotated[
        float, typer.Option(min=LOWEST, max=HIGHEST, help="Tolerance: the largest error in cents to accept.")
    ] = 1.0,
    tuning: TuningOption = None,
    frets: Annotated[str, typer.Option(help='Frets to compare, "1 3 5x2 12" (x2: counts twice) or thorough.')] = "12",
    forget: Annotated[list[Mistake] | None, typer.Option(metavar="MISTAKE", help=_FORGET)] = None,
    prompts: Annotated[
        bool, typer.Option("--prompts", help="Print each prompt with its tool, caution and reason.")
    ] = False,
    lengths: LengthsOption = None,
    as_json: JsonObject = False,
) -> None:
    """Rehearse, show progress, print the result.

    Raises:
        InputError: an instrument, frets or a tuning that can't be used, or a mistake that can't be made.
        GoalMissedError: a string ends outside the tolerance.
    """
    # These take long to import, and the help needs none of them.
    from rich.console import Console

    from oscservice.daemon import rehearsal

    unit = chosen_lengths(lengths)
    # A mistake is reported before anything is shown.
    profile = rehearsal.checked_instrument(instrument, frets, tuning or "")
    mistakes = forget or []
    rehearsal.check_mistakes(mistakes, profile, instrument)
    run = partial(
        rehearsal.rehearse,
        *(seed, instrument, tolerance),
        frets=frets,
        tuning=tuning or "",
        real_time=real_time,
        forget=mistakes,
    )
    console = Console(stderr=as_json)
    began = time.monotonic()
    if as_json:
        result = _printed(console, run, unit) if prompts else run()
        print(json.dumps({"seed": seed, "instrument": instrument, **asdict(result)}))
    else:
        console.print(f"Rehearsal {seed} on {instrument}: an invented guitar, out of tune, with misplaced saddles.")
        result = _printed(console, run, unit) if prompts else _shown(console, run, unit)
        for line in _mistakes_told(result, mistakes):
            say(console, line)
        console.print(_table(result, tolerance, unit))
        console.print(
            f"{result.bench_s / 60.0:.0f} minutes at the bench, {time.monotonic() - began:.0f} s here. "
            f"Cents: + is sharp; saddle in {unit.plural}: + is away from the nut.\n"
            "Before and after are the true errors of the simulated guitar, not the daemon's readings.",
            highlight=False,
        )
    missed = [s.string for s in result.strings if abs(s.after_cents) > tolerance]
    if missed:
        shared = any(len(a.influence) > 1 for a in profile.bridge.adjusters)
        why = "; saddles that strings share can only be set to the best compromise" if shared else ""
        raise GoalMissedError(
            f"{numbered('string', missed)} ended more than {counted(tolerance, 'cent')} from true{why}"
        )


def _shown(console: Console, run: Callable[..., Rehearsed], lengths: LengthUnit) -> Rehearsed:
    """Rehearse while the daemon's lines are shown, with the present prompt below them; return the result."""
    from rich.live import Live
    from rich.text import Text

    status = Text("")
    with Live(status, console=console, refresh_per_second=8, transient=True) as live:

        def tell(line: str) -> None:
            if not line.startswith(("audio", "inspection")):
                live.console.print(f"  {told_in(line, lengths)}", highlight=False)

        def watch(account: Account, seen: PromptSeen) -> None:
            plucks = sum(account.plucks.values())
            live.update(Text(f"  pluck {plucks}: {told_in(seen.text, lengths)}", style="dim"))

        return run(tell=tell, watch=watch)


def _printed(console: Console, run: Callable[..., Rehearsed], lengths: LengthUnit) -> Rehearsed:
    """Rehearse while each prompt is printed; return the result."""
    printer = PromptPrinter(partial(say, console, soft_wrap=True), console.width, lengths)
    try:
        return run(watch=lambda account, seen: printer.take(seen))
    finally:
        printer.end()


def _mistakes_told(result: Rehearsed, wanted: list[Mistake]) -> list[str]:
    """Return lines that tell what came of the mistakes that were wanted."""
    if not wanted:
        return []
    made = {one.what for one in result.mistakes}
    idle = [f"No occasion: {MISTAKE_TEXTS[mistake]}." for mistake in dict.fromkeys(wanted) if mistake not in made]
    noticed = counted(len(result.notices), "notice")
    return [*idle, f"{counted(len(made), 'mistake')} on purpose, {noticed} of the session."]


def _table(result: Rehearsed, tolerance: float, lengths: LengthUnit) -> Table:
    from rich.text import Text

    numbers = ("before", "after", "moves", "saddle moved", "plucks")
    table = plain_table("string", "note", *numbers, right=("string", *numbers), title="Error at fret 12, in cents")
    for s in result.strings:
        good = abs(s.after_cents) <= tolerance
        table.add_row(
            str(s.string),
            s.note,
            f"{round(s.before_cents, 1) + 0.0:+.1f}",
            Text(f"{round(s.after_cents, 2) + 0.0:+.2f}", style="" if good else "bold"),
            str(len(s.moves_mm)),
            " ".join(length_number(mm, lengths, sign=True) for mm in s.moves_mm) or "none",
            str(s.plucks),
        )
    return table
