"""Benchmark: every truncation and every single-byte change of good packets; then a million packets, two in five random
bytes, the others built by a grammar and many of those spoilt.

    python tests/bench/storm.py [PACKETS [SEED]]

Each goes through the whole server, from this machine, another host and a connection in turn. None may take 5 ms of the
processor's time (this thread's: other programs on the machine don't count), none may raise, and memory must stay level.
"""

from __future__ import annotations

import asyncio
import gc
import itertools
import logging
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from grammar import Grammar, changed, good_packets, hostile_packets, truncated
from socketless_server import NEAR, PEERS, SocketlessServer

from oscservice.daemon.app import freeze_garbage_collector
from oscservice.osc.packet import encode

MOST_MS = 5.0
MOST_GROWTH_MB = 8.0
PUBLISH_EVERY = 1000
WARM_UP = 20_000
MOST_CHANGES = 1_000_000
MOST_CHANGED_BYTES = 200


def resident_mb() -> float:
    """Memory of this process that is not paged out."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGESIZE") / 2**20


async def storm(name: str, packets: Iterator[bytes], most: int) -> bool:
    """Send so many of them; whether one took too long, or memory grew."""
    floor = SocketlessServer(keeps_calls=False)
    took_ns = np.ones(most, dtype=np.int64)  # ones, so that the memory is there from the start
    worst_ns, slowest = 0, b""
    sent = answers = answered = 0
    before_mb = 0.0
    began = time.perf_counter()
    for sent, packet in enumerate(itertools.islice(packets, most), 1):
        start = time.thread_time_ns()
        back = floor.take(packet, PEERS[sent % len(PEERS)])
        took_ns[sent - 1] = time.thread_time_ns() - start
        answers += len(back)
        answered += bool(back)
        if took_ns[sent - 1] > worst_ns:
            worst_ns, slowest = int(took_ns[sent - 1]), packet
        if sent == WARM_UP:
            before_mb = resident_mb()
        if sent % PUBLISH_EVERY == 0:
            floor.server.publish({"/string/1/cents": (sent % 100 / 10.0,), "/phase": ("tuning",)})
            await asyncio.sleep(0)
    after_mb = resident_mb()
    ms = took_ns[:sent] / 1e6
    over = int((ms > MOST_MS).sum())
    print(f"{name}: {sent} packets in {time.perf_counter() - began:.0f} s")
    print(f"  took, ms: mean {ms.mean():.3f}, 99 % {np.quantile(ms, 0.99):.3f}, 99.99 % {np.quantile(ms, 0.9999):.3f},")
    print(f"  worst {ms.max():.3f}; {over} over {MOST_MS:g}")
    print(
        f"  bad {floor.server.counts.bad}; {answered} answered, with {answers} packets; {floor.calls} calls carried out"
    )
    print(f"  memory, MB: {before_mb:.1f} once warm, {after_mb:.1f} at the end")
    print(f"  slowest: {slowest[:200].hex()}")
    alive = floor.take(encode("/bench/ping"), NEAR)[0][1] == encode("/bench/reply", "/bench/ping")
    floor.server.close()
    return bool(over) or not alive or after_mb - before_mb > MOST_GROWTH_MB


async def storms(count: int, seed: int) -> int:
    """All of them; 1 if one went wrong."""
    freeze_garbage_collector()  # as the daemon does
    grammar = Grammar(seed)
    good = [packet for packet in good_packets() if len(packet) < MOST_CHANGED_BYTES]
    changes = itertools.chain(hostile_packets() * len(PEERS), truncated(good_packets()), changed(good))
    wrong = [
        await storm("wicked packets, truncations, changes", changes, MOST_CHANGES),
        await storm(f"random and built packets, seed {seed}", iter(grammar.packet, None), count),
    ]
    return 1 if any(wrong) else 0


def main() -> int:
    """Run it with the count and seed of the command line."""
    logging.disable(logging.CRITICAL)
    count, seed = (*map(int, sys.argv[1:3]), *(1_000_000, 1)[len(sys.argv[1:3]) :])
    return asyncio.run(storms(count, seed))


if __name__ == "__main__":
    sys.exit(main())
