"""oscservice: hears a fretted instrument's strings and says over OSC how each saddle has to move.

Library entry points:

* ``read_note(samples, sample_rate_hz, expected_hz=None) -> Reading``: the settled pitch of one whole note.
* ``window_pitch(samples, sample_rate_hz, expected_hz=None) -> WindowPitch``: the mean pitch over a stretch of a note.

They are imported when they are first used, so that the command line starts without the numerical libraries.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from oscservice.hearing.reading import Reading, WindowPitch, read_note, window_pitch

__all__ = ["Reading", "WindowPitch", "__version__", "read_note", "window_pitch"]

__version__ = "0.1.0"

if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        """An entry point of the library. Raises AttributeError for any other name."""
        if name not in __all__:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module("oscservice.hearing.reading"), name)
