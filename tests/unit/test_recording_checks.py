"""Checks of recordings during a session: sets, the messages of a result, and the process that makes it, with
a stand-in for the program that checks.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.api.address_table import TABLE
from oscservice.api.check_messages import (
    MOST_ROWS,
    RECORDED_ENDINGS,
    RECORDED_FINDINGS,
    RECORDED_VERDICTS,
    RecordedCheck,
    ended,
    recorded,
)
from oscservice.check.check_output import as_json
from oscservice.check.verdicts import (
    Case,
    CaseFound,
    CheckedQuantity,
    CheckFinding,
    CheckResult,
    CheckVerdict,
    Limits,
    Refusal,
)
from oscservice.daemon.recording_checks import (
    MOST_LISTED,
    NICE,
    ProgramFailed,
    RecordingChecks,
    RecordingSets,
    check_command_line,
    run_program,
)
from oscservice.instrument.pitch import OPEN
from oscservice.osc.refusal import ErrorCode, OscRefusal


def row(string: int | None, verdict: str, what: str | None = "pitch drift", **more: Any) -> dict[str, Any]:
    case = "note A4" if string is None else f"string {string} open"
    return {"string": string, "case": case, "verdict": verdict, "what": what, "cents": 2.25, "se_cents": 0.3, **more}


def printed(*strings: dict[str, Any], verdict: str = "holds", cases: Sequence[Any] = (), refused: int = 0) -> str:
    files = [{"file": f"{n}.wav", "why": "made up"} for n in range(refused)]
    return json.dumps({"verdict": verdict, "strings": strings, "cases": cases, "refused": files, "name": "x"})


# Messages


def test_a_row_a_string_and_a_summary() -> None:
    text = printed(row(6, "drifted"), row(5, "holds"), row(4, "unsure"), verdict="drifted", refused=1)
    found = recorded("between takes", text)
    assert found.rows == (
        (6, "drifted", "pitch drift", 2.25, 0.3, "string 6 open"),
        (5, "holds", "pitch drift", 2.25, 0.3, "string 5 open"),
        (4, "unsure", "pitch drift", 2.25, 0.3, "string 4 open"),
    )
    sentence = (
        "between takes: drifted: string 6 open, pitch drift +2.2 ± 0.3 cents; "
        "unsure: string 4 open, pitch drift +2.2 ± 0.3 cents; 1 holds; 1 file refused"
    )
    assert found.summary == ("between takes", "drifted", 1, 1, 1, 1, sentence)


@pytest.mark.parametrize(
    "unknown",
    [{"what": None}, {"cents": None}, {"se_cents": None}, {"se_cents": float("inf")}, {"cents": float("nan")}],
)
def test_an_unmeasured_quantity_has_no_numbers(unknown: dict[str, Any]) -> None:
    found = recorded("x", printed(row(3, "unsure", **unknown), verdict="unsure"))
    assert found.rows == ((3, "unsure", "none", 0.0, 0.0, "string 3 open"),)
    assert found.summary[-1] == "x: unsure: string 3 open; 0 hold"


def test_a_set_without_strings_reports_each_note() -> None:
    finding = {"what": "tuning", "cents": -7.0, "se_cents": 0.1, "verdict": "drifted"}
    fine = {**finding, "what": "pitch drift", "cents": 0.1, "verdict": "holds"}
    cases = [
        {"case": "note A4", "string": None, "verdict": "drifted", "found": [fine, finding]},
        {"case": "note B4", "string": None, "verdict": "unsure", "found": []},
    ]
    found = recorded("notes", printed(verdict="drifted", cases=cases))
    assert found.rows == (
        (0, "drifted", "tuning", -7.0, 0.1, "note A4"),
        (0, "unsure", "none", 0.0, 0.0, "note B4"),
    )
    assert found.summary[1:6] == ("drifted", 0, 1, 1, 0)
    many = recorded("notes", printed(verdict="drifted", cases=cases * MOST_ROWS))
    assert len(many.rows) == MOST_ROWS
    assert many.summary[2:5] == (0, MOST_ROWS, MOST_ROWS)


@pytest.mark.parametrize(
    "text",
    [
        *("", "[]", "{}", "null", "1", "[" * 100_000, '{"verdict": "holds"}'),
        printed(verdict="splendid"),
        printed(row(13, "holds")),
        printed(row(1, "failed")),
        printed({"string": 1}),
        printed(cases=[{"string": None}]),
    ],
)
def test_anything_else_is_no_result(text: str) -> None:
    with pytest.raises(ValueError, match="not what a check prints"):
        recorded("x", text)


_VERDICTS = st.sampled_from(tuple(RECORDED_VERDICTS))
_ROWS = st.lists(
    st.builds(
        row,
        st.integers(1, 12),
        _VERDICTS,
        st.sampled_from((*RECORDED_FINDINGS, None)),
        cents=st.none() | st.floats(),
        se_cents=st.none() | st.floats(0.0),
        case=st.text(max_size=2000),
    ),
    max_size=12,
)


@given(_ROWS, _VERDICTS, st.integers(0, 9))
def test_every_result_can_be_sent(rows: list[dict[str, Any]], verdict: str, refused: int) -> None:
    found = recorded("x", printed(*rows, verdict=verdict, refused=refused))
    assert len(found.rows) == len(rows)
    for one in found.rows:
        assert TABLE.typed("/check/recorded", one) == one
    assert TABLE.typed("/check/summary", found.summary) == found.summary
    assert sum(found.summary[2:5]) == len(rows)
    assert found.summary[5] == refused


def test_the_output_of_a_check_can_be_read() -> None:
    """Every verdict and finding there is, as the command itself puts them."""
    sizes = {CheckVerdict.HOLDS: 0.1, CheckVerdict.UNSURE: None, CheckVerdict.OUT: 7.0, CheckVerdict.DRIFTED: -7.0}
    cases = [
        CaseFound(
            Case(string, OPEN, 40 + string), 3, (CheckFinding(what, cents, None if cents is None else 0.2, 1.0, word),)
        )
        for string, (what, (word, cents)) in enumerate(itertools.product(CheckedQuantity, sizes.items()))
        if string < 12
    ]
    result = CheckResult("red", "the red one", "", Limits(), tuple(cases), (Refusal("a.wav", "made up"),))
    found = recorded("red", json.dumps(as_json(result), allow_nan=False))
    in_order = [*cases[1:], cases[0]]  # what has no string comes last
    assert [(row[0], row[1]) for row in found.rows] == [(c.case.string, str(c.verdict)) for c in in_order]
    assert [row[2] for row in found.rows if row[1] != "unsure"] == [
        str(c.findings[0].what) for c in in_order if c.verdict is not CheckVerdict.UNSURE
    ]
    assert found.summary[1:6] == ("drifted", 3, 6, 3, 1)
    for row in found.rows:
        assert TABLE.typed("/check/recorded", row) == row


def test_a_check_without_a_verdict_has_a_summary_too() -> None:
    for ending in ("failed", "stopped"):
        assert ending in RECORDED_ENDINGS
        found = ended("x", ending, "because")
        assert found.rows == ()
        summary = found.summary
        assert TABLE.typed("/check/summary", summary) == ("x", ending, 0, 0, 0, 0, f"x: {ending}: because")


# Sets


def test_sets_are_the_files_of_a_folder_and_those_in_the_settings(tmp_path: Path) -> None:
    for name in ("red.toml", "between takes.toml", ".hidden.toml", "ü.toml", "notes.txt"):
        (tmp_path / name).write_text("")
    (tmp_path / "folder.toml").mkdir()
    (tmp_path.parent / "outside.toml").write_text("")
    sets = RecordingSets(tmp_path, {"mine": Path("/my.toml"), "red": Path("/my-red.toml")})
    assert sets.names() == ["between takes", "mine", "red"]
    assert sets.manifest("between takes") == tmp_path / "between takes.toml"
    assert sets.manifest("red") == Path("/my-red.toml")
    for name in ("", "blue", "folder", ".hidden", "../outside", str(tmp_path / "red"), "red.toml", "a" * 300, "a\0"):
        assert sets.manifest(name) is None


def test_no_folder_and_very_many_files(tmp_path: Path) -> None:
    assert RecordingSets().names() == []
    assert RecordingSets().manifest("red") is None
    assert RecordingSets(tmp_path / "none").names() == []
    for number in range(MOST_LISTED + 5):
        (tmp_path / f"{number}.toml").write_text("")
    assert len(RecordingSets(tmp_path).names()) == MOST_LISTED


# The process


def python(code: str) -> list[str]:
    return [sys.executable, "-c", code]


def returned(code: str, timeout_s: float = 30.0, most_bytes: int = 1000) -> Any:
    return asyncio.run(run_program(python(code), timeout_s=timeout_s, most_bytes=most_bytes))


def test_the_outcome_of_a_program() -> None:
    found = returned("import sys; print('out'); print('one\\ntwo\\n\\n', file=sys.stderr); sys.exit(3)")
    assert (found.code, found.out, found.error_line) == (3, b"out\n", "two")
    found = returned("import sys; sys.stderr.write('x' * 1_000_000 + '\\nlast')")
    assert (found.code, found.out, found.error_line) == (0, b"", "last")
    assert returned("import os, signal; os.kill(os.getpid(), signal.SIGKILL)").code == -9


def test_it_comes_after_the_audio_thread_and_has_one_thread() -> None:
    niced = min(os.getpriority(os.PRIO_PROCESS, 0) + NICE, 19)
    waits = f"import os, time\nwhile os.getpriority(os.PRIO_PROCESS, 0) != {niced}: time.sleep(0.01)\n"
    assert returned(waits + "print(os.environ['OMP_NUM_THREADS'])").out == b"1\n"


def test_too_long_too_much_and_not_there() -> None:
    with pytest.raises(ProgramFailed, match=r"not done after 0\.2 s"):
        returned("import time; time.sleep(60)", timeout_s=0.2)
    with pytest.raises(ProgramFailed, match="printed more than 1000 bytes"):
        returned("while True: print('x' * 500)")
    with pytest.raises(ProgramFailed, match="can't be started"):
        asyncio.run(run_program(["/no/such/program"], timeout_s=1.0, most_bytes=1))


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"


# The child's own children are in its group, and end with it.
FAMILY = """
import pathlib, subprocess, sys, time, os
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
file = pathlib.Path(sys.argv[1])
file.with_suffix(".new").write_text(f"{os.getpid()} {child.pid}")
os.rename(file.with_suffix(".new"), file)
time.sleep(60)
"""


async def settled(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(30.0):
        while not true():
            await asyncio.sleep(0.01)


def test_a_cancelled_check_is_killed_with_its_child_processes(tmp_path: Path) -> None:
    pids = tmp_path / "pids"

    async def run() -> None:
        task = asyncio.create_task(run_program([*python(FAMILY), str(pids)], timeout_s=60.0, most_bytes=10))
        await settled(pids.exists)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await settled(lambda: all(gone(int(pid)) for pid in pids.read_text().split()))

    asyncio.run(run())


# Checks by name


class Told:
    """The results of checks that ended, in order."""

    def __init__(self) -> None:
        self.ended: list[RecordedCheck] = []

    def take(self, found: RecordedCheck) -> None:
        for row in found.rows:
            assert TABLE.typed("/check/recorded", row) == row
        assert TABLE.typed("/check/summary", found.summary) == found.summary
        self.ended.append(found)

    def summary(self) -> tuple[Any, ...]:
        (found,) = self.ended
        return tuple(found.summary)


def checks(tmp_path: Path, told: Told, code: str, timeout_s: float = 30.0) -> RecordingChecks:
    manifest = tmp_path / "red.toml"
    manifest.write_text("")

    def command_line(given: Path) -> list[str]:
        assert given == manifest
        return python(code)

    return RecordingChecks(RecordingSets(tmp_path), told.take, command_line=command_line, timeout_s=timeout_s)


def check(tmp_path: Path, code: str, timeout_s: float = 30.0) -> Told:
    """Run a check to its end with a stand-in for the program."""
    told = Told()

    async def run() -> None:
        made = checks(tmp_path, told, code, timeout_s)
        made.run("red")
        assert made.topics() == {"/check/running": ("red",)}
        assert told.ended == []
        await settled(lambda: made.topics() == {"/check/running": ("",)})
        made.run("red")  # the next one may begin
        await made.end()

    asyncio.run(run())
    told.ended = told.ended[:-1]  # of the second
    return told


def test_a_check_reports_each_string_and_ends(tmp_path: Path) -> None:
    told = check(tmp_path, f"print({printed(row(6, 'drifted'), row(5, 'holds'), verdict='drifted')!r}); exit(1)")
    assert [row[:2] for row in told.ended[0].rows] == [(6, "drifted"), (5, "holds")]
    assert told.summary()[:6] == ("red", "drifted", 1, 1, 0, 0)
    assert told.ended[0].sentence == told.summary()[-1]


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("exit('oscservice: red.toml: line 1: what: unknown key')", "red.toml: line 1: what: unknown key"),
        ("exit(5)", "ended with code 5 and no result"),
        ("print('{}')", "not what a check prints: KeyError: 'strings'"),
        ("import os; os.kill(os.getpid(), 11)", "ended by signal 11"),
        ("print('x' * 2_000_000)", "printed more than 1000000 bytes"),
    ],
)
def test_a_check_that_comes_to_nothing_says_why(tmp_path: Path, code: str, why: str) -> None:
    told = check(tmp_path, code)
    assert told.summary() == ("red", "failed", 0, 0, 0, 0, f"red: failed: {why}")
    assert told.ended[0].sentence == f"red: failed: {why}"


def test_a_check_that_takes_too_long(tmp_path: Path) -> None:
    told = check(tmp_path, "import time; time.sleep(60)", 0.2)
    assert told.summary()[-1] == "red: failed: not done after 0.2 s"


@pytest.mark.parametrize("at_once", [True, False])
def test_one_at_a_time_and_stopped(tmp_path: Path, at_once: bool) -> None:
    told = Told()

    async def run() -> None:
        made = checks(tmp_path, told, "import time; time.sleep(60)")
        made.stop()  # nothing to stop
        made.run("red")
        if not at_once:
            await asyncio.sleep(0.3)
        with pytest.raises(OscRefusal, match="the set 'red' is being checked") as refusal:
            made.run("red")
        assert refusal.value.code is ErrorCode.TOO_MANY
        made.stop()
        await settled(lambda: made.topics() == {"/check/running": ("",)})
        await made.end()

    asyncio.run(run())
    assert told.summary() == ("red", "stopped", 0, 0, 0, 0, "red: stopped: before it was done")


def test_a_set_that_is_not_there(tmp_path: Path) -> None:
    made = checks(tmp_path, Told(), "")
    with pytest.raises(OscRefusal, match=r"no set of recordings is called 'blue'; there are: red") as refusal:
        made.run("blue")
    assert refusal.value.code is ErrorCode.NOT_FOUND
    none = RecordingChecks(RecordingSets(tmp_path / "none"), print)
    with pytest.raises(OscRefusal, match="none yet: put a manifest into"):
        none.run("blue")


def test_the_program_is_this_one() -> None:
    words = check_command_line(Path("/sets/red.toml"))
    assert words[:4] == [sys.executable, "-m", "oscservice", "check"]
    assert words[4:] == ["--manifest", "/sets/red.toml", "--json", "-", "--jobs", "1"]
