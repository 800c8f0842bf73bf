"""Whatever frames and marks there are, a search gives an answer within its bounds."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from canlens import discover
from canlens.plan import Mark
from canlens.reports.data_files import json_bytes
from canlens.reports.discovery_text import discovery_text
from canlens.reports.layout import display_width
from tests.unit.small_sessions import Sent, recorded

FRAMES = st.lists(
    st.tuples(
        st.integers(0, 3),
        st.floats(0, 60, allow_nan=False).map(lambda time_s: round(time_s, 3)),
        st.binary(max_size=12),
        st.integers(0, 2),
        st.integers(0, 1),
        st.integers(0, 1),
    ),
    max_size=60,
)
MARKS = st.lists(
    st.tuples(st.sampled_from(["horn", "brake", "rest"]), st.floats(-5, 70), st.none() | st.floats(0, 9)), max_size=12
)


@given(FRAMES, MARKS)
def test_any_frames_and_marks_give_an_answer(
    frames: list[tuple[int, float, bytes, int, int, int]], marks: list[tuple[str, float, float | None]]
) -> None:
    sent = [
        Sent(number, [time_s], [payload], kind=kind, channel=channel, segment=segment)
        for number, time_s, payload, kind, channel, segment in frames
    ]
    written = [Mark(at, label, None if held is None else at + held) for label, at, held in marks]
    written.append(Mark(3.0, "lamp", 5.0))
    result = discover(recorded(*sent, channels=("one", "two")), written)
    form = json.loads(json_bytes(result.to_dict()))
    assert set(form["controls"]) == {label for label, _, _ in marks if label != "rest"} | {"lamp"}
    for row in result.result.controls.values():
        assert row.named in (True, False)
        for each in (*row.candidates, *row.levels):
            assert 0 <= each.answered <= row.exercises
            assert 0 <= each.stray <= row.rests + row.others
            assert 0 <= each.single_chance <= 1
            assert 0 <= each.chance <= 1
            assert len(each.ticks) == len(row.slots)
            assert sum(map(bool, each.ticks)) == each.answered + each.stray
    assert max(map(display_width, discovery_text(result.result).splitlines())) <= 80
