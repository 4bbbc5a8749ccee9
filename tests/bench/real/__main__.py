"""Benchmark on recorded notes: against Praat, and how far hard and soft plucks of one note agree.

    pip install -e '.[bench]'
    python tests/bench/real [--summary] [--each] [--markdown] [--whole] [--parts packaged,dynamics]

``OSCSERVICE_RECORDINGS`` names the folder of recordings called ``NOTE_DYNAMIC_TAKE.flac`` for the part on dynamics;
without it that part is left out.
"""

from __future__ import annotations

import os

for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

import argparse  # noqa: E402
import sys  # noqa: E402
from pathlib import Path  # noqa: E402

HERE = Path(__file__).resolve().parent
sys.path[1:1] = [str(HERE.parent / "pitch"), str(HERE.parents[1])]

import dynamics  # noqa: E402
import packaged_sets  # noqa: E402
from tables import Printer, machine  # noqa: E402

PARTS = ("packaged", "dynamics")


def main(arguments: list[str] | None = None) -> int:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(prog="python tests/bench/real", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--parts", default=",".join(PARTS), help=f"some of {','.join(PARTS)}")
    parser.add_argument("--summary", action="store_true", help="one line a part")
    parser.add_argument("--each", action="store_true", help="list every recording as well")
    parser.add_argument("--markdown", action="store_true", help="tables as markdown")
    parser.add_argument("--whole", action="store_true", help="read_note on the whole recording, not the listener")
    chosen = parser.parse_args(arguments)
    parts = [part.strip() for part in chosen.parts.split(",")]
    unknown = sorted(set(parts) - set(PARTS))
    if unknown:
        parser.error(f"unknown parts: {', '.join(unknown)}; there are {', '.join(PARTS)}")
    printer = Printer(markdown=chosen.markdown)
    if not chosen.summary:
        printer.remark(machine() + ".")
    if "packaged" in parts:
        packaged_sets.report(printer, summary=chosen.summary)
    if "dynamics" in parts:
        folder = os.environ.get("OSCSERVICE_RECORDINGS", "")
        if folder and Path(folder).is_dir():
            dynamics.report(Path(folder), printer, whole=chosen.whole, summary=chosen.summary, each=chosen.each)
        else:
            printer.remark("Dynamics left out: OSCSERVICE_RECORDINGS names no folder of recordings.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
