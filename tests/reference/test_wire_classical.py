"""Classical frames against published and recorded ones: check sequences, bit streams, bit counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.trace import Kind
from canlens.wire import (
    INTERMISSION_BITS,
    exact_bits,
    falling_edges,
    longest_bits,
    unstuffed_bits,
)
from canlens.wire.stuffing import CRC_15, Crc
from tests.reference.bit_by_bit import Frame, remainder, stuffed, trace_of, up_to_data, wire
from tests.reference.check_sequences import CRC_17, CRC_21, check_sequence

PATTERN = bytes.fromhex("123456789abcdef0")

# identifier, is_extended, DLC, CRC; the data are PATTERN, cut to the DLC.
# Source: I. Mohor, CAN Protocol Controller (freecores/can), bench/verilog/can_testbench.v.
PUBLISHED_CRC = [
    (0x741, False, 0, 0x2372),
    (0x741, False, 1, 0x30BB),
    (0x741, False, 2, 0x2DA1),
    (0x741, False, 3, 0x56A9),
    (0x741, False, 4, 0x3124),
    (0x741, False, 5, 0x6944),
    (0x741, False, 6, 0x5182),
    (0x741, False, 7, 0x391D),
    (0x741, False, 8, 0x70E0),
    (0x771, False, 0, 0x6CEA),
    (0x771, False, 1, 0x00C5),
    (0x771, False, 2, 0x7B4A),
    (0x501, False, 1, 0x2D9C),
    (0x501, False, 2, 0x46B4),
    (0x579, False, 0, 0x42CD),
    (0x579, False, 1, 0x555F),
    (0x579, False, 2, 0x6742),
    (0x14D60246, True, 0, 0x6F54),
    (0x14D60246, True, 1, 0x6D38),
    (0x14D60246, True, 2, 0x053E),
    (0x14D60246, True, 3, 0x5262),
    (0x14D60246, True, 4, 0x4BBA),
    (0x14D60246, True, 5, 0x4D7D),
    (0x14D60246, True, 6, 0x6F40),
    (0x14D60246, True, 7, 0x1730),
    (0x14D60246, True, 8, 0x2F7A),
    (0x14C00B54, True, 1, 0x1528),
    (0x14C00B55, True, 0, 0x23AA),
    (0x14C00B55, True, 1, 0x2D22),
    (0x14C00B55, True, 2, 0x3D2D),
]

# identifier, is_extended, DLC, CRC, positions of the stuff bits from 0, start of frame to end of frame; all
# remote frames. Source: the same test bench.
PUBLISHED_STREAMS = [
    (0x2AA, False, 7, 0x605B, [21, 26], "0010101010101000111110000010010110111011111111"),
    (0x2AB, False, 7, 0x4248, [], "00101010101110001111000010010010001011111111"),
    (0x14C00B54, True, 5, 0x6F2A, [19], "01010011000011000001010110101010010001011101111001010101011111111"),
    (
        0x14C00B51,
        True,
        5,
        0x00EC,
        [19, 45],
        "010100110000110000010101101010001100010100000100111011001011111111",
    ),
    (0x14C00B55, True, 5, 0x4D39, [19], "01010011000011000001010110101010110001011001101001110011011111111"),
]

# identifier, is_extended, is_remote, DLC, data, the recorder's own bit count, which includes the
# intermission. Source: python-can test/data/issue_1299.asc, logfile.asc, test_CanFdRemoteMessage.asc. The
# line of 6F9 in those files is one bit off in itself and left out.
RECORDED = [
    (0x180, False, False, 8, "6a00000000000000", 125),
    (0x221, False, False, 8, "c24a058100001510", 117),
    (0x3FF, False, False, 13, "55aa010203040506", 119),
    (0xF4, False, False, 8, "8a1a0df213000007", 118),
    (0x18EBFF00, True, False, 8, "01a00fa6603bd140", 141),
    (0x18EBFF00, True, False, 8, "021fde8025dfc02b", 140),
    (0x18EBFF00, True, False, 8, "03e1004bffff3c0f", 146),
    (0x18EBFF00, True, False, 8, "04004bffffffffff", 146),
    (0x6F8, False, False, 8, "ff000cfe00000000", 124),
    (0x50005, True, True, 5, "", 73),
]

# identifier, is_remote, DLC, data, stuff bits, bits. The frames are those of ISO 16845-1 test 8.1.6 as quoted
# in open compliance tests; the counts were computed by three routes apart from this program.
ISO_PATTERNS = [
    (0x78, False, 8, "01e1e1e1e1e1e1e1", 19, 127),
    (0x41F, False, 1, "00", 5, 57),
    (0x47F, False, 1, "1f", 3, 55),
    (0x758, False, 0, "", 2, 46),
    (0x777, False, 1, "1f", 2, 54),
    (0x7EF, True, 2, "", 4, 48),
]

# identifier, is_extended, data, bits without intermission, each counted by two other implementations.
OWN_COUNTS = [
    (0x000, False, "", 50),
    (0x123, False, "deadbeef", 78),
    (0x7FF, False, "ffffffffffffffff", 123),
    (0x000, False, "0000000000000000", 124),
    (0x555, False, "5555555555555555", 109),
    (0x123, False, "0102030405060708", 116),
    (0x078, False, "3c3c3c3c3c3c3c3c", 128),
    (0xCF00400, True, "ffffff204effffff", 140),
    (0x18FEF100, True, "ffffffffffffffff", 143),
    (0x0, True, "0000000000000000", 147),
    (0x7DF, False, "0100", 65),
    (0x123, False, "aaaa5555", 76),
]


@pytest.mark.parametrize(("identifier", "is_extended", "dlc", "published"), PUBLISHED_CRC)
def test_a_published_check_sequence_is_reproduced(
    *, identifier: int, is_extended: bool, dlc: int, published: int
) -> None:
    bits = up_to_data(Frame(identifier, PATTERN[:dlc], is_extended))
    assert check_sequence(np.array([bits], np.uint8), CRC_15).tolist() == [published]
    assert remainder(bits, 15, 0x4599) == published


def test_a_whole_column_of_frames_gets_its_check_sequences_at_once() -> None:
    rows = [row for row in PUBLISHED_CRC if row[2] == 2]
    bits = np.array([up_to_data(Frame(row[0], PATTERN[:2])) for row in rows if not row[1]], np.uint8)
    assert check_sequence(bits, CRC_15).tolist() == [row[3] for row in rows if not row[1]]


@pytest.mark.parametrize(
    ("crc", "published"),
    [
        (CRC_15, 0x059E),  # CRC-15/CAN
        (Crc(17, CRC_17.polynomial), 0x04F03),  # CRC-17/CAN-FD, register from 0 as in Bosch CAN FD 1.0
        (Crc(21, CRC_21.polynomial), 0x0ED841),  # CRC-21/CAN-FD, likewise
        (CRC_17, 0x09D9B),  # register from a leading one, ISO 11898-1:2015; computed by two other routes
        (CRC_21, 0x1323D8),
    ],
)
def test_the_check_value_of_the_crc_catalogue_is_reproduced(crc: Crc, published: int) -> None:
    # G. Cook, catalogue of parametrised CRC algorithms: the CRC of the nine characters "123456789".
    bits = np.unpackbits(np.frombuffer(b"123456789", np.uint8))
    assert check_sequence(bits[np.newaxis], crc).tolist() == [published]


@pytest.mark.parametrize(("identifier", "is_extended", "dlc", "crc", "positions", "stream"), PUBLISHED_STREAMS)
def test_a_published_bit_stream_is_reproduced(
    *, identifier: int, is_extended: bool, dlc: int, crc: int, positions: list[int], stream: str
) -> None:
    frame = Frame(identifier, b"", is_extended, is_remote=True, dlc=dlc)
    assert wire(frame) == stream
    bits = up_to_data(frame)
    assert stuffed(bits + [crc >> place & 1 for place in range(14, -1, -1)])[1] == positions
    assert trace_of([frame]).exact_bits().tolist() == [len(stream)]
    assert falling_edges(trace_of([frame])).tolist() == [f"1{stream}".count("10")]  # the idle bus is recessive


def test_a_check_sequence_that_ends_in_five_equal_bits_is_followed_by_a_stuff_bit() -> None:
    # Bosch CAN 2.0 (1991), 10.7: the CRC sequence is stuffed to its last bit. CRC 4E9F ends in five recessive
    # bits.
    frame = Frame(0x745, is_remote=True, dlc=7)
    assert wire(frame) == "011101000101100011110011101001111101011111111"
    assert trace_of([frame]).exact_bits().tolist() == [45]


def test_recorded_frames_have_the_bits_their_recorder_counted() -> None:
    frames = [
        Frame(identifier, bytes.fromhex(data), is_extended, is_remote, dlc)
        for identifier, is_extended, is_remote, dlc, data, _ in RECORDED
    ]
    counted = [row[-1] for row in RECORDED]
    assert (trace_of(frames).exact_bits() + INTERMISSION_BITS).tolist() == counted


def test_the_recorded_remote_frame_has_the_recorded_check_sequence() -> None:
    # python-can test/data/test_CanFdRemoteMessage.asc: 50005x, remote, DLC 5, CRC 7A60, 140 us at 500 kbit/s.
    frame = Frame(0x50005, is_extended=True, is_remote=True, dlc=5)
    assert check_sequence(np.array([up_to_data(frame)], np.uint8), CRC_15).tolist() == [0x7A60]
    assert trace_of([frame]).exact_bits().tolist() == [70]


@pytest.mark.parametrize(("identifier", "is_remote", "dlc", "data", "stuff_bits", "bits"), ISO_PATTERNS)
def test_the_stuffing_patterns_of_the_compliance_test_have_their_stuff_bits(
    *, identifier: int, is_remote: bool, dlc: int, data: str, stuff_bits: int, bits: int
) -> None:
    frame = Frame(identifier, bytes.fromhex(data), is_remote=is_remote, dlc=dlc)
    counted = int(trace_of([frame]).exact_bits()[0])
    assert counted == bits
    assert counted - int(unstuffed_bits(len(frame.data), is_extended=False)) == stuff_bits


def test_frames_counted_by_other_implementations_have_the_same_bits() -> None:
    frames = [Frame(identifier, bytes.fromhex(data), is_extended) for identifier, is_extended, data, _ in OWN_COUNTS]
    assert trace_of(frames).exact_bits().tolist() == [row[-1] for row in OWN_COUNTS]


def test_the_closed_forms_of_the_longest_frame_are_those_of_the_literature() -> None:
    # Davis, Burns, Bril, Lukkien (2007): 55 + 10 s and 80 + 10 s; Linux include/linux/can/length.h gives the
    # same. Both include the intermission.
    lengths = np.arange(9)
    assert (longest_bits(lengths, is_extended=False) + INTERMISSION_BITS).tolist() == (55 + 10 * lengths).tolist()
    assert (longest_bits(lengths, is_extended=True) + INTERMISSION_BITS).tolist() == (80 + 10 * lengths).tolist()


def test_the_unstuffed_lengths_are_those_of_the_specification() -> None:
    # Bosch CAN 2.0 (1991), figures of part A and part B: 44 + 8 N and 64 + 8 N, without intermission.
    lengths = np.arange(9)
    assert unstuffed_bits(lengths, is_extended=False).tolist() == (44 + 8 * lengths).tolist()
    assert unstuffed_bits(lengths, is_extended=True).tolist() == (64 + 8 * lengths).tolist()


def test_random_frames_carry_as_many_stuff_bits_as_the_run_length_chain_predicts() -> None:
    # Frames of fair coin bits: 3.283 stuff bits in a base frame of eight bytes, by the Markov chain of run
    # lengths.
    draw = np.random.default_rng(7)
    frames = [
        Frame(int(identifier), data.tobytes())
        for identifier, data in zip(
            draw.integers(0, 2048, 20_000), draw.integers(0, 256, (20_000, 8), np.uint8), strict=True
        )
    ]
    mean = float((trace_of(frames).exact_bits() - 108).mean())
    assert mean == pytest.approx(3.283, abs=4 * 1.626 / 20_000**0.5)


def test_error_records_have_no_bits() -> None:
    trace = trace_of([Frame(0x88, bytes(8)), Frame(0x123, bytes.fromhex("deadbeef"))])
    kind = np.array([Kind.ERROR, Kind.DATA], np.uint8)
    assert exact_bits(replace(trace, kind=kind)).tolist() == [0, 78]


def test_an_empty_trace_has_no_bits() -> None:
    assert trace_of([]).exact_bits().tolist() == []
