"""The job sheet file of the daemon: read when a session begins, and added to the record.

The lines about it go to standard output only: nothing of a job sheet is sent, not even that there is one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from oscservice.errors import OscserviceError
from oscservice.record.event_chain import utc_text
from oscservice.record.job_file import login_name, read_job_file
from oscservice.record.job_sheet import JobChange
from oscservice.record.recorder import Recorder


class JobSheetIntake:
    """Reads a job sheet file for each session that begins.

    Args:
        path: the file.
        recorder: takes what it says.
        tell: takes one line for a person.
    """

    def __init__(self, path: Path, recorder: Recorder, tell: Callable[[str], None]) -> None:
        self._path = path
        self._recorder = recorder
        self._tell = tell
        self._tasks: set[asyncio.Task[None]] = set()
        self._last: tuple[str, JobChange] | None = None

    def session_begun(self, session_id: str) -> None:
        """Begin to read the file for a session; another thread computes the hashes of photographs."""
        task = asyncio.get_running_loop().create_task(self._take(session_id))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def end(self) -> None:
        """Wait until what was begun is in the record."""
        await asyncio.gather(*self._tasks)

    async def _take(self, session_id: str) -> None:
        amend = f"`oscservice job {session_id}` writes it"
        try:
            change = await asyncio.to_thread(read_job_file, self._path)
            self._recorder.add_to_job(session_id, change, utc_text(datetime.now(UTC)), login_name())
        except OscserviceError as error:
            self._tell(f"session {session_id} has no job sheet ({error}): {amend}")
            return
        self._tell(f"session {session_id}: job sheet read from {self._path}")
        if self._last is not None and self._last[1] == change:
            before = self._last[0]
            self._tell(f"that job sheet is the same as in session {before}: if this is another job, {amend}")
        self._last = session_id, change
