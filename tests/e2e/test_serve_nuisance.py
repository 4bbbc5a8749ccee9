"""A set-up without touching the computer in a noisy workshop, over a real socket, with talk, knocks, strums, scrapes
and hum; then the file of that sound, after only a session was begun and inspected.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from conftest import need
from oscservice_process import command, environment
from small_instruments import CLAMPS, STRINGS, instrument_file

from oscservice.daemon.session_service import SessionService
from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.journal import Journal
from oscservice.session import commands as cm
from oscservice.session.vocabulary import INSPECTION_ITEMS

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from disturbed import PATIENCE, Account, recorded, set_up, told

pytestmark = pytest.mark.slow

SEED = 3
TOLERANCE_CENTS = 2.0
LOW_STRING = """
[[string]]
note = "A2"
kind = "wound"
gauge_in = 0.036
core_mm = 0.406
setback_mm = 2.4
"""


@dataclass(frozen=True)
class Done:
    """A set-up done: the account of it, its sound, its record, and the instrument's file."""

    account: Account
    wav: Path
    journal: Path
    instrument: str


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Done]:
    program = need("espeak-ng", "espeak-ng")
    folder = tmp_path_factory.mktemp("noisy")
    instrument = str(instrument_file(folder, CLAMPS, STRINGS + LOW_STRING))
    wav, journal = folder / "noisy.wav", folder / "worked.sqlite3"
    account = set_up(instrument, SEED, program=program, tolerance_cents=TOLERANCE_CENTS, wav=wav, journal=journal)
    yield Done(account, wav, journal, instrument)
    wav.unlink()


def events(journal: Path) -> list[tuple[str, dict[str, Any]]]:
    """Kinds and bodies of a journal's newest session, but for how it was begun."""
    with Journal.open(journal, readonly=True) as opened:
        found = opened.events(opened.sessions()[0].id)
    return [(kind, body) for _, _, kind, body in found if kind != "SessionBegun"]


@pytest.mark.foreign
def test_no_false_reading_and_no_missed_prompt(done: Done, record_property: Any) -> None:
    account = done.account
    print(told([account]))
    record_property("fraction of plucks taken", account.share_taken)
    assert len(account.noises) > 15
    assert len({kind for kind, _ in account.noises}) >= 5
    assert account.false == []
    assert account.repeats <= PATIENCE
    assert account.ending == "proved"
    assert max(map(abs, account.before_cents)) > TOLERANCE_CENTS
    assert max(map(abs, account.after_cents)) < TOLERANCE_CENTS
    assert account.slackened <= sum(pluck.slack for pluck in account.plucks)
    assert account.share_taken > 0.75


@pytest.mark.foreign
def test_the_recorded_file_leads_to_the_same_session(done: Done, tmp_path: Path) -> None:
    journal = tmp_path / "heard.sqlite3"
    with Journal.open(journal) as opened:
        service = SessionService(opened, lambda: datetime(2026, 1, 2, tzinfo=UTC))
        service.carry_out(cm.Begin(load_instrument(done.instrument), "the file alone (invented)", TOLERANCE_CENTS))
        for item in INSPECTION_ITEMS:  # as the technician does
            service.carry_out(cm.Inspect(item, "passed"))
    source = ["--source", f"file:{done.wav}", "--fast", "--exit-at-end", "--resume"]
    words = command("serve", *source, "--port", "0", "--journal", journal, "--instrument", done.instrument)
    served = subprocess.run(words, capture_output=True, text=True, env=environment(), timeout=240)
    assert (served.returncode, served.stderr) == (0, "")
    assert recorded(journal) == recorded(done.journal)
    assert events(journal) == events(done.journal)
    assert served.stdout.splitlines()[-2:] == ["session closed: proved", "audio: ended"]
