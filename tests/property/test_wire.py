"""Exact lengths against the bit-by-bit way and against the closed bounds, over frames of every form."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from canlens.wire import data_rate_bits, falling_edges, frame_bounds
from tests.reference import bit_by_bit
from tests.reference.bit_by_bit import FD_BYTES, Frame, at_data_rate, trace_of, wire

RUNS = st.sampled_from([0x00, 0xFF, 0x1F, 0xF8, 0x55, 0xE1, 0x3C])
"""Bytes that make and break runs of equal bits."""


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    """Draw a frame of any form, with payloads that are rich in runs."""
    is_extended = draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFF_FFFF if is_extended else 0x7FF) | st.sampled_from([0, 0x7FF, 0x78]))
    is_fd = draw(st.booleans())
    length = draw(st.sampled_from(FD_BYTES if is_fd else FD_BYTES[:9]))
    data = bytes(draw(st.lists(RUNS | st.integers(0, 255), min_size=length, max_size=length)))
    if is_fd:
        switch, indicator = draw(st.booleans()), draw(st.booleans())
        return Frame(identifier, data, is_extended, is_fd=True, bit_rate_switch=switch, error_state_indicator=indicator)
    if draw(st.booleans()):
        return Frame(identifier, b"", is_extended, is_remote=True, dlc=draw(st.integers(0, 15)))
    dlc = draw(st.integers(8, 15)) if length == 8 else length
    return Frame(identifier, data, is_extended, dlc=dlc)


@given(st.lists(frames(), max_size=12))
def test_every_frame_is_as_long_as_it_is_bit_by_bit(drawn: list[Frame]) -> None:
    trace = trace_of(drawn)
    assert trace.exact_bits().tolist() == [len(wire(frame)) for frame in drawn]
    assert data_rate_bits(trace).tolist() == [at_data_rate(frame) for frame in drawn]


@given(st.lists(frames(), max_size=12))
def test_a_frame_is_never_outside_its_bounds(drawn: list[Frame]) -> None:
    trace = trace_of(drawn)
    least, most = frame_bounds(trace)
    bits = trace.exact_bits()
    assert (least <= bits).all()
    assert (bits <= most).all()


@given(st.lists(frames(), max_size=12))
def test_falling_edges_are_those_seen_bit_by_bit(drawn: list[Frame]) -> None:
    assert falling_edges(trace_of(drawn)).tolist() == [bit_by_bit.falling_edges(frame) for frame in drawn]
