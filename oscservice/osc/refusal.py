"""Refusals: a message that is not carried out is answered with ``/error``, a code and one line of text."""

from __future__ import annotations

from enum import IntEnum


class ErrorCode(IntEnum):
    """Second argument of ``/error``. The numbers are fixed: a client may compare them."""

    UNKNOWN_ADDRESS = 1
    WRONG_TYPES = 2
    OUT_OF_RANGE = 3
    WRONG_PHASE = 4
    NOT_FOUND = 5
    BAD_PACKET = 6
    TOO_MANY = 7
    REFUSED = 8
    FAILED = 9


class OscRefusal(Exception):
    """A message that is answered with ``/error`` instead of ``/reply``.

    Args:
        code: one of the fixed error codes.
        text: one line for the user: what was wrong, where, and what to do.
    """

    def __init__(self, code: ErrorCode, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text
