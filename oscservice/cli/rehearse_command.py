"""``oscservice rehearse``: the whole job without a guitar, shown as it goes."""

from __future__ import annotations

import json
import time
from dataclasses import asdict

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from oscservice.daemon.rehearsal import Rehearsed, checked_instrument, rehearse
from oscservice.errors import OscserviceError
from oscservice.simulate.technician import Account


class GoalMissedError(OscserviceError):
    """The rehearsal ran, and a string is further off than the tolerance."""

    exit_code = 1


def rehearse_command(
    seed: int, instrument: str, tolerance: float, frets: str, *, real_time: bool, as_json: bool
) -> None:
    """Rehearse, show progress, print the result. Raises GoalMissedError if a string ends outside the tolerance."""
    profile = checked_instrument(instrument, frets)  # a mistake is told before anything is shown
    console = Console(stderr=as_json)
    began = time.monotonic()
    if as_json:
        result = rehearse(seed, instrument, tolerance, frets=frets, real_time=real_time)
        print(json.dumps({"seed": seed, "instrument": instrument, **asdict(result)}))
    else:
        console.print(f"Rehearsal {seed} on {instrument}: an invented guitar, out of tune, saddles astray.")
        result = _shown(console, seed, instrument, tolerance, frets, real_time)
        console.print(_table(result, tolerance))
        console.print(
            f"{result.bench_s / 60.0:.0f} minutes at the bench, {time.monotonic() - began:.0f} s here. "
            "Cents: + is sharp; saddle in mm: + is away from the nut.\n"
            "Before and after are the simulated guitar's own truth, not what the daemon read.",
            highlight=False,
        )
    missed = [s.string for s in result.strings if abs(s.after_cents) > tolerance]
    if missed:
        names = ", ".join(str(n) for n in missed)
        shared = any(len(a.influence) > 1 for a in profile.bridge.adjusters)
        why = "; saddles that strings share can only be set to the best compromise" if shared else ""
        raise GoalMissedError(f"string {names} ended more than {tolerance:g} cents from true{why}")


def _shown(console: Console, seed: int, instrument: str, tolerance: float, frets: str, real_time: bool) -> Rehearsed:
    """Lines of what the daemon says, over a last line with the prompt of the moment."""
    status = Text("")
    with Live(status, console=console, refresh_per_second=8, transient=True) as live:

        def tell(line: str) -> None:
            if not line.startswith(("audio", "inspection")):
                live.console.print(f"  {line}", highlight=False)

        def watch(account: Account, code: str, sentence: str) -> None:
            plucks = sum(account.plucks.values())
            live.update(Text(f"  pluck {plucks}: {sentence}", style="dim"))

        return rehearse(seed, instrument, tolerance, frets=frets, real_time=real_time, tell=tell, watch=watch)


def _table(result: Rehearsed, tolerance: float) -> Table:
    table = Table(title="Error at fret 12, in cents", title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("string", "note", "before", "after", "moves", "saddle moved", "plucks"):
        table.add_column(heading, justify="left" if heading in ("note",) else "right")
    for s in result.strings:
        good = abs(s.after_cents) <= tolerance
        table.add_row(
            str(s.string),
            s.note,
            f"{s.before_cents:+.1f}",
            Text(f"{s.after_cents:+.2f}", style="" if good else "bold"),
            str(len(s.moves_mm)),
            " ".join(f"{mm:+.1f}" for mm in s.moves_mm) or "none",
            str(s.plucks),
        )
    return table
