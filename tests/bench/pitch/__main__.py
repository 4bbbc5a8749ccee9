"""Benchmark of pitch: ours and general-purpose estimators on the same notes, in one run.

    pip install -e '.[bench]'
    python tests/bench/pitch [--quick] [--markdown] [--hour] [--parts accuracy,bound,latency,cost,calibration]

Everything but processor times is the same for the same seed and versions.
All parts take some twenty minutes on one core.
"""

from __future__ import annotations

import os

for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")  # before numpy is loaded: one thread, so that processor times compare

import argparse  # noqa: E402
import sys  # noqa: E402
import warnings  # noqa: E402
from pathlib import Path  # noqa: E402

sys.path.insert(1, str(Path(__file__).parents[2]))

import accuracy  # noqa: E402
import calibration  # noqa: E402
import cost  # noqa: E402
import efficiency  # noqa: E402
import latency  # noqa: E402
import notes  # noqa: E402
from peers import all_peers  # noqa: E402
from tables import Printer, machine  # noqa: E402

PARTS = ("accuracy", "bound", "latency", "cost", "calibration")
HOUR = "hour"


def main(arguments: list[str] | None = None) -> int:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(prog="python tests/bench/pitch", description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--parts", default=",".join(PARTS), help=f"some of {','.join((*PARTS, HOUR))}; all but the hour otherwise"
    )
    parser.add_argument("--quick", action="store_true", help="few notes: shows that it runs, proves nothing")
    parser.add_argument("--markdown", action="store_true", help="tables as markdown")
    parser.add_argument("--ours", action="store_true", help="leave the peers out")
    parser.add_argument("--hour", action="store_true", help="the part hour too: memory over an hour of audio")
    parser.add_argument(
        "--notes", type=int, metavar="N", help="size of the full set (300; at least 300 for the record)"
    )
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    parts = [part.strip() for part in chosen.parts.split(",")]
    unknown = sorted(set(parts) - {*PARTS, HOUR})
    if unknown:
        parser.error(f"unknown parts: {', '.join(unknown)}; there are {', '.join((*PARTS, HOUR))}")
    for theirs in ("pkg_resources", "'where' used without 'out'"):  # what pyworld and librosa do, nothing of ours
        warnings.filterwarnings("ignore", category=UserWarning, message=theirs)

    quick: bool = chosen.quick
    size: int = chosen.notes or (4 if quick else 300)
    seed: int = chosen.seed
    printer = Printer(markdown=chosen.markdown)
    printer.remark(f"{machine()}. Seed {seed}.")
    if "accuracy" in parts:
        peers = [] if chosen.ours else all_peers()
        full = accuracy.measure(notes.full_set(size, seed), peers)
        accuracy.report("Full set", full, printer, peers, glide=True)
        steady = accuracy.measure(notes.steady_set(max(3, size // 3), seed + 1), peers)
        accuracy.report("Steady set", steady, printer, peers, glide=False)
    if "bound" in parts:
        efficiency.measure(2 if quick else 100, seed, printer)
    if "latency" in parts:
        latency.measure(1 if quick else 40, seed, printer)
    if "cost" in parts:
        cost.measure(seed, printer)
    if chosen.hour or HOUR in parts:
        cost.measure_hour(seed, printer, 3 if quick else 60)
    if "calibration" in parts:
        calibration.measure(notes.full_set(size, seed), printer)
    return 0


if __name__ == "__main__":
    sys.exit(main())
