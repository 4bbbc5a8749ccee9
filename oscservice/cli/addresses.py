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
        table = Table("address", "tags", "arguments", "meaning", title=heading, title_justify="left", expand=True)
        table.columns[0].no_wrap = True
        table.columns[0].min_width = longest
        for address in addresses:
            texts = (DEFAULT_PREFIX + address.path, address.tags, arguments_text(address.arguments), address.text)
            table.add_row(*map(escape, texts))
        console.print(table)
