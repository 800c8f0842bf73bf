"""candump: every kind of frame and of error record, as can-utils (lib.c, linux/can/error.h) writes them."""

from __future__ import annotations

import io

import pytest

from canlens.readers import read_trace
from canlens.trace import Kind, Trace
from tests.readers.formats import Format

FORMAT = Format("candump", ".log", writes_length=False)


def read(*lines: str) -> Trace:
    """Read some lines."""
    return read_trace(io.BytesIO("\n".join(lines).encode()))


def test_a_frame_of_the_manual_comes_back() -> None:
    # can-utils, candump.c: "(1436509052.249713) vcan0 044#2A366C2BBA"
    trace = read("(1436509052.249713) vcan0 044#2A366C2BBA")
    assert trace.time_ns.tolist() == [1436509052_249713000]
    assert trace.channels == ("vcan0",)
    assert trace.identifier.tolist() == [0x44]
    assert not trace.is_extended[0]
    assert trace.payload[0] == bytes.fromhex("2A366C2BBA")
    assert trace.dlc.tolist() == [5]
    assert trace.line.tolist() == [1]


@pytest.mark.parametrize(
    ("data", "kind", "dlc", "payload"),
    [
        ("", Kind.DATA, 0, ""),
        ("aAbB", Kind.DATA, 2, "AABB"),
        ("R", Kind.REMOTE, 0, ""),
        ("R0", Kind.REMOTE, 0, ""),
        ("R8", Kind.REMOTE, 8, ""),
        ("R8_F", Kind.REMOTE, 15, ""),
        ("1122334455667788_9", Kind.DATA, 9, "1122334455667788"),
        ("1122334455667788_F", Kind.DATA, 15, "1122334455667788"),
    ],
)
def test_every_classical_form_of_data_is_understood(data: str, kind: Kind, dlc: int, payload: str) -> None:
    trace = read(f"(1.5) can0 123#{data}")
    assert (trace.kind[0], trace.dlc[0], trace.payload[0]) == (kind, dlc, bytes.fromhex(payload))
    assert not trace.is_fd[0]


@pytest.mark.parametrize("flags", range(16))
def test_fd_flags_are_a_hexadecimal_digit(flags: int) -> None:
    # linux/can.h: CANFD_BRS 0x01, CANFD_ESI 0x02, CANFD_FDF 0x04; python-can 4.6.1 reads one decimal digit
    trace = read(f"(1.5) can0 1ABCDEF0##{flags:X}" + "00" * 12)
    assert trace.is_fd[0]
    assert trace.bit_rate_switch[0] == bool(flags & 1)
    assert trace.error_state_indicator[0] == bool(flags & 2)
    assert (trace.dlc[0], trace.payload_length[0]) == (9, 12)
    assert trace.is_extended[0]


@pytest.mark.parametrize(
    ("stamp", "time_ns"),
    [
        ("1.5", 1_500_000_000),
        ("0000000012.249", 12_249_000_000),
        ("  12.25", 12_250_000_000),
        ("1436509052.24971388", 1436509052_249713880),
        ("1436509052.249713881", 1436509052_249713881),
        ("0.000001", 1_000),
        ("9223372035.999999999", 9223372035_999999999),
    ],
)
def test_every_form_of_time_stamp_is_exact(stamp: str, time_ns: int) -> None:
    assert read(f"({stamp}) can0 123#00").time_ns.tolist() == [time_ns]


@pytest.mark.parametrize(("suffix", "is_rx"), [("", True), (" R", True), (" T", False), (" r", True), (" t", False)])
def test_the_direction_is_read_where_it_is_written(suffix: str, *, is_rx: bool) -> None:
    trace = read(f"(1.5) can0 123#1122{suffix}")
    assert trace.is_rx.tolist() == [is_rx]
    assert trace.payload[0] == b"\x11\x22"


@pytest.mark.parametrize("name", ["0", "slcan12", "a-long_name.of:15", "ブレーキ", "x" * 40])
def test_channels_keep_their_names(name: str) -> None:
    trace = read(f"(1.5) {name} 123#11", "(1.6) can0 123#22", f"(1.7) {name} 123#33")
    assert trace.channels == (name, "can0")
    assert trace.channel.tolist() == [0, 1, 0]


@pytest.mark.parametrize("bit", range(10))
def test_every_class_of_error_record_survives_with_its_bytes(bit: int) -> None:
    # linux/can/error.h: classes 0x001 to 0x100 and the counters, 0x200; python-can 4.6.1 loses or mistakes all
    trace = read(f"(1.5) can0 {0x20000000 | 1 << bit:08X}#0102030405060788")
    assert trace.kind.tolist() == [Kind.ERROR]
    assert trace.identifier.tolist() == [1 << bit]
    assert trace.payload[0] == bytes.fromhex("0102030405060788")
    assert not trace.is_extended[0]
    assert trace.channels == ("can0",)


@pytest.mark.parametrize(
    "line",
    [
        "20000088#0000900000000000",
        "20000004#0008000000006000",
        "20000004#0020000000008800",
        "20000020#000000000000887F",
        "20000040#0000000000000000",
    ],
)
def test_error_records_of_public_logs_survive(line: str) -> None:
    # pi-hats issue 18, CANopenNode issue 319, candleLight_fw issue 179
    trace = read(f"(1.5) can0 {line}")
    assert trace.kind.tolist() == [Kind.ERROR]
    assert trace.identifier.tolist() == [int(line[:8], 16) & 0x1FFFFFFF]
    assert trace.payload[0].hex().upper() == line[9:]


@pytest.mark.parametrize(
    "line",
    [
        "(1.5) can0 123#123",  # half a byte
        "(1.5) can0 123#112233445566778899",  # nine bytes
        "(1.5) can0 800#00",  # twelve bits
        "(1.5) can0 1234#00",  # can-utils lib.c: three or eight digits
        "(1.5) can0 123#11(1.6) can0 124#22",  # two lines run together
        "(1.5) can0 123##",
        "(1.5) can0 123#R9F",
        "(1.5) can0 123#1122_9",
        "(1.5) c\x07n0 123#11",
        "(1.5 can0 123#11",
        "(x.5) can0 123#11",
        "(9223372037.0) can0 123#11",
        "(1.5) can0 123#11 X",
        "(1.5) can0 12G#11",
        "(1.5) can0 123#1G",
        "(1.5) can0 123#1:",
        "(1.5) can0 123#@1",
        "(1.5) can0 123#`1",
        "(1.:) can0 123#11",
    ],
)
@pytest.mark.parametrize("neighbours", [1, 40])
def test_a_line_that_is_no_frame_is_a_problem_and_its_neighbours_are_not(line: str, neighbours: int) -> None:
    good = ["(1.5) can0 123#11", "(1.6) can0 12345678#1122", "(1.7) can0 123#11 R"]
    trace = read(*good * neighbours, line, *good * neighbours)
    assert len(trace) == 6 * neighbours
    assert [problem.line for problem in trace.problems] == [3 * neighbours + 1]
    assert trace.problems[0].found.startswith(line[:5])


def test_blank_lines_are_no_problem_but_count_as_lines() -> None:
    trace = read("(1.5) can0 123#11", "", "  ", "(1.6) can0 123#22")
    assert trace.line.tolist() == [1, 4]
    assert trace.problems == ()


def test_a_clock_that_steps_back_begins_a_segment_and_disorder_does_not() -> None:
    trace = read(*(f"({stamp}) can0 123#11" for stamp in ("100.0", "100.5", "100.4", "3.0", "4.0", "2.9")))
    assert trace.segment.tolist() == [0, 0, 0, 1, 1, 2]
    assert trace.time_ns[3] == 3_000_000_000


def test_more_channels_than_can_be_told_apart_are_problems() -> None:
    trace = read(*(f"(1.5) n{number} 123#11" for number in range(33_000)))
    assert len(trace) == 32_000
    assert trace.problem_count == 1_000
