"""screen: what candump shows to a person, as can-utils (candump.c; lib.c, snprintf_long_canframe) writes it."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens import survey
from canlens.readers import ALL, read_trace
from canlens.trace import Kind, Trace
from tests.readers.formats import Format

if TYPE_CHECKING:
    import can


def shown(messages: list[can.Message]) -> str:
    """Show frames as ``candump`` does with absolute stamps and ``-x``."""
    return "".join(_shown(message) + "\n" for message in messages)


def _shown(message: can.Message) -> str:
    number = f"{message.arbitration_id:08X}" if message.is_extended_id else f"{message.arbitration_id:03X}"
    switch, indicator = "B" if message.bitrate_switch else "-", "E" if message.error_state_indicator else "-"
    flags = f"{'RX' if message.is_rx else 'TX'} {switch} {indicator}"
    length = f"[{message.dlc:02}]" if message.is_fd else f" [{message.dlc}]"
    data = " remote request" if message.is_remote_frame else "".join(f" {byte:02X}" for byte in message.data)
    return f" ({message.timestamp:017.6f})  can{message.channel}  {flags}  {number}  {length} {data}"


FORMAT = Format("candump screen", text=shown)

STAMP = " (0000000012.250000)  "


def read(*lines: str) -> Trace:
    """Read some lines."""
    return read_trace(io.BytesIO(("\n".join(lines) + "\n").encode()))


@pytest.mark.parametrize(
    ("shown", "is_extended", "identifier", "payload"),
    [
        ("can0  123   [8]  11 22 33 44 55 66 77 88", False, 0x123, "1122334455667788"),
        ("can0  7FF   [0] ", False, 0x7FF, ""),
        ("can0  7FF   [0]", False, 0x7FF, ""),
        ("can0       7FF   [1]  aB", False, 0x7FF, "AB"),
        ("can0  1ABCDEF0   [2]  11 22", True, 0x1ABCDEF0, "1122"),
        ("can0  00000123   [3]  01 02 03   '...'", True, 0x123, "010203"),
        ("can0  123   [8]  11 22 27 44 20 5B 38 5D   '.\"'D [8]'", False, 0x123, "112227442 05B385D".replace(" ", "")),
    ],
)
@pytest.mark.parametrize("stamp", [STAMP, ""])
def test_a_frame_comes_back(shown: str, identifier: int, payload: str, stamp: str, *, is_extended: bool) -> None:
    trace = read(stamp + shown)
    assert trace.problems == ()
    assert trace.identifier.tolist() == [identifier]
    assert trace.is_extended.tolist() == [is_extended]
    assert trace.payload[0] == bytes.fromhex(payload)
    assert trace.dlc.tolist() == [len(payload) // 2]
    assert (trace.channels, trace.kind[0], bool(trace.is_rx[0])) == (("can0",), Kind.DATA, True)
    assert trace.time_ns.tolist() == [12_250_000_000 if stamp else 0]
    assert trace.source.stamps == ("written" if stamp else "none")


@pytest.mark.parametrize(("length", "dlc"), [(0, 0), (8, 8), (12, 9), (16, 10), (20, 11), (24, 12), (32, 13), (64, 15)])
def test_an_fd_frame_has_two_digits_of_length(length: int, dlc: int) -> None:
    data = bytes(range(length))
    trace = read(f"{STAMP}can0  TX B E  123  [{length:02}]  {data.hex(' ').upper()}")
    assert (trace.is_fd[0], trace.dlc[0], trace.payload[0]) == (True, dlc, data)
    assert (trace.bit_rate_switch[0], trace.error_state_indicator[0], trace.is_rx[0]) == (True, True, False)


@pytest.mark.parametrize(("columns", "is_rx", "switch", "state"), [
    ("RX - -", True, False, False), ("TX - -", False, False, False), ("RX B -", True, True, False),
    ("RX - E", True, False, True),
])  # fmt: skip
def test_the_columns_of_x_are_read(columns: str, *, is_rx: bool, switch: bool, state: bool) -> None:
    trace = read(f"{STAMP}can0  {columns}  1ABCDEF0  [01]  11")
    assert (trace.is_rx[0], trace.bit_rate_switch[0], trace.error_state_indicator[0]) == (is_rx, switch, state)


def test_remote_requests_are_read_with_their_dlc() -> None:
    trace = read(f"{STAMP}can0  123   [5]  remote request", f"{STAMP}can0  00000123   [0]  remote request")
    assert trace.kind.tolist() == [Kind.REMOTE, Kind.REMOTE]
    assert trace.dlc.tolist() == [5, 0]
    assert trace.is_extended.tolist() == [False, True]


def test_the_raw_dlc_in_braces_is_kept() -> None:
    # lib.c, CANLIB_VIEW_LEN8_DLC
    trace = read(STAMP + "can0  123   {F}  11 22 33 44 55 66 77 88")
    assert (trace.dlc[0], trace.payload_length[0], trace.is_fd[0]) == (15, 8, False)


@pytest.mark.parametrize("bit", range(10))
@pytest.mark.parametrize("high", [0x20000000, 0x30000000])
def test_every_class_of_error_record_survives_with_its_bytes(bit: int, high: int) -> None:
    # linux/can/error.h
    trace = read(
        f"{STAMP}can0  {high | 1 << bit:08X}   [8]  01 02 03 04 05 06 07 88   ERRORFRAME",
        "\tcontroller-problem{rx-overflow,tx-error-passive}",
        "\terror-counter-tx-rx{{128}{0}}",
        "\tbus-off",
    )
    assert trace.kind.tolist() == [Kind.ERROR]
    assert trace.identifier.tolist() == [high & 0x1FFFFFFF | 1 << bit]
    assert trace.payload[0] == bytes.fromhex("0102030405060788")
    assert trace.problems == ()
    assert [remark.line for remark in trace.remarks] == [2, 3, 4]
    assert "tx-error-passive" in trace.remarks[0].text


def test_differences_are_added_up() -> None:
    steps = ["000.000000", "000.010000", "000.000250", "001.500000", "000.000100", "000.009000"]
    trace = read(*(f" ({step})  can0  123   [1]  11" for step in steps))
    assert trace.time_ns.tolist() == [0, 10_000_000, 10_250_000, 1_510_250_000, 1_510_350_000, 1_519_350_000]
    assert trace.source.stamps == "added up"
    assert not trace.segment.any()


def test_differences_that_are_all_the_same_are_added_up() -> None:
    steps = ["000.000000", "000.010000", "000.010000", "000.010000"]
    assert read(*(f" ({step})  can0  123   [1]  11" for step in steps)).time_ns.tolist() == [
        0,
        10**7,
        2 * 10**7,
        3 * 10**7,
    ]


def test_stamps_from_the_first_frame_on_are_taken_as_they_are() -> None:
    stamps = ["000.000000", "000.010000", *(f"{10 + number:03}.000000" for number in range(20)), "028.999000"]
    trace = read(*(f" ({stamp})  can0  123   [1]  11" for stamp in stamps))
    assert trace.time_ns.tolist() == [round(float(stamp) * 1e9) for stamp in stamps]
    assert trace.source.stamps == "written"


def test_dates_are_seconds() -> None:
    # 1436516252 is 2015-07-10 08:17:32 UTC (GNU date)
    trace = read(
        " (2015-07-10 08:17:32.249713)  can0  123   [1]  11",
        " (2015-07-10 08:17:33.000001)  can0  123   [1]  22",
        " (2015-13-10 08:17:33.000001)  can0  123   [1]  33",
    )
    assert trace.time_ns.tolist() == [1436516252_249713000, 1436516253_000001000]
    assert [(problem.line, "2015-13-10" in problem.found) for problem in trace.problems] == [(3, True)]


def test_many_dates_keep_their_lines() -> None:
    lines = [
        f" (2015-07-10 08:{number // 60 % 60:02}:{number % 60:02}.{number:06})  can0  123   [2]  "
        + number.to_bytes(2, "big").hex(" ")
        for number in range(20_000)
    ]
    trace = read(*lines)
    assert trace.line.tolist() == list(range(1, 20_001))
    assert np.array_equal(trace.payload.first8[:, 0].astype(int) << 8 | trace.payload.first8[:, 1], np.arange(20_000))
    assert trace.problem_count == 0


@pytest.mark.parametrize(
    "line",
    [
        "can0  123   [8]  11 22",  # bytes missing
        "can0  123   [1]  11 22",
        "can0  123   [9]  11",
        "can0  123  [13]  " + "00 " * 13,  # CAN FD has no 13 bytes (ISO 11898-1)
        "can0  800   [1]  11",
        "can0  20000004   [8]  00 00 00 00 00 00 00 00",  # an error record says ERRORFRAME
        "can0  123   [1]  1G",
        "can0  123   [1]  11   ERRORFRAME",
        "can0  123   [2]  11 22   'a'",
        "can0  123   [1]  11   can0  124   [1]  22",  # two lines run together
        "can0  123   [1]  11\0",
    ],
)
@pytest.mark.parametrize("stamp", [STAMP, ""])
@pytest.mark.parametrize("neighbours", [1, 40])
def test_a_line_that_is_no_frame_is_a_problem_and_its_neighbours_are_not(
    line: str, stamp: str, neighbours: int
) -> None:
    good = [stamp + "can0  123   [1]  11", stamp + "can0  12345678   [2]  11 22   '.\"'"]
    trace = read(*good * neighbours, stamp + line, *good * neighbours)
    assert len(trace) == 4 * neighbours
    assert [problem.line for problem in trace.problems] == [2 * neighbours + 1]


def test_a_line_without_stamp_among_stamped_ones_is_a_problem() -> None:
    trace = read(STAMP + "can0  123   [1]  11", "can0  123   [1]  11", STAMP + "can0  123   [1]  11")
    assert trace.line.tolist() == [1, 3]
    assert [problem.line for problem in trace.problems] == [2]


def test_only_this_reader_knows_the_form() -> None:
    for line in ("  can0  123   [1]  11", STAMP + "can0  123   [1]  11", "  can0  12345678   [0]"):
        assert [reader.name for reader in ALL if reader.recognises(line.encode())] == ["candump screen"]
    assert [reader.name for reader in ALL if reader.recognises(b"(1.5) can0 123#11")] == ["candump"]


def test_a_recording_without_stamps_says_so_and_nothing_is_measured_from_them() -> None:
    lines = [f"  can0  {0x100 + number % 7:03X}   [2]  11 {number % 256:02X}" for number in range(5000)]
    found = survey(read(*lines)).result
    assert found.recording.quality == "poor"
    assert "time stamps" in found.recording.quality_reasons[0]
    assert found.recording.frames == 5000
