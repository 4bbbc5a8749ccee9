"""What a page shows in a browser: texts that are misplaced, and texts too faint to be read."""

from __future__ import annotations

from pathlib import Path

from chromium import Page
from contrast import LARGE_BOLD_PX, LARGE_PX, LARGE_TEXT, TEXT, ratio

_SCRIPT = Path(__file__).with_name("page_layout.js").read_text(encoding="utf-8")


def misplaced(page: Page) -> list[str]:
    """Texts that stick out of the page or their drawing, are cut off, or lie on each other; empty if none do. What is
    out of sight in a box that scrolls is reached by scrolling."""
    page.run(_SCRIPT)
    return list(dict.fromkeys(page.run("seen.misplaced()")))


def faint(page: Page, width_px: int, *, dark: bool = False, printed: bool = False) -> list[str]:
    """Texts whose contrast with what lies behind them is less than WCAG 2.2 asks for at level AA; empty if none are."""
    page.run(_SCRIPT)
    page.look(width_px, 900, dark=dark, printed=printed)
    page.look(width_px, int(page.run("document.documentElement.scrollHeight")) + 10, dark=dark, printed=printed)
    found = []
    texts = page.run("seen.colours()")
    assert texts, "the page shows no text at all"
    for one in texts:
        if one["behind"] is None:
            found.append(f"out of sight: {one['text']}")
            continue
        large = one["px"] >= LARGE_PX or (one["bold"] and one["px"] >= LARGE_BOLD_PX)
        got = ratio(tuple(one["colour"]), tuple(one["behind"]))
        if one["alpha"] < 1.0 or got < (LARGE_TEXT if large else TEXT):
            found.append(f"{got:.2f}: {one['text']} ({one['colour']} on {one['behind']})")
    return found
