"""Whatever can be measured goes into text and back without losing a bit."""

from __future__ import annotations

import pickle
from dataclasses import fields

from hypothesis import given
from hypothesis import strategies as st

from oscservice.archive.file_measurement import IgnoredSound, MeasuredFile, NoteFound, from_text, to_text
from oscservice.hearing.reading import Reading

numbers = st.floats(allow_nan=False)  # a reading holds infinities where something could not be known
tuples = {
    "partials": st.lists(st.integers(1, 40)).map(tuple),
    "flags": st.lists(st.text()).map(tuple),
}
readings = st.builds(Reading, **{field.name: tuples.get(field.name, numbers) for field in fields(Reading)})
channels = st.integers(1, 64)
found = st.one_of(
    st.builds(NoteFound, channels, numbers, readings), st.builds(IgnoredSound, channels, numbers, st.text())
)
files = st.builds(
    MeasuredFile,
    sample_rate_hz=st.integers(8000, 192000),
    channels=channels,
    found=st.lists(found, max_size=5).map(tuple),
    levels_dbfs=st.lists(numbers, max_size=4).map(tuple),
    flags=st.lists(st.text(), max_size=3).map(tuple),
)


@given(files)
def test_a_measured_file_comes_back_bit_for_bit(measured: MeasuredFile) -> None:
    text = to_text(measured)
    assert text.isascii()
    assert "\n" not in text
    back = from_text(text)
    assert back == measured
    assert to_text(back) == text  # -0.0 equals 0.0, its text doesn't
    assert {type(value) for one in back.notes for value in vars(one.reading).values()} <= {float, tuple}
    assert pickle.loads(pickle.dumps(back)) == measured
