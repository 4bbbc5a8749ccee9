"""Property tests with examples drawn at random, round after round, until one fails or the time is over.

The test suite tries the same examples in every run. This looks for others, for as long as you let it:

    python tests/bench/explore.py --minutes 30
    python tests/bench/explore.py --minutes 30 tests/properties/test_session_properties.py

A failure is printed with the smallest example found, and with the round's seed: ``--seed SEED --rounds 1`` repeats it.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]


def round_of(seed: int, paths: list[str]) -> int:
    """Run every property test in these files once; gives the exit code of pytest."""
    words = ["-x", "-m", "hypothesis", "--hypothesis-profile=explore", f"--hypothesis-seed={seed}"]
    return subprocess.run([sys.executable, "-m", "pytest", *words, *paths], cwd=ROOT, check=False).returncode


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("paths", nargs="*", default=["tests"], help="files or folders of tests")
    parser.add_argument("--minutes", type=float, default=10.0, help="no round begins later than this")
    parser.add_argument("--rounds", type=int, default=0, help="so many rounds at most; 0: as many as fit")
    parser.add_argument("--seed", type=int, default=time.time_ns() % 1_000_000_000, help="of the first round")
    asked = parser.parse_args()
    until_s = time.monotonic() + 60.0 * asked.minutes
    done = 0
    while time.monotonic() < until_s and (not asked.rounds or done < asked.rounds):
        seed = asked.seed + done
        code = round_of(seed, asked.paths)
        if code:
            print(f"round {done + 1} failed: --seed {seed} --rounds 1 {' '.join(asked.paths)} repeats it")
            return code
        done += 1
    print(f"{done} rounds, seeds {asked.seed} to {asked.seed + done - 1}: no counterexample")
    return 0


if __name__ == "__main__":
    sys.exit(main())
