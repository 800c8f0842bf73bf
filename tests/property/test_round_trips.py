"""Frames drawn by Hypothesis and written in every format come back as far as the format can hold them."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import can
from hypothesis import given, settings
from hypothesis import strategies as st

from canlens.readers import read_trace
from tests.readers.formats import EPOCH_S, Format, expected, facts
from tests.readers.registry import every

LENGTHS = st.integers(0, 8)
FD_LENGTHS = st.sampled_from([0, 1, 8, 12, 16, 20, 24, 32, 48, 64])
STEP_S = 0.0009765625  # 2**-10: held exactly by a float; of milliseconds or microseconds only every so many steps are
WHOLE_STEPS = 64  # 0.0625 s, which each format holds


@st.composite
def drawn_messages(draw: st.DrawFn, form: Format) -> list[can.Message]:
    """Draw some messages as the format can hold them, in order of time."""
    steps = draw(st.lists(st.integers(0, 1000), min_size=1, max_size=20))
    now = 0
    out = []
    for step in steps:
        now += step * WHOLE_STEPS
        is_fd = form.holds_fd and draw(st.booleans())
        is_remote = form.holds_remote and not is_fd and draw(st.booleans())
        is_extended = form.holds_extended and draw(st.booleans())
        length = draw(FD_LENGTHS if is_fd else LENGTHS)
        fields: dict[str, Any] = {
            "timestamp": EPOCH_S + STEP_S * now,
            "arbitration_id": draw(st.integers(0, 0x1FFFFFFF if is_extended else 0x7FF)),
            "is_extended_id": is_extended,
            "is_remote_frame": is_remote,
            "is_fd": is_fd,
            "bitrate_switch": is_fd and draw(st.booleans()),
            "error_state_indicator": is_fd and draw(st.booleans()),
            "is_rx": draw(st.booleans()),
            "channel": draw(st.integers(0, 1)),
            "dlc": length,
            "data": None if is_remote else draw(st.binary(min_size=length, max_size=length)),
        }
        out.append(can.Message(**fields))
    return out


@every(lambda form: not form.needs)  # asammdf takes a quarter of a second a file
@settings(deadline=None, max_examples=40)
@given(data=st.data())
def test_what_is_written_comes_back(form: Format, data: st.DataObject) -> None:
    messages = data.draw(drawn_messages(form))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a{form.suffix}"
        form.write(path, messages)
        trace = read_trace(path)
    assert trace.problems == ()
    assert facts(trace, form) == expected(messages, form)
