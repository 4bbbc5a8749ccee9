"""Benchmark: a million packets, two in five random bytes, the others built by a grammar and many of those spoilt.

    python tests/bench/storm.py [PACKETS [SEED]]

Each goes through the whole server, from this machine, another host and a connection in turn. None may take 5 ms of the
processor's time (this thread's: other programs on the machine don't count), none may raise, and memory must stay level.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from grammar import Grammar, corpus, wicked
from socketless import NEAR, PEERS, Socketless

from oscservice.osc.wire import encode

MOST_MS = 5.0
MOST_GROWTH_MB = 8.0
PUBLISH_EVERY = 1000
WARM_UP = 0.05


def resident_mb() -> float:
    """Memory of this process that is not paged out."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGESIZE") / 2**20


async def storm(count: int, seed: int) -> int:
    """Send them all; 1 if a packet took too long, or memory grew."""
    floor = Socketless(keeps_calls=False)
    grammar = Grammar(seed)
    first = corpus() + wicked()
    took_ns = np.zeros(count, dtype=np.int64)
    worst_ns, slowest = 0, b""
    answers = answered = 0
    before_mb = 0.0
    began = time.perf_counter()
    for number in range(count):
        packet = first[number // len(PEERS)] if number < len(first) * len(PEERS) else grammar.packet()
        start = time.thread_time_ns()
        sent = floor.take(packet, PEERS[number % len(PEERS)])
        took_ns[number] = time.thread_time_ns() - start
        answers += len(sent)
        answered += bool(sent)
        if took_ns[number] > worst_ns:
            worst_ns, slowest = int(took_ns[number]), packet
        if number == int(WARM_UP * count):
            before_mb = resident_mb()
        if number % PUBLISH_EVERY == 0:
            floor.server.publish({"/string/1/cents": (number % 100 / 10.0,), "/phase": ("tuning",)})
            await asyncio.sleep(0)
    after_mb = resident_mb()
    counts = floor.server.counts
    ms = took_ns / 1e6
    over = int((ms > MOST_MS).sum())
    print(f"{count} packets in {time.perf_counter() - began:.0f} s, seed {seed}")
    print(f"took, ms: mean {ms.mean():.3f}, 99 % {np.quantile(ms, 0.99):.3f}, 99.99 % {np.quantile(ms, 0.9999):.3f},")
    print(f"          worst {ms.max():.3f}; {over} over {MOST_MS:g}")
    print(f"bad {counts.bad}; {answered} answered, with {answers} packets; {floor.calls} commands carried out")
    print(f"memory, MB: {before_mb:.1f} once warm, {after_mb:.1f} at the end")
    print(f"slowest: {slowest[:400].hex()}")
    alive = floor.take(encode("/bench/ping"), NEAR)[0][1] == encode("/bench/reply", "/bench/ping")
    floor.server.close()
    return 1 if over or not alive or after_mb - before_mb > MOST_GROWTH_MB else 0


def main() -> int:
    """Run it with the count and seed of the command line."""
    logging.disable(logging.CRITICAL)
    count, seed = (*map(int, sys.argv[1:3]), *(1_000_000, 1)[len(sys.argv[1:3]) :])
    return asyncio.run(storm(count, seed))


if __name__ == "__main__":
    sys.exit(main())
