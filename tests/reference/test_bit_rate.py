"""The bit rate inferred from recorded frames, and refused where the stamps cannot show it."""

from __future__ import annotations

from canlens.measures.bus_load.bit_rate import inferred_bit_rate
from canlens.wire import INTERMISSION_BITS
from tests.reference.bit_by_bit import Frame, trace_of

# python-can test/data/issue_1299.asc: four frames sent without a pause at 500 kbit/s.
RECORDED = [
    (13_258_199, Frame(0x180, bytes.fromhex("6a00000000000000"))),
    (13_258_433, Frame(0x221, bytes.fromhex("c24a058100001510"))),
    (13_258_671, Frame(0x3FF, bytes.fromhex("55aa010203040506"), dlc=13)),
    (13_258_907, Frame(0x0F4, bytes.fromhex("8a1a0df213000007"))),
]


def test_recorded_frames_without_a_pause_give_500_kbit_a_second() -> None:
    trace = trace_of([frame for _, frame in RECORDED], time_ns=[stamp * 1000 for stamp, _ in RECORDED])
    bit_rate, reason = inferred_bit_rate(trace)
    assert bit_rate == 500_000
    assert "the end of a frame" in reason


def test_the_recorded_gaps_are_the_bits_of_the_later_frame() -> None:
    trace = trace_of([frame for _, frame in RECORDED], time_ns=[stamp * 1000 for stamp, _ in RECORDED])
    bits = trace.exact_bits() + INTERMISSION_BITS
    assert bits[1:].tolist() == [117, 119, 118]
    assert (bits[1:] * 2000).tolist() == [234_000, 238_000, 236_000]


def test_the_stamps_of_a_virtual_bus_are_refused() -> None:
    # python-can test/data/issue_1256.asc: 34 us from a frame of four bytes to one of eight.
    trace = trace_of([Frame(0x100, bytes(4)), Frame(0x101, b"\x55" * 8)], time_ns=[0, 34_000])
    bit_rate, reason = inferred_bit_rate(trace)
    assert bit_rate is None
    assert "virtual bus" in reason
