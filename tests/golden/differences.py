"""What may differ from the golden files on purpose. Every line here is a change that somebody decided on.

Paths are field names with dots, without numbers: ``strings.survey.neck.errors_cents``.
"""

from __future__ import annotations

NEW_STATE_FIELDS: frozenset[str] = frozenset()
"""Paths of fields of the state that the golden files do not know: they are left out of the comparison."""

GONE_STATE_FIELDS: frozenset[str] = frozenset()
"""Paths in the golden files that the state has no more."""

RENAMED_STATE_FIELDS: dict[str, str] = {}
"""New path -> the field's name in the golden files."""

NEW_EVENT_FIELDS: dict[str, frozenset[str]] = {}
"""Event -> its fields that the golden journals lack; with their defaults, old journals replay as they did."""

TEXTS: dict[str, str] = {}
"""Text, or a part of one, in the golden files -> what stands there now. In datagrams, and in events made now."""


def reworded(text: str) -> str:
    """A golden text as it should be now."""
    for old, new in TEXTS.items():
        text = text.replace(old, new)
    return text
