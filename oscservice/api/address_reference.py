"""The address reference as Markdown, made from the address table for the person who builds a surface."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from oscservice.api import argument_values as codes
from oscservice.api.address_table import DEFAULT_PREFIX, TABLE
from oscservice.api.argument_values import MAX_FRETS, MAX_STRINGS, SIMULATOR
from oscservice.api.check_messages import RECORDED_ENDINGS, RECORDED_FINDINGS
from oscservice.api.incoming_addresses import COMMAND_CALLS, SUBSCRIPTION_CALLS
from oscservice.osc import tcp
from oscservice.osc.address import Address, arguments_text
from oscservice.osc.dispatch import MAX_CALLS, MAX_TEXT_CHARACTERS
from oscservice.osc.execution import ANSWER_GROWTH
from oscservice.osc.packet import (
    MAX_ADDRESS_BYTES,
    MAX_DATAGRAM_BYTES,
    MAX_DEPTH,
    MAX_ELEMENTS,
    MAX_PATTERNS,
    MAX_STREAM_BYTES,
    MAX_TAGS,
)
from oscservice.osc.pattern import MAX_PATTERN_CHARACTERS
from oscservice.osc.publisher import BUNDLE_BYTES, LIVE_INTERVAL_S, MAX_TOPICS
from oscservice.osc.server import MAX_AHEAD_S, MAX_SCHEDULED, PACKETS_PER_S
from oscservice.osc.subscriptions import LEASE_S, LOWEST_PORT, MAX_PER_HOST, MAX_SUBSCRIBERS, TOKEN_S
from oscservice.osc.tcp import MAX_CONNECTIONS, SILENT_S
from oscservice.sentences.sentence_table import ENGLISH

HEADINGS: Mapping[str, str] = {
    "client": "From a client: subscribe, ask for the status, check recordings. Answered in any phase.",
    "command": "From a client: drive the session. Each is answered with one `/reply` or one `/error`, "
    "code 4 in a phase that the row doesn't list.",
    SIMULATOR: "From a client: play the simulated guitar. Refused (code 8) with any other source.",
    "state": "To subscribers: the state of the session. Sent completely on subscribing, then on every change.",
    "live": f"To subscribers: live values, at most {1 / LIVE_INTERVAL_S:.0f} times a second an address.",
    "result": "To subscribers: measured values. Sent completely on subscribing, then on every change.",
    "advice": "To subscribers: advice on the saddle. Sent completely on subscribing, then on every change. "
    "Slacken the string before you loosen or move a saddle.",
    "event": "To subscribers: events. Never repeated on subscribing.",
    "service": "To subscribers: the state of the daemon and its audio source.",
    "answer": "To the sender of a message, at its own port or at the port given on subscribing.",
}

_INTRODUCTION = """\
# OSC addresses

All addresses are below the root `{prefix}`, which can be changed in the settings. `{{string}}` is the number of a
string from 1, the thinnest (up to {strings}); `{{fret}}` the number of a fret from 1 (up to {frets}); `{{item}}` the
name of an inspection item. Cents are + sharp, millimetres + away from the nut, standard errors 1 standard deviation.

Only `i` (32-bit integer), `f` (32-bit float) and `s` (string) are sent, one message a value, each address always with
the same types, never NaN or infinity. Lengths are sent in mm: the setting `lengths` changes texts only. `?` marks an
argument that may be left out, `…` any further arguments.

Accepted arguments: a number as `i`, `h`, `f` or `d` (a whole number for `i`), a switch also as `T` or `F`, a
string of at most {text} printable characters. A length may also come as a string with its unit: `0.2 mm`, `0.008 in`,
`1/64 in`. A command without arguments, or with none but an optional string, may be sent by a button: a lone 0 is its
release and is ignored, anything else is the press. Address patterns (`?`, `*`, `[1-3]`, `{{next,undo}}`) reach every
address they match, and each of these sends its own answer. `//` stands for any number of levels, including none:
`//undo`; at the end it is every address below.

A last string argument `id=…` (1 to 32 letters, digits, `.`, `_`, `-`) is no argument of the command: it returns as
the last argument of the answer, so a program can match answers to questions.

## Transports

UDP, TCP and WebSocket use one port number and work the same. On TCP the first byte selects the framing: `c0` SLIP
with END before and after each packet (OSC 1.1), `00` a 32-bit size before each packet (OSC 1.0), a capital letter HTTP,
which describes the address space ([query.md](query.md)).
Replies use your framing.

## Subscribing

Send `{prefix}/subscribe` from the socket you listen on, or with the number of the port you listen on. The answer,
`{prefix}/reply {prefix}/subscribe {lease}`, gives the lease in seconds; the whole state follows, then every change.
Anything you send from that socket renews the lease: `{prefix}/ping` once a minute is enough. Subscribing again renews
it too. When a lease or the daemon ends, it sends `{prefix}/reply {prefix}/subscribe 0`. You get your own
changes like every subscriber. If you gave a port, answers to your messages from that socket also go there.

`{prefix}/subscribe 0 "{prefix}/string/*/cents //prompt" 10` selects only those addresses (complete addresses,
or patterns of them; `//` stands for any number of levels), each at most 10 times a second; of faster values the latest
is sent. Events are never dropped. With a fourth argument 1, values that are sent together arrive as one bundle of at
most {bundle} bytes.

Over UDP from another machine the answer is `{prefix}/reply {prefix}/subscribe 0 TOKEN`, at the port you listen on. Send
`{prefix}/confirm TOKEN` within {token} s from the same machine. That shows that packets reach you; the answer gives the
lease, and the state follows. Until then an answer is never longer than {growth} times its question, so nobody can
make the daemon flood somebody else; longer answers are cut or left out. A connection needs no token.
"""

_LIMITS = f"""\
## Limits

| item | limit |
|---|---|
| datagram | {MAX_DATAGRAM_BYTES} bytes |
| address | {MAX_ADDRESS_BYTES} bytes, {MAX_PATTERN_CHARACTERS} pattern characters (`//` counts as one) |
| address patterns | {MAX_PATTERNS} in a packet |
| requests in one packet | {MAX_CALLS // COMMAND_CALLS} commands to the session, or {MAX_CALLS} other things; each \
address of a pattern counts, a subscription {SUBSCRIPTION_CALLS} times |
| type tags of a message | {MAX_TAGS} |
| bundle | nested {MAX_DEPTH} deep, {MAX_ELEMENTS} elements altogether; one bad message refuses the whole bundle |
| time tag | at most {MAX_AHEAD_S:g} s ahead, {MAX_SCHEDULED} bundles waiting; now or past: at once |
| packets | {PACKETS_PER_S} a second from one IP address (on the loopback, from one port) |
| subscribers | {MAX_SUBSCRIBERS}, {MAX_PER_HOST} at one IP address; ports from {LOWEST_PORT}; lease {LEASE_S:g} s |
| topics | {MAX_TOPICS} patterns a subscriber |
| TCP | packets up to {MAX_STREAM_BYTES} bytes |
| TCP connections | {MAX_CONNECTIONS}, {tcp.MAX_PER_HOST} from one other machine, closed after {SILENT_S:g} s silent |

A packet that is not OSC is answered with code 6 and an empty address, in at most {ANSWER_GROWTH} times its own length
or, if that is too short, not at all. A packet with several requests counts as several packets,
a command to the session as {COMMAND_CALLS}. Faster packets are
dropped over UDP, and delayed over TCP and WebSocket.
"""


_FIELD = re.compile(r"\{[^}]*\}")


def grouped() -> dict[str, list[Address]]:
    """Return the table by heading, in the order a surface builder reads it."""
    groups: dict[str, list[Address]] = {heading: [] for heading in HEADINGS}
    for address in TABLE:
        groups[address.group or str(address.direction)].append(address)
    return groups


def reference(prefix: str = DEFAULT_PREFIX) -> str:
    """Return the whole reference page as Markdown."""
    introduction = _INTRODUCTION.format(
        prefix=prefix,
        strings=MAX_STRINGS,
        frets=MAX_FRETS,
        text=MAX_TEXT_CHARACTERS,
        lease=round(LEASE_S),
        bundle=BUNDLE_BYTES,
        token=round(TOKEN_S),
        growth=ANSWER_GROWTH,
    )
    parts = [introduction]
    for heading, addresses in grouped().items():
        rows = [_row(prefix, address) for address in addresses]
        parts.append(f"## {heading.capitalize()}\n\n{HEADINGS[heading]}\n")
        parts.append(_table(("address", "tags", "arguments", "meaning"), rows))
    parts.append("## Prompt codes\n")
    for field, heading in (
        ("text", "sentence (may change and be translated; codes don't)"),
        ("caution", "its caution"),
    ):
        texts = ENGLISH.column("prompt", field).items()
        parts.append(_table(("code", heading), [(f"`{code}`", _FIELD.sub("…", text)) for code, text in texts]))
    parts.append("## Error codes\n")
    parts.append(_table(("code", "meaning"), [(str(int(c)), t) for c, t in codes.ERROR_TEXTS.items()]))
    for title, words in (
        ("Phases", codes.PHASES),
        ("Statuses of a string", codes.STATUSES),
        ("Verdicts of a quick check", codes.CHECKS),
        ("Ways a string drifts", codes.DRIFTS),
        ("Endings of a check of recordings", RECORDED_ENDINGS),
        ("Findings of a check of recordings", RECORDED_FINDINGS),
        ("Inspection items", codes.ITEMS),
        ("States of an inspection item", codes.INSPECTION_STATES),
        ("Directions of a saddle", codes.DIRECTIONS),
        ("Ways to turn a screw", codes.SENSES),
        ("Nut clamps", codes.NUT_STATES),
        ("Notices of a missed step", codes.NOTICES),
        ("Audio states", codes.AUDIO_STATES),
        ("Record states", codes.RECORD_STATES),
        ("Sound states", codes.SOUND_STATES),
    ):
        parts.append(f"## {title}\n")
        parts.append(_table(("word", "meaning"), [(f"`{word}`", text) for word, text in words.items()]))
    parts.append(_LIMITS)
    return "\n".join(parts)


def _row(prefix: str, address: Address) -> tuple[str, ...]:
    tags = f"`{address.tags}`" if address.tags else "–"
    return f"`{prefix}{address.path}`", tags, arguments_text(address.arguments), address.meaning


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [head, tuple("---" for _ in head), *rows]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)
