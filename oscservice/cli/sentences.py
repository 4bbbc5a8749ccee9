"""``oscservice sentences``: the English table of what prompts say, or what is wrong with a translation of it."""

from __future__ import annotations

import sys
from pathlib import Path

from oscservice.sentences.table import ENGLISH, english_toml
from oscservice.sentences.translation import load_translation


def sentences_command(translation: Path | None) -> None:
    """Print the English table, or check a translation and print what it leaves in English. Raises InputError."""
    if translation is None:
        sys.stdout.write(english_toml())
        return
    found = load_translation(translation)
    done = len(ENGLISH.texts) - len(found.missing)
    print(f"{translation}: {done} of {len(ENGLISH.texts)} texts in {found.sentences.language}")
    for key in found.missing:
        print(f"still English: {' '.join(key)}")
