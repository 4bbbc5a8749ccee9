"""Defaults that more than one part of the program uses."""

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 9787
"""UDP port that the daemon listens on."""

DEFAULT_ROOT = "/bench"
"""Root of all OSC addresses."""

DEFAULT_INSTRUMENT = "six-string-648"
"""A preset."""

DEFAULT_TOLERANCE_CENTS = 2.0
