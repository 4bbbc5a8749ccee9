"""Defaults and limits that more than one part of the program uses.

The options of the commands use them: this module imports nothing, so the help is there at once.
"""

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 9787
"""UDP port that the daemon listens on."""

DEFAULT_ROOT = "/bench"
"""Root of all OSC addresses."""

DEFAULT_INSTRUMENT = "six-string-648-locking"
"""A preset."""

DEFAULT_TOLERANCE_CENTS = 2.0

LARGEST_LIMIT_CENTS = 100.0
"""Largest limit that a check of recordings takes."""

A4_HZ = 440.0
"""Standard tuning frequency of A4 in Hz (ISO 16:1975)."""

REFERENCE_RANGE_HZ = (380.0, 500.0)
"""Range of other frequencies of A4."""

INCH_MM = 25.4
"""An inch, exactly (international yard and pound agreement, 1959)."""

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000
"""Sample rates that can be measured."""

MOST_CHANNELS = 64
"""Most channels of a source or a recording."""
