"""Recessive-to-dominant edges of frames, counted and drawn."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canlens.rehearsal.draws import Draws
from canlens.rehearsal.faulty_bus import count_edges, draw_edges
from tests.reference.bit_by_bit import Frame, trace_of, wire

FRAMES = st.one_of(
    st.builds(Frame, st.integers(0, 0x7FF), st.binary(max_size=8)),
    st.builds(Frame, st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.just(True)),
)


@given(st.lists(FRAMES, min_size=1, max_size=8))
def test_edges_are_those_of_the_frame_bit_by_bit(frames: list[Frame]) -> None:
    # Bosch CAN 2.0 (1991), 3.1.1: the idle bus is recessive, the acknowledge slot dominant
    rows = np.arange(len(frames))
    assert count_edges(trace_of(frames), rows).tolist() == [("1" + wire(frame)).count("10") for frame in frames]


@given(st.lists(FRAMES, min_size=1, max_size=8), st.integers(0, 99))
def test_a_drawn_edge_is_one_of_them(frames: list[Frame], seed: int) -> None:
    places = draw_edges(trace_of(frames), np.arange(len(frames)), Draws(seed, "edges"))
    for frame, place in zip(frames, places.tolist(), strict=True):
        line = wire(frame)
        assert "10" in (line[place - 1 : place + 1], line[place : place + 2])
