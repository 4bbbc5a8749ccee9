"""Packets for storms: good ones of every kind, wicked ones, and a seeded source of random and grammar-built ones."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterable, Iterator

from packets import STEPS_BACK, blob, bundle, message, nested, padded, time_tag

from oscservice.api.address_table import TABLE, concrete_addresses
from oscservice.osc.address import Address, Argument
from oscservice.osc.packet import MAX_DATAGRAM_BYTES

ROOT = "/bench"
STRING_COUNT = 6
INCOMING = tuple(address for address in TABLE if address.direction.incoming)
PLACES = ("open", "harmonic", "fret 12")
WORDS = ("all", "passed", "open", "harmonic", "fret 12", "text", "", "5 ½ ♯", "id=a.b-c_1", "/bench/ping", "//prompt")

_FORMS = {"i": ">i", "h": ">q", "t": ">Q", "f": ">f", "d": ">d", "c": ">I", "r": ">I"}


def packed(tag: str, value: float | str) -> bytes:
    """One argument as OSC packs it."""
    if isinstance(value, str):
        return padded(value.encode())
    return struct.pack(_FORMS[tag], value)


def command(address: Address, chance: random.Random) -> bytes:
    """A message to an address of the table, its arguments as declared."""
    numbers = {"string": chance.randint(1, STRING_COUNT), "fret": chance.randint(1, 22), "item": "nut"}
    concrete = ROOT + address.fill(**{name: numbers[name] for name in address.placeholders})
    given = [a for a in address.arguments if not a.optional]
    given += [a for a in address.arguments if a.optional][: chance.randint(0, 4)]
    values = [_value(a, chance) for a in given]
    tags = "".join("s" if isinstance(v, str) else a.tag for a, v in zip(given, values, strict=True))
    data = b"".join(packed(tag, value) for tag, value in zip(tags, values, strict=True))
    return message(concrete.encode(), tags.encode(), data)


def _value(argument: Argument, chance: random.Random) -> float | str:
    if argument.tag == "s":
        return chance.choice(PLACES if argument.check else argument.words or WORDS)
    low = argument.low if argument.low is not None else -100.0
    high = argument.high if argument.high is not None else 100.0
    if argument.switch:
        low, high = 0.0, 1.0
    value = chance.randint(int(low), int(high)) if argument.tag == "i" else chance.uniform(low, high)
    return value if argument.read is None else chance.choice((value, f"{value:.2f} mm", f"{value / 25.4:.4f} in"))


def good_packets() -> list[bytes]:
    """Good packets: every type, every command, patterns, bundles nested and timed."""
    chance = random.Random(20261126)
    ping = message(b"/bench/ping", b"")
    everything = struct.pack(">iqQfdII", 1, -5_000_000_000, 1, 1.5, 2.25, 0x41, 0x11223344) + b"\0\x90\x3c\x64"
    everything += padded(b"text") + padded(b"sym") + blob(b"abcde") + struct.pack(">ii", 1, 2)
    dates = (1.0, 1_800_000_000.0, 2_085_978_496.0)  # 1970, 2027, and the wrap of February 2036
    return [
        ping,
        b"/bench/ping\0",
        message(b"/every/type", b"ihtfdcrmsSbTFNI[i[i]]", everything),
        *(message(p, b"") for p in (b"/bench/string/[1-3]/focus", b"/bench/{ping,status}", b"//ping", b"/b?nch/*ing")),
        *(command(address, chance) for address in INCOMING for _ in range(2)),
        bundle(ping, bundle(ping, bundle(message(b"//version", b"")), ping), ping),
        nested(ping, 8),
        *(bundle(ping, ping, time_tag=time_tag(unix_s) % 2**64) for unix_s in dates),
        bundle(ping, time_tag=2**64 - 1),
        bundle(*[ping] * 128),
    ]


def hostile_packets() -> list[bytes]:
    """Packets made to hang or fill what takes them."""
    ping = message(b"/bench/ping", b"")
    runs = [
        "*" * 254,
        "*a" * 127,
        "?*" * 127,
        "{a,aa}" * 42,
        "{,a}" * 63,
        "[!b]*" * 50,
        "[" * 254,
        "{" * 254,
        "]" * 254,
    ]
    runs += ["/" * 254, "//a" * 84, "/*" * 127, "//*" * 84, "*" * 32, "?*" * 16, "[a-z]*" * 10, "{a,b}*" * 10]
    runs += [
        "bench" + "//" * 32,
        "bench//*//*//*//*",
        "bench/" + "*" * 31 + "g",
        "/bench/string/*/{" + "a," * 100 + "}",
    ]
    most = [f"/bench/string/{'?' * (n % 2 + 1)}*/{'*' * (n % 5 + 1)}".encode() for n in range(16)]
    return [
        STEPS_BACK,
        nested(ping, 9),
        nested(ping, 400),
        *(message(f"/{run}"[:255].encode(), b"") for run in runs),
        *(message(f"/{run}"[:255].encode(), b"f", bytes(4)) for run in runs),
        bundle(*[message(b"//", b"")] * 16, *[ping] * 112),
        bundle(*[message(one, b"") for one in most]),
        bundle(*[message(b"//*", b"TTTTTTTTTTTTTTTT")] * 17),
        bundle(*[message(b"/bench/session/begin", b"ss", padded(b"x" * 200) * 2)] * 18),
        bundle(*[message(b"/bench/subscribe", b"isfi", bytes(4) + padded(b"//* " * 15) + bytes(8))] * 64),
        bundle(*[bundle()] * 128),
        bundle(*[b"/a\0\0"] * 128),
        message(b"/a", b"T" * 65),
        message(b"/a", b"[" * 32 + b"]" * 32),
        message(b"/a", b"[" * 64),
        message(b"/a", b"b", struct.pack(">i", -4)),
        message(b"/a", b"b", struct.pack(">i", 2**31 - 1)),
        message(b"/a", b"i" + b"Q" + b"i", bytes(12)),
        *(message(b"/bench/session/begin", b"ss", padded(b"\xff\xfe") + padded(b"\xed\xa0\x80")) for _ in range(2)),
        message(b"/bench/string/1/moved", b"f", struct.pack(">f", float("nan"))),
        message(b"/bench/string/1/moved", b"d", struct.pack(">d", 1e308)),
        message(b"/bench/string/1/moved", b"h", struct.pack(">q", -(2**63))),
        b"/" * MAX_DATAGRAM_BYTES,
        b"#" * MAX_DATAGRAM_BYTES,
        b"#bundle\0" * (MAX_DATAGRAM_BYTES // 8),
        bytes(MAX_DATAGRAM_BYTES),
        message(b"/a", b"s", padded(b"x" * (MAX_DATAGRAM_BYTES - 12))),
        b"",
    ]


def truncated(packets: Iterable[bytes]) -> Iterator[bytes]:
    """Each packet cut off after every byte."""
    return (packet[:size] for packet in packets for size in range(len(packet)))


def changed(packets: Iterable[bytes], step: int = 1) -> Iterator[bytes]:
    """Each packet with every byte changed to every other value, or to every ``step``-th of them."""
    for packet in packets:
        for at in range(len(packet)):
            for value in range((packet[at] + 1) % step, 256, step):
                if value != packet[at]:
                    yield packet[:at] + bytes([value]) + packet[at + 1 :]


class Grammar:
    """An endless source of packets, the same for the same seed: two in five random bytes, the others built, many of
    those with something wrong in them."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._concretes = [ROOT + relative for relative in concrete_addresses(STRING_COUNT, items=["nut"])]
        self._kinds: tuple[Callable[[], bytes], ...] = (
            *(self._command, self._command, self._message, self._pattern, self._bundle),
            *(self._changed, self._changed, self._spliced, self._words),
        )
        self._corpus = good_packets() + hostile_packets()

    def packet(self) -> bytes:
        """The next packet, at most 8192 bytes long."""
        built = self._chance.random() < 0.6
        return (self._chance.choice(self._kinds)() if built else self._rubbish())[:MAX_DATAGRAM_BYTES]

    def _rubbish(self) -> bytes:
        size = self._chance.choice((4, 16, 32, 64, 128, 512)) if self._chance.random() < 0.98 else 4096
        rubbish = self._chance.randbytes(self._chance.randint(0, size))
        whole = rubbish[: len(rubbish) & -4] if self._chance.random() < 0.8 else rubbish
        head = self._chance.choice((b"", b"", b"/a\0\0,", b"#bundle\0", b"#bundle\0" + bytes(7) + b"\x01"))
        return head + whole

    def _command(self) -> bytes:
        return command(self._chance.choice(INCOMING), self._chance)

    def _message(self) -> bytes:
        tags = "".join(self._chance.choices("ihtfdcrmsSbTFNI[]iffssQ", k=self._chance.randint(0, 6)))
        address = self._chance.choice(self._concretes)
        return message(address.encode(), tags.encode(), b"".join(map(self._data, tags)))

    def _data(self, tag: str) -> bytes:
        if tag in "sS":
            return padded(self._chance.choice(WORDS).encode())
        if tag == "b":
            return blob(self._chance.randbytes(self._chance.randint(0, 9)))
        if tag in "TFNI[]":
            return b""
        return self._chance.randbytes(8 if tag in "htd" else 4)

    def _pattern(self) -> bytes:
        text = list(self._chance.choice(self._concretes))
        for _ in range(self._chance.randint(1, 5)):
            at = self._chance.randrange(1, len(text) + 1)
            text[at : at + self._chance.randint(0, 4)] = self._chance.choice(
                ("*", "?", "//", "/", "[1-6]", "[!a]", "{ping,focus}", "**", "{", "[", "{,", "]", "*?*")
            )
        return message("".join(text)[:255].encode(), b"")

    def _bundle(self, depth: int = 0) -> bytes:
        elements = [
            self._bundle(depth + 1)
            if depth < 9 and self._chance.random() < 0.3
            else self._chance.choice(self._kinds[:4])()
            for _ in range(self._chance.randint(0, 4))
        ]
        tags = (1, 1, 1, 0, self._chance.getrandbits(64), time_tag(1_000_000_000))
        return bundle(*elements, time_tag=self._chance.choice(tags))

    def _changed(self) -> bytes:
        packet = bytearray(self._chance.choice((self._chance.choice(self._corpus), self._command(), self._bundle())))
        for _ in range(self._chance.randint(1, 4)):
            at = self._chance.randrange(len(packet) + 1)
            match self._chance.randrange(4):
                case 0:
                    packet[at : at + 1] = self._chance.randbytes(1)
                case 1:
                    del packet[at:]
                case 2:
                    packet[at : at + 4] = self._chance.choice((b"\xff\xff\xff\xfc", b"\0\0\0\0", b"\x7f\xff\xff\xff"))
                case _:
                    packet[at:at] = self._chance.randbytes(4)
        return bytes(packet)

    def _spliced(self) -> bytes:
        first, second = self._chance.choice(self._corpus), self._chance.choice(self._corpus)
        cut = self._chance.randrange(len(first) // 4 + 1) * 4
        return first[:cut] + second[self._chance.randrange(len(second) // 4 + 1) * 4 :]

    def _words(self) -> bytes:
        words = (
            b"#bundle\0",
            b"/a\0\0",
            b",i\0\0",
            b",[s]",
            bytes(4),
            b"\0\0\0\x04",
            b"\0\0\0\x10",
            b"\xff\xff\xff\xfc",
        )
        return b"".join(self._chance.choices(words, k=self._chance.randint(1, 12)))
