"""Benchmark: whole set-ups in a noisy workshop. No reading may be false, no prompt missed.

    python tests/bench/nuisance.py [FIRST LAST [INSTRUMENT]]

Noises (talk by espeak-ng, knocks, strums, scrapes, struck keys, squeaking screws, strings let down) fall between the
plucks and over them; neighbours ring along; the mains hum. Prints how many plucks were used, and why others weren't.
"""

from __future__ import annotations

import shutil
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from disturbed import PATIENCE, Account, set_up, told

INSTRUMENT = "six-string-648"


def one(instrument: str, seed: int) -> tuple[int, Account, float]:
    """One set-up and the seconds it took."""
    began = time.perf_counter()
    account = set_up(instrument, seed)
    return seed, account, time.perf_counter() - began


def main() -> int:
    """Run them all; 1 if a reading was false, a prompt missed or a guitar not proved."""
    if shutil.which("espeak-ng") is None:
        print("needs espeak-ng: apt-get install -y --no-install-recommends espeak-ng", file=sys.stderr)
        return 2
    first, last = (int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (1, 6)
    instrument = sys.argv[3] if len(sys.argv) > 3 else INSTRUMENT
    accounts = []
    with ProcessPoolExecutor(max_workers=2) as pool:
        for seed, account, took_s in pool.map(partial(one, instrument), range(first, last + 1)):
            accounts.append(account)
            worst = max(map(abs, account.after_cents))
            print(f"seed {seed}: {account.ending}, worst {worst:.2f} cents, {took_s:.0f} s here")
            print(told([account]), flush=True)
    print(f"all together: {told(accounts)}")
    missed = [a for a in accounts if a.false or a.repeats > PATIENCE or a.ending != "proved"]
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
