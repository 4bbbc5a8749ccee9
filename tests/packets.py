"""OSC packets put together by hand, so that they can be wrong, and the ones whose bytes are published."""

from __future__ import annotations

import signal
import struct
from collections.abc import Iterator
from contextlib import contextmanager

# Open Sound Control 1.0 specification (M. Wright, 2002), examples page: the bytes of two messages.
PUBLISHED = {
    "2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000": ("/oscillator/4/frequency", "f", (440.0,)),
    "2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d": (
        "/foo",
        "iisff",
        (1000, -1, "hello", 1.234, 5.678),
    ),
}

AT_ONCE = 1
"""The time tag "immediately"."""
NTP_UNIX_S = 2_208_988_800
"""NTP seconds of Unix time 0 (RFC 868)."""

# A bundle whose element has the size -4. Parsers that trust it step back and read it for ever.
STEPS_BACK = bytes.fromhex("2362756e646c65000000000000000001fffffffc00000000")


def padded(text: bytes) -> bytes:
    """An OSC string."""
    return text + b"\0" * (4 - len(text) % 4)


def message(address: bytes, tags: bytes, data: bytes = b"") -> bytes:
    """A message; ``tags`` without the comma."""
    return padded(address) + padded(b"," + tags) + data


def blob(content: bytes) -> bytes:
    """An OSC blob."""
    return struct.pack(">i", len(content)) + content + b"\0" * (-len(content) % 4)


def bundle(*elements: bytes, time_tag: int = AT_ONCE) -> bytes:
    """A bundle of these elements."""
    return b"#bundle\0" + struct.pack(">Q", time_tag) + b"".join(struct.pack(">i", len(e)) + e for e in elements)


def time_tag(unix_s: float) -> int:
    """The time tag of a Unix time before February 2036."""
    return round((unix_s + NTP_UNIX_S) * 2**32)


def nested(packet: bytes, depth: int) -> bytes:
    """A packet inside so many bundles."""
    for _ in range(depth):
        packet = bundle(packet)
    return packet


@contextmanager
def must_end(seconds: int) -> Iterator[None]:
    """Turn work that hangs into a failure. The bound is far above what the work takes."""

    def give_up(*_: object) -> None:
        raise AssertionError(f"still running after {seconds} s")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
