"""oscservice: hears a fretted instrument's strings and says over OSC how each saddle has to move.

Library entry points:

* ``read_note(samples, sample_rate_hz, expected_hz=None) -> Reading``: the settled pitch of one whole note.
* ``window_pitch(samples, sample_rate_hz, expected_hz=None) -> WindowPitch``: the mean pitch over a stretch of a note.
"""

from oscservice.hearing.reading import Reading, WindowPitch, read_note, window_pitch

__all__ = ["Reading", "WindowPitch", "__version__", "read_note", "window_pitch"]

__version__ = "0.1.0"
