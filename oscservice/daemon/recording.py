"""How the record stands, as topics and as lines for a person: a standing warning while it is in memory only."""

from __future__ import annotations

from oscservice.daemon.told import MOST_CHARACTERS, Topic
from oscservice.record.recorder import Recorder

RECORDING, IN_MEMORY = "recording", "in memory"


class Recording:
    """Watches a recorder; without one, all is well."""

    def __init__(self, recorder: Recorder | None) -> None:
        self._recorder = recorder
        self._told = ""
        self._unsent: list[str] = []

    def topics(self) -> dict[str, Topic]:
        """Whether what is announced is on the disk, and why not."""
        fault = self._recorder.fault if self._recorder is not None else ""
        return {"/record/state": (IN_MEMORY if fault else RECORDING,), "/record/fault": (fault[:MOST_CHARACTERS],)}

    def news(self) -> list[str]:
        """Lines that have not been given yet; they are also to be sent, once somebody listens."""
        if self._recorder is None:
            return []
        lines = [line[:MOST_CHARACTERS] for line in self._recorder.take_notes()]
        fault = self._recorder.fault
        if fault and fault != self._told:
            lines.append(f"recording in memory only, and lost if the daemon ends: {fault}"[:MOST_CHARACTERS])
        elif self._told and not fault:
            lines.append("recording again: everything held in memory is written")
        self._told = fault
        self._unsent += lines
        return lines

    def to_send(self, heard: bool) -> list[str]:
        """The lines to send now, if anybody hears them."""
        if not heard:
            return []
        lines, self._unsent = self._unsent, []
        return lines
