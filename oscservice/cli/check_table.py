"""The output of ``oscservice check`` for a person: the table, the remarks, and the counts."""

from __future__ import annotations

from collections.abc import Sequence

from rich.markup import escape
from rich.table import Table

from oscservice.check.check_output import table_cells
from oscservice.check.verdicts import VERDICT_TEXTS, CaseFound, CheckResult, CheckVerdict
from oscservice.cli.console import plain_table, say, wide_console
from oscservice.sentences.plural import counted

_MARKS = {CheckVerdict.HOLDS: "", CheckVerdict.UNSURE: "?", CheckVerdict.OUT: "!", CheckVerdict.DRIFTED: "!"}
_MOST_LINES = 20
_MOST_ROWS = 100


def print_result(result: CheckResult, *, accepted: bool) -> None:
    """Print the table of a check, its remarks, and the counts; with ``accepted`` without verdicts."""
    console = wide_console()
    if result.cases:
        against = "tolerances" if result.limits.drift_cents is None else str(result.baseline)
        heading = "the notes measured" if accepted else f"compared with {against}"
        say(console, f"{result.name or 'Recordings'}: {heading}", soft_wrap=True)
        shown = result.cases
        if len(shown) > _MOST_ROWS:  # of a large archive only what doesn't hold
            shown = tuple(one for one in shown if one.verdict is not CheckVerdict.HOLDS)[:_MOST_ROWS]
        if shown:
            console.print(_accepted(shown) if accepted else _table(shown))
        if len(shown) < len(result.cases):
            say(console, f"{len(result.cases) - len(shown)} more are not shown; --json has them all", soft_wrap=True)
        if not accepted:
            for verdict in sorted({one.verdict for one in result.cases}, key=list(CheckVerdict).index):
                say(console, f"{verdict}: {VERDICT_TEXTS[verdict]}", soft_wrap=True)
    for remark in result.remarks[:_MOST_LINES]:
        say(console, remark, soft_wrap=True)
    if len(result.remarks) > _MOST_LINES:
        say(console, f"... and {len(result.remarks) - _MOST_LINES} more remarks; --json has them all", soft_wrap=True)
    counts = ", ".join(f"{result.counts[v]} {_words(v)}" for v in reversed(CheckVerdict) if result.counts[v])
    known = f" ({result.cached} from the cache)" if result.cached else ""
    refused = f", {len(result.refused)} refused" if result.refused else ""
    judged = "" if accepted else f": {counts or 'none judged'}"
    say(
        console,
        f"{counted(result.files, 'file')}{known}, {counted(result.notes, 'note')}{refused}{judged}",
        soft_wrap=True,
    )


def _words(verdict: CheckVerdict) -> str:
    return {CheckVerdict.HOLDS: "hold", CheckVerdict.UNSURE: "unsure", CheckVerdict.OUT: "out of tolerance"}.get(
        verdict, str(verdict)
    )


def _table(shown: Sequence[CaseFound]) -> Table:
    columns = ("", "place", "notes", "what", "cents", "±", "limit")
    table = plain_table(*columns, "verdict", right=("notes", "cents", "±", "limit"), fixed=columns)
    table.caption, table.caption_justify = "Cents, + sharp, ± 1 sd.", "left"
    for one in shown:
        for row, finding in enumerate(one.findings):
            first = [_MARKS[finding.verdict], escape(str(one.case)), str(one.notes)] if row == 0 else ["", "", ""]
            table.add_row(*first, *map(escape, table_cells(finding)))
        if not one.findings:
            table.add_row("", escape(str(one.case)), str(one.notes), "", "", "", "", "used for other places")
    return table


def _accepted(shown: Sequence[CaseFound]) -> Table:
    table = plain_table("place", "notes", right=("notes",))
    for one in shown:
        table.add_row(escape(str(one.case)), str(one.notes))
    return table
