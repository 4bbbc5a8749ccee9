"""The printed rehearsals in docs/procedure.md: each prompt, and the steps of the work in them.

    python tests/e2e/procedure_examples.py

runs the commands again and puts what they print into the page: after a change of prompts, or of what follows what.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "procedure.md"

_EXAMPLE = re.compile(r"(?ms)^```text\n\$ oscservice ([^\n]*)\n(.*?)^```")
_BEGINS = re.compile(r" {0,3}\d+  (?=\S)")
_BY_EAR = ("Pluck", "Tune", "The last pluck", "Plucks of")
_AMOUNT = re.compile(r"\d+(?:\.\d+)? (?:mm|cents)|by [\d/ ]+ turns?|less than 1/8 turn")


def example_of(command: str) -> str:
    """Return what a command prints, as it stands in the page."""
    return examples()[command]


def examples() -> dict[str, str]:
    """Return each command in the page and what it prints."""
    return dict(_EXAMPLE.findall(PAGE.read_text(encoding="utf-8")))


def prompts_of(printed: str) -> list[str]:
    """Return the prompts of a printed rehearsal, each in one line."""
    prompts: list[list[str]] = []
    inside = False
    for line in printed.splitlines():
        if _BEGINS.match(line):
            prompts.append([_BEGINS.sub("", line)])
            inside = True
        elif inside and line.startswith(" " * 6) and not line.startswith(" " * 8):
            prompts[-1].append(line.strip())
        else:
            inside = False
    return [" ".join(lines) for lines in prompts]


def steps_of(printed: str) -> list[str]:
    """Return the prompts that are no plucks and no tuning, without amounts: these differ from machine to machine."""
    return [_AMOUNT.sub("…", prompt) for prompt in prompts_of(printed) if not prompt.startswith(_BY_EAR)]


def printed(example: re.Match[str]) -> str:
    """Return an example with what its command prints now, but for the seconds it took."""
    words = [sys.executable, "-m", "oscservice", *example[1].split()]
    done = subprocess.run(
        words, env=os.environ | {"COLUMNS": "80"}, capture_output=True, text=True, encoding="utf-8", check=True
    )
    lines = [line.rstrip() for line in done.stdout.splitlines()]
    told = "\n".join(re.sub(r", \d+ s here\b", "", line) for line in lines)
    return f"```text\n$ oscservice {example[1]}\n{told}\n```"


if __name__ == "__main__":
    PAGE.write_text(_EXAMPLE.sub(printed, PAGE.read_text(encoding="utf-8")), encoding="utf-8")
