"""``oscservice addresses``: every OSC address, as a table or as the Markdown reference page."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from oscservice.osc.addresses import DEFAULT_PREFIX, TABLE
from oscservice.osc.reference import arguments_text, grouped, reference


def addresses_command(markdown: bool = False) -> None:
    """Print every OSC address the daemon takes and sends: its type tags, arguments and meaning.

    Args:
        markdown: print the reference page in Markdown instead of tables.
    """
    if markdown:
        print(reference(), end="")
        return
    console = Console()
    longest = max(len(DEFAULT_PREFIX + address.path) for address in TABLE)
    for heading, addresses in grouped().items():
        table = Table("address", "tags", "meaning and arguments", title=heading, title_justify="left", expand=True)
        table.columns[0].no_wrap = True
        table.columns[0].min_width = longest
        table.columns[2].ratio = 1
        for address in addresses:
            meaning = escape(address.text)
            if address.arguments:
                meaning += f"\n[dim]{escape(arguments_text(address.arguments))}[/dim]"
            table.add_row(escape(DEFAULT_PREFIX + address.path), address.tags, meaning)
        console.print(table)
