"""The golden files: their contents, and the comparison with a session of today.

``journals/NAME.jsonl.gz`` are a session's events, a line each, the body exactly as the journal stores it.
``states/NAME.json.gz`` says after each step (a command, or a note heard) which leaves of the state changed, and to
what; long ones as ``#`` and two digests, the first of numbers to six digits, the second to the last bit. The whole
last state follows.

Numbers may differ by 1e-9 of themselves, since the last bits depend on the processor; with ``GOLDEN_EXACT=1`` in the
environment they may not.
"""

from __future__ import annotations

import dataclasses
import enum
import gzip
import hashlib
import json
import math
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from golden.differences import (
    CHANGED_NUMBERS,
    GONE_STATE_FIELDS,
    NEW_EVENT_FIELDS,
    NEW_RECORD_FIELDS,
    NEW_STATE_FIELDS,
    RENAMED_STATE_FIELDS,
    reworded,
    shortened,
)
from pydantic import BaseModel

from oscservice.instrument.spec import Instrument
from oscservice.record.event_chain import body_text
from oscservice.session import events as ev
from oscservice.session.replay import fold
from oscservice.session.state import State

FOLDER = Path(__file__).parent
EXACT = os.environ.get("GOLDEN_EXACT", "") not in ("", "0")
NEAR = 0.0 if EXACT else 1e-9

WHERE_NEW_FIELDS_GO = "a new field goes into NEW_EVENT_FIELDS / NEW_STATE_FIELDS of tests/golden/differences.py"
WHERE_NEW_KINDS_GO = "what is new goes into NEW_EVENTS / NEW_COMMANDS / NEW_PRESETS of tests/golden/differences.py"
WHERE_CHANGED_NUMBERS_GO = "if that is meant, the path goes into CHANGED_NUMBERS of tests/golden/differences.py"

_NOTHING = object()
_LEFT_OUT = frozenset({"past"})
_LONGEST = 24
_DIGITS = 6


# Files


def write(path: Path, lines: Iterable[str]) -> None:
    """Lines as one compressed file; the same lines give the same bytes."""
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(gzip.compress("".join(f"{line}\n" for line in lines).encode(), 9, mtime=0))


def read(path: Path) -> list[str]:
    """The lines of a compressed file."""
    return gzip.decompress(path.read_bytes()).decode().splitlines()


# Events


def line_of(event: ev.Event) -> str:
    """An event as its line, without fields that the golden journals lack."""
    kind, body = ev.to_body(event)
    known = {name: _known(value) for name, value in body.items() if name not in NEW_EVENT_FIELDS.get(kind, ())}
    return f'{{"kind":"{kind}","body":{body_text(kind, known)}}}'


def _known(value: Any) -> Any:
    """A field of an event; an instrument in JSON without fields that the golden files lack."""
    if not isinstance(value, str) or not value.startswith('{"name":'):
        return value
    record = Instrument.from_json(value)
    known = plain(record)
    return value if json.loads(value) == known else json.dumps(known, ensure_ascii=False, separators=(",", ":"))


def event_of(line: str) -> ev.Event:
    """The event of a line."""
    found = json.loads(line)
    return ev.from_body(found["kind"], found["body"])


def steps_of(events: Iterable[ev.Event]) -> Iterator[list[ev.Event]]:
    """Events step by step."""
    step: list[ev.Event] = []
    for event in events:
        if step and isinstance(event, ev.StepBegun | ev.TakenBack):
            yield step
            step = []
        step.append(event)
    yield step


# States


def history_of(events: Iterable[ev.Event]) -> list[dict[str, Any]]:
    """Return the changes that each step makes in the state, and last the whole state."""
    state, found = State(), []
    for step in steps_of(events):
        before, state = state, fold(step, state)
        found.append(dict(_changes(before if found else _NOTHING, state, "", "")))
    return [*found, plain(state)]


def plain(value: Any, path: str = "") -> Any:
    """A value as JSON has it, dataclasses by their fields."""
    if isinstance(value, enum.Enum):
        return value.value
    names = _names(value)
    if names is not None:
        inner = ((name, f"{path}.{name}" if path else name) for name in names)
        return {_old(at): plain(getattr(value, name), at) for name, at in inner if not _unknown(at)}
    if isinstance(value, Mapping):
        return {str(key): plain(one, path) for key, one in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist(), path)
    if isinstance(value, set | frozenset):
        return sorted(plain(one, path) for one in value)
    if isinstance(value, list | tuple):
        return [plain(one, path) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return repr(value)
    assert value is None or isinstance(value, bool | int | float | str), f"{path}: {value!r}"
    return value


def _names(value: Any) -> list[str] | None:
    if isinstance(value, BaseModel):
        new = NEW_RECORD_FIELDS.get(type(value).__name__, ())
        return [name for name in type(value).model_fields if name not in new]
    if dataclasses.is_dataclass(value):
        return [field.name for field in dataclasses.fields(value)]
    return None


def _unknown(path: str) -> bool:
    return path in NEW_STATE_FIELDS or path in GONE_STATE_FIELDS or path in _LEFT_OUT


def _old(path: str) -> str:
    return RENAMED_STATE_FIELDS.get(path, path.rpartition(".")[2])


def _changes(before: Any, now: Any, path: str, at: str) -> Iterator[tuple[str, Any]]:
    """Leaves below a value that are new or differ; ``path`` without numbers, ``at`` as stored."""
    if before is now:
        return
    names = _names(now) if not isinstance(now, BaseModel) else None
    if names is not None:
        for name in names:
            inner = f"{path}.{name}" if path else name
            if not _unknown(inner):
                stored = f"{at}.{_old(inner)}" if at else _old(inner)
                yield from _changes(getattr(before, name, _NOTHING), getattr(now, name), inner, stored)
    elif path == "strings":
        same = before is not _NOTHING and len(before) == len(now)
        for index, one in enumerate(now):
            yield from _changes(before[index] if same else _NOTHING, one, path, f"{at}.{index + 1}")
    else:
        leaf = _leaf(plain(now, path))
        if before is _NOTHING or leaf != _leaf(plain(before, path)):
            yield at, leaf


def _leaf(value: Any) -> Any:
    text = json.dumps(value)
    return (
        value
        if isinstance(value, str) or len(text) <= _LONGEST
        else f"#{_digest(json.dumps(_rounded(value)))} {_digest(text)}"
    )


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:6]


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS - 1}e}") + 0.0 if abs(value) > 1e-12 else 0.0
    if isinstance(value, dict):
        return {key: _rounded(one) for key, one in value.items()}
    return [_rounded(one) for one in value] if isinstance(value, list) else value


# Comparison


def first_difference(golden: Sequence[dict[str, Any]], now: Sequence[dict[str, Any]]) -> str | None:
    """The first step after which two histories differ, and how; None if they are the same."""
    if len(golden) != len(now):
        return f"{len(golden) - 1} steps became {len(now) - 1}"
    # A leaf that changes by nearly nothing may be said to change on one machine only: what counts is what it is then.
    before: dict[str, Any] = {}
    after: dict[str, Any] = {}
    for step, (old, new) in enumerate(zip(golden[:-1], now[:-1], strict=True), 1):
        before |= old
        after |= new
        found = difference(_only(before, {*old, *new}), _only(after, {*old, *new}))
        if found is not None:
            return f"step {step}: {found}"
    found = difference(golden[-1], now[-1])
    return None if found is None else f"last state: {found}"


def _only(state: dict[str, Any], leaves: set[str]) -> dict[str, Any]:
    return {leaf: state[leaf] for leaf in sorted(leaves) if leaf in state}


def difference(golden: Any, now: Any, path: str = "", near: float = NEAR) -> str | None:
    """Return the first difference of two plain values, or None. Golden texts are reworded; JSON in them is read."""
    if isinstance(golden, dict) and isinstance(now, dict):
        keys = [key for key in golden if not _gone(f"{path}.{key}".lstrip("."))]
        if set(keys) != set(now):
            only = sorted(without_numbers(f"{path}.{key}") for key in set(keys) ^ set(now))
            return f"on one side only: {only}; {WHERE_NEW_FIELDS_GO}"
        pairs = [(f"{path}.{key}".lstrip("."), golden[key], now[key]) for key in keys]
        return next((found for at, a, b in pairs if (found := difference(a, b, at, near)) is not None), None)
    if isinstance(golden, list) and isinstance(now, list) and len(golden) == len(now):
        pairs = [(f"{path}.{index + 1}", a, b) for index, (a, b) in enumerate(zip(golden, now, strict=True))]
        return next((found for at, a, b in pairs if (found := difference(a, b, at, near)) is not None), None)
    if isinstance(golden, str) and isinstance(now, str) and golden[:1] == now[:1] == "{":
        return difference(json.loads(golden), json.loads(now), path, near)
    if _is_digest(golden) or _is_digest(now):
        same, hint = _same(golden, now) or _holds_changed_number(path), f"; {WHERE_CHANGED_NUMBERS_GO}"
    elif isinstance(golden, float) and isinstance(now, float):
        same = math.isclose(golden, now, rel_tol=max(near, may_differ_by(path)), abs_tol=near)
        hint = f"; {WHERE_CHANGED_NUMBERS_GO}"
    else:
        same, hint = _same(golden, now) or _near_texts(golden, now, may_differ_by(path)), ""
    return None if same else f"{path}: {golden!r} became {now!r}{hint}"


def without_numbers(path: str) -> str:
    """A path of fields or an address without the parts that are numbers."""
    return re.sub(r"(^|[./])\d+(?=[./]|$)", "", path).lstrip(".")


def may_differ_by(path: str) -> float:
    """Return the intended tolerance of a number, relative to the golden one."""
    return CHANGED_NUMBERS.get(without_numbers(path), 0.0)


def _is_digest(value: Any) -> bool:
    return isinstance(value, str) and value.startswith("#")


def _holds_changed_number(path: str) -> bool:
    """True if a number that may differ is part of what the digest at this path was made of."""
    whole = without_numbers(path)
    return any(one == whole or one.startswith(f"{whole}.") for one in CHANGED_NUMBERS)


def _same(golden: Any, now: Any) -> bool:
    if type(golden) is not type(now):
        return False
    if isinstance(golden, str) and golden.startswith("#") and not EXACT:
        return golden.partition(" ")[0] == str(now).partition(" ")[0]
    if golden == now or not isinstance(golden, str) or not isinstance(now, str):
        return bool(golden == now)
    return shortened(reworded(golden)) == shortened(now)


def _near_texts(golden: Any, now: Any, near: float) -> bool:
    """True for texts that are the same but for their numbers, which differ by no more than ``near``."""
    if not near or not isinstance(golden, str) or not isinstance(now, str):
        return False
    parts, others = (re.split(r"(\d+(?:\.\d+)?)", text) for text in (reworded(golden), now))
    numbers = zip(parts[1::2], others[1::2], strict=False)
    return parts[::2] == others[::2] and all(math.isclose(float(a), float(b), rel_tol=near) for a, b in numbers)


def _gone(path: str) -> bool:
    names = without_numbers(path).split(".")
    return any(".".join(names[:depth]) in GONE_STATE_FIELDS for depth in range(1, len(names) + 1))
