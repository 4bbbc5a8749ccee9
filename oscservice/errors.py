"""Errors a user can meet, each with the exit code a command ends with.

Exit codes (also in the README):

====  ==============================================================
0     done
1     the job ran but its goal was not reached (rehearsal, measuring, a check); a record was edited
2     bad input: an argument, a file or its content; a check could not judge something
3     the audio input is not there or was lost for good
4     the network port is taken or may not be used
5     the session journal cannot be used, or was not written by the end
====  ==============================================================

A message is one line: the mistake, its place, and what to do.
"""

from __future__ import annotations


class OscserviceError(Exception):
    """Base of every error that a user or the surroundings cause, never the program."""

    exit_code: int = 1


class InputError(OscserviceError):
    """An argument, a file or the content of a file can't be used."""

    exit_code = 2


class AudioInputError(OscserviceError):
    """The audio input is missing or gave up."""

    exit_code = 3


class PortError(OscserviceError):
    """The network port is taken or not allowed."""

    exit_code = 4


class JournalError(OscserviceError):
    """The session journal can't be opened, read or written."""

    exit_code = 5


class JournalUnavailableError(JournalError):
    """It can't be used for now: a full disk, a folder that can't be written, another program that locks it."""


class JournalDamagedError(JournalError):
    """The file has content that no oscservice has written."""


class NoNoteError(OscserviceError):
    """The samples have no note whose pitch could be read (silence, noise, too short, not finite)."""
