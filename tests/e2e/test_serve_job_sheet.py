"""``serve --job-sheet``: the sheet is in the record, and nothing of it goes out. All names are invented."""

from __future__ import annotations

import urllib.request
from pathlib import Path

import pytest
from oscservice_process import PATIENCE_S, run_command, running_daemon, wait_until

from oscservice.record.event_chain import edited
from oscservice.record.job_entries import JobEntry, job_fault, sheet_of
from oscservice.record.job_sheet import LONGEST
from oscservice.record.journal import Journal

pytestmark = pytest.mark.slow

CANARY = "canary-7f3a"
"""It is in every private text, and in the names of files and folders that only a job sheet names."""
SHEET = "\n".join(f'{key} = "{key} {CANARY}"' for key in LONGEST)


def entries_of(journal: Path, session: str) -> tuple[JobEntry, ...]:
    with Journal.open(journal, readonly=True) as opened:
        return opened.jobs.entries(session)


def test_a_job_sheet_is_recorded_and_nothing_of_it_is_sent(tmp_path: Path) -> None:
    folder, journal = tmp_path / CANARY, tmp_path / "journal.sqlite3"
    folder.mkdir()
    (folder / f"{CANARY}.jpg").write_bytes(b"invented")
    sheet = folder / "sheet.toml"
    sheet.write_text(f'{SHEET}\nnote = "note {CANARY}"\nphotographs = ["{CANARY}.jpg"]\n')
    with running_daemon(journal, "--source", "simulated", "--stepped", "--job-sheet", sheet) as daemon:
        client = daemon.client()
        name = client.begin("six-string-648")
        wait_until(lambda: len(entries_of(journal, name)) == 1, "the sheet is in the record")
        told = f"said on the telephone: {CANARY}"
        written = run_command("job", name, "--journal", journal, "--note", told, "--by", f"by {CANARY}")
        assert (written.code, written.err) == (0, "")
        client.ask("/status")
        client.ask("/session/finish")
        client.ask("/session/abandon")
        client.until("/phase", "closed")
        sheet.write_text(f'custmer = "{CANARY}"\n')  # the mistake in it is told on standard output
        (second,) = client.ask("/session/begin", "six-string-648", "again (invented)", 2.0)
        client.ask("/subscribe")  # everything once more
        client.until("/alive")
        queried = []
        for query in ("", "?HOST_INFO", "bench/session?VALUE", "bench/record?VALUE"):
            with urllib.request.urlopen(f"http://127.0.0.1:{daemon.port}/{query}", timeout=PATIENCE_S) as answer:
                queried.append(answer.read().decode())
        code, lines, err = daemon.end()
    assert (code, err) == (0, "")
    assert f"session {name}: job sheet read from {sheet}" in lines
    assert any(line.startswith(f"session {second} has no job sheet ({sheet}: line 1: custmer") for line in lines)
    sent = [f"{address} {given}" for address, given in client.heard]
    assert len(sent) > 100
    assert any(name in one for one in sent)
    assert any(second in one for one in queried)
    assert [one for one in sent + queried if CANARY in one] == []
    entries = entries_of(journal, name)
    found = sheet_of(entries)
    assert found.fields() == {key: f"{key} {CANARY}" for key in LONGEST}
    assert [one.text for one in found.notes] == [f"note {CANARY}", told]
    assert [one.photograph.name for one in found.photographs] == [f"{CANARY}.jpg"]
    assert entries_of(journal, second) == ()
    with Journal.open(journal, readonly=True) as opened:
        assert job_fault(opened.row(name), entries) is None
        assert edited(opened.record(name)) is None
        assert CANARY not in str(opened.record(name)), "the sheet is no part of the events"


def test_a_job_sheet_with_a_mistake_is_refused_at_the_start(tmp_path: Path) -> None:
    (tmp_path / "sheet.toml").write_text("job = 7")
    for name, complaint in (("sheet.toml", "line 1: job: found 7"), ("none.toml", "there is no such job sheet")):
        got = run_command("serve", "--source", "simulated", "--port", "0", "--job-sheet", tmp_path / name)
        assert (got.code, got.out) == (2, "")
        assert complaint in got.complaint
