"""Make the golden files: ``PYTHONPATH=.:tests python -m golden [NAME ...]`` from the project's folder.

With names, only the files of these sessions are made: new ones. Make a file again only where every difference is
meant, and look at what changed.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence

from golden.datagrams import DRIVEN, driven
from golden.hearing import NOTES, found_in, note
from golden.sessions import SESSIONS
from golden.stored import FOLDER, event_of, history_of, line_of, write


def main(names: Sequence[str]) -> None:
    """Write the files of these sessions, or every file."""
    for name in names or SESSIONS:
        lines = [line_of(event) for step in SESSIONS[name]().steps for event in step]
        write(FOLDER / "journals" / f"{name}.jsonl.gz", lines)
        write(FOLDER / "states" / f"{name}.json.gz", map(json.dumps, history_of(map(event_of, lines))))
    if names:
        return
    for name in DRIVEN:
        write(FOLDER / "datagrams" / f"{name}.jsonl.gz", driven(name)[0])
    write(FOLDER / "readings.jsonl.gz", (json.dumps(found_in(*note(name))) for name in NOTES))


if __name__ == "__main__":
    main(sys.argv[1:])
