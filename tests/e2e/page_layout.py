"""Checks of a page in a browser: misplaced texts, and texts too faint to be read."""

from __future__ import annotations

from pathlib import Path

from chromium import Page
from contrast import LARGE_BOLD_PX, LARGE_PX, LARGE_TEXT, TEXT, ratio

_SCRIPT = Path(__file__).with_name("page_layout.js").read_text(encoding="utf-8")


def misplaced(page: Page) -> list[str]:
    """Return the texts that stick out of the page or their drawing, are cut off, or overlap.

    Hidden texts of a box that scrolls are reached by scrolling.
    """
    page.run(_SCRIPT)
    return list(dict.fromkeys(page.run("seen.misplaced()")))


def faint(page: Page, width_px: int, *, dark: bool = False, printed: bool = False) -> list[str]:
    """Return the texts whose contrast with their background is below level AA of WCAG 2.2."""
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
