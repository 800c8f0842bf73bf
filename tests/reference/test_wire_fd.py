"""CAN FD frames: lengths per DLC, the part at the data bit rate, stuff bits at the end of the data."""

from __future__ import annotations

import numpy as np
import pytest

from canlens.wire import (
    INTERMISSION_BITS,
    data_rate_bits,
    frame_bounds,
    frame_seconds,
    longest_bits,
    unstuffed_bits,
)
from tests.reference.bit_by_bit import (
    FD_BYTES,
    GRAY,
    Frame,
    at_data_rate,
    crc_of,
    stuffed,
    trace_of,
    up_to_data,
    wire,
)
from tests.reference.check_sequences import CRC_17, CRC_21, check_sequence

RAMP = bytes(range(64))

# identifier, is_extended, data, CRC, dynamic stuff bits, bits. No published CAN FD frame with its CRC was
# found; these were computed by two other routes. ISO frames, bit rate switched, sender error active.
COUNTED = [
    (0x123, False, b"", 0x1ED12, 0, 59),
    (0x123, False, bytes(8), 0x18643, 13, 136),
    (0x123, False, RAMP[:8], 0x1D87D, 9, 132),
    (0x1ABCDEF0, True, RAMP[:16], 0x19300, 15, 221),
    (0x555, False, RAMP[:20], 0xB2EDF, 15, 239),
    (0x7FF, False, b"\xff" * 64, 0xF6D3D, 105, 681),
]


def _frame(identifier: int, data: bytes, *, is_extended: bool = False) -> Frame:
    return Frame(identifier, data, is_extended, is_fd=True, bit_rate_switch=True)


@pytest.mark.parametrize(("identifier", "is_extended", "data", "crc", "stuff_bits", "bits"), COUNTED)
def test_a_frame_has_the_stuff_bits_the_length_and_the_check_sequence_counted_elsewhere(
    *, identifier: int, is_extended: bool, data: bytes, crc: int, stuff_bits: int, bits: int
) -> None:
    frame = _frame(identifier, data, is_extended=is_extended)
    on_wire, positions = stuffed(up_to_data(frame), after_last=False)
    assert len(positions) == stuff_bits
    covered = on_wire + [int(bit) for bit in GRAY[stuff_bits % 8]]
    kind = CRC_17 if len(data) <= 16 else CRC_21
    assert check_sequence(np.array([covered], np.uint8), kind).tolist() == [crc]
    assert crc_of(frame) == crc
    assert len(wire(frame)) == bits
    assert trace_of([frame]).exact_bits().tolist() == [bits]


def test_lengths_without_stuff_bits_are_those_of_the_kernel() -> None:
    # Linux include/linux/can/length.h (2023), with intermission: 62 + 8 n and 67 + 8 n, extended 81 + 8 n and
    # 86 + 8 n.
    lengths = np.array(FD_BYTES)
    base = np.where(lengths <= 16, 62, 67) + 8 * lengths
    extended = np.where(lengths <= 16, 81, 86) + 8 * lengths
    assert (unstuffed_bits(lengths, is_extended=False, is_fd=True) + INTERMISSION_BITS).tolist() == base.tolist()
    assert (unstuffed_bits(lengths, is_extended=True, is_fd=True) + INTERMISSION_BITS).tolist() == extended.tolist()


def test_the_bound_of_the_stuff_bits_is_that_of_the_kernel_less_the_one_the_fixed_stuff_bit_replaces() -> None:
    # Linux include/linux/can/length.h: floor((n - 1) / 4), for extended frames one more than can occur, since
    # the fixed stuff bit at the start of the CRC field takes the place of the last one (Bosch, CRC for CAN
    # FD, section 5).
    lengths = np.array(FD_BYTES)
    stuff = longest_bits(lengths, is_extended=False, is_fd=True) - unstuffed_bits(
        lengths, is_extended=False, is_fd=True
    )
    assert stuff.tolist() == ((22 + 8 * lengths - 1) // 4).tolist()
    stuff = longest_bits(lengths, is_extended=True, is_fd=True) - unstuffed_bits(lengths, is_extended=True, is_fd=True)
    assert stuff.tolist() == ((41 + 8 * lengths - 1) // 4 - 1).tolist()


def test_the_part_at_the_data_bit_rate_is_that_of_the_specification() -> None:
    # Bosch CAN FD 1.0 (2012), section 8: with the switch counted as nominal and the CRC delimiter as data, 33
    # + 8 n bits up to 16 bytes and 38 + 8 n above run at the data bit rate; 29 nominal bits remain (48
    # extended), intermission included. A payload of 0x55 (and the DLCs below) calls for no stuff bits behind
    # the switch.
    for length in (4, 16, 32, 64):
        for is_extended, nominal in ((False, 29), (True, 48)):
            data = b"\x55" * length
            trace = trace_of([_frame(0x2AAAAAA if is_extended else 0x2AA, data, is_extended=is_extended)])
            least, _ = frame_bounds(trace)
            fast = data_rate_bits(trace)
            assert fast.tolist() == [8 * length + (33 if length <= 16 else 38)]
            assert (least - fast + INTERMISSION_BITS).tolist() == [nominal]


def test_the_longest_data_phase_is_the_published_one_less_what_iso_added() -> None:
    # A conference paper quoted at electronics.stackexchange.com/q/284797 gives 673 bits for 64 bytes in a
    # non-ISO frame: 1 + 4 + 512 + 128 stuff bits + 21 + 6 + 1. An ISO frame adds the stuff count of 4 bits
    # and one fixed stuff bit.
    trace = trace_of([_frame(0x2AA, bytes(64))])
    assert int(data_rate_bits(trace)[0]) <= 673 + 4 + 1


def test_five_equal_bits_at_the_end_of_the_data_call_for_no_stuff_bit_of_their_own() -> None:
    # Bosch, CRC for CAN with flexible data rate, section 5: the fixed stuff bit takes the place of the
    # dynamic one.
    ends_in_run, ends_before = trace_of([_frame(0x2AA, b"\x55\x5f"), _frame(0x2AA, b"\x55\x57")]).exact_bits().tolist()
    assert ends_in_run == ends_before
    assert trace_of([Frame(0x2AA, b"\x55\x5f")]).exact_bits()[0] != ends_in_run


def test_bits_at_the_data_rate_are_counted_only_where_the_bit_rate_is_switched() -> None:
    frames = [Frame(0x123, bytes(8), is_fd=True), Frame(0x123, bytes(8)), _frame(0x123, bytes(8))]
    fast = data_rate_bits(trace_of(frames))
    assert fast.tolist() == [0, 0, at_data_rate(frames[2])]


def test_a_remote_frame_never_has_the_form_of_can_fd() -> None:
    # Bosch CAN FD 1.0 (2012), 3.2.2: there are no remote frames in CAN FD format, though recorders mark some
    # so.
    plain = Frame(0x50005, is_extended=True, is_remote=True, dlc=5)
    marked = Frame(0x50005, is_extended=True, is_remote=True, dlc=5, is_fd=True, bit_rate_switch=True)
    trace = trace_of([plain, marked])
    assert trace.exact_bits().tolist() == [70, 70]
    assert data_rate_bits(trace).tolist() == [0, 0]


def test_a_frame_lasts_as_long_as_its_bits_at_their_two_rates() -> None:
    # 29 nominal bits less the intermission at 500 kbit/s, 33 + 32 bits at 2 Mbit/s: 52 us + 32.5 us.
    trace = trace_of([_frame(0x2AA, b"\x55" * 4)])
    seconds = frame_seconds(
        trace.exact_bits(), at_data_rate=data_rate_bits(trace), bit_rate=500_000, data_bit_rate=2_000_000
    )
    stuff = int(trace.exact_bits()[0] - frame_bounds(trace)[0][0])
    assert seconds[0] == pytest.approx((26 + stuff) / 500_000 + 65 / 2_000_000)


def test_without_a_data_bit_rate_all_bits_last_as_long_as_nominal_ones() -> None:
    trace = trace_of([_frame(0x2AA, b"\x55" * 4)])
    seconds = frame_seconds(trace.exact_bits(), at_data_rate=data_rate_bits(trace), bit_rate=500_000)
    assert seconds[0] == pytest.approx(int(trace.exact_bits()[0]) / 500_000)
