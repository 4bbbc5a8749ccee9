"""Hearing: from samples to notes, and from a note to its settled pitch."""
