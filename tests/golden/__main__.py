"""Make the golden files: ``PYTHONPATH=.:tests python -m golden`` from the project's folder.

They stand for what the program does: make them again only where a difference is meant, and look at what changed.
"""

from __future__ import annotations

import json

from golden.datagrams import DRIVEN, driven
from golden.hearing import NOTES, found_in, note
from golden.sessions import SESSIONS
from golden.stored import FOLDER, event_of, history_of, line_of, write


def main() -> None:
    """Write every file."""
    for name, made in SESSIONS.items():
        lines = [line_of(event) for step in made().steps for event in step]
        write(FOLDER / "journals" / f"{name}.jsonl.gz", lines)
        write(FOLDER / "states" / f"{name}.json.gz", map(json.dumps, history_of(map(event_of, lines))))
    for name in DRIVEN:
        write(FOLDER / "datagrams" / f"{name}.jsonl.gz", driven(name)[0])
    write(FOLDER / "readings.jsonl.gz", (json.dumps(found_in(*note(name))) for name in NOTES))


if __name__ == "__main__":
    main()
