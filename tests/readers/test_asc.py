# ruff: noqa: E501 – lines of logs are as long as they are
"""ASC: the dialects of the format; forms after the sample files of python-can 4.6.1 (test/data)."""

from __future__ import annotations

import io

import pytest

from canlens.readers import read_trace
from canlens.trace import Kind, Trace
from tests.readers.formats import Format

FORMAT = Format("asc", ".asc", first_line=6, end=b"End TriggerBlock", is_absolute=False)

HEADER = (
    "date Sam Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute\ninternal events logged\n"
    "// version 9.0.0\nBegin Triggerblock Sam Sep 30 15:06:13.191 2017\n   0.000000 Start of measurement\n"
)
FRAME = "  17.876708 1  6F9             Rx   d 8 05 0C 00 00 00 00 00 00"


def read(text: str) -> Trace:
    """Read a text."""
    return read_trace(io.BytesIO(text.encode()))


def one(line: str) -> Trace:
    """Read one line under the usual header; it must be a frame."""
    trace = read(HEADER + line + "\n")
    assert len(trace) == 1
    assert trace.problems == ()
    return trace


def test_a_frame_comes_back() -> None:
    trace = one(FRAME + "  Length = 240015 BitCount = 124 ID = 1785")
    assert trace.time_ns.tolist() == [17_876708000]
    assert trace.channels == ("1",)
    assert (trace.identifier[0], trace.dlc[0], trace.payload[0]) == (0x6F9, 8, bytes.fromhex("050C000000000000"))
    assert trace.is_rx[0]
    assert trace.line.tolist() == [7]


def test_the_first_frame_of_a_file_without_header_is_kept() -> None:
    # python-can 4.6.1 loses it
    assert len(read(f"{FRAME}\n{FRAME}\n")) == 2


def test_decimal_commas_are_understood() -> None:
    # python-can 4.6.1 gives no frames and no error
    assert read(FRAME.replace("17.876708", "17,876708")).time_ns.tolist() == [17_876708000]


def test_relative_stamps_add_up_over_frames_and_events() -> None:
    # python-can 4.6.1 does not accumulate: 1.0, 0.5, 0.5
    lines = [
        "base hex  timestamps relative",
        "1.0 1 123 Rx d 0",
        "0.5 1 123 Rx d 0",
        "0.25 CAN 1 Status:chip status",
        "0.5 1 123 Rx d 0",
    ]
    assert read("\n".join(lines)).time_ns.tolist() == [1_000_000_000, 1_500_000_000, 2_250_000_000]


def test_relative_stamps_add_up_over_many_blocks() -> None:
    count = 120_000
    trace = read("base hex  timestamps relative\n" + "   0.001000 1  123             Rx   d 2 11 22\n" * count)
    assert len(trace) == count
    assert trace.time_ns[-1] == count * 1_000_000


def test_a_decimal_base_is_read_as_such() -> None:
    trace = read(
        "base dec timestamps absolute\n 1.0 1 291 Rx d 3 9 16 255\n 2.0 1 419118336x Tx d 0\n 3.0 1 99 Rx d 1 300\n"
    )
    assert trace.identifier.tolist() == [291, 419118336]
    assert trace.payload[0] == bytes([9, 16, 255])
    assert trace.is_extended.tolist() == [False, True]
    assert [problem.line for problem in trace.problems] == [4]


def test_a_base_that_changes_in_the_file_holds_from_there_on() -> None:
    part = "".join(f" {number}.0 1 11 Rx d 1 10\n" for number in range(50_000))
    trace = read(
        f"base hex timestamps absolute\n{part}base dec timestamps absolute\n{part}base hex timestamps absolute\n{part}"
    )
    assert len(trace) == 150_000
    assert set(trace.identifier[:50_000].tolist()) == {0x11}
    assert set(trace.identifier[50_000:100_000].tolist()) == {11}
    assert set(trace.payload.first8[50_000:100_000, 0].tolist()) == {10}
    assert set(trace.identifier[100_000:].tolist()) == {0x11}
    assert trace.line[[0, 50_000, 100_000]].tolist() == [2, 50_003, 100_004]


def test_a_dlc_above_eight_means_eight_bytes() -> None:
    # python-can test/data/issue_1299.asc; python-can 4.6.1 tells a DLC of 32
    trace = one(
        "  13.258671 1  3FF             Tx   d D 55 AA 01 02 03 04 05 06  Length = 232016 BitCount = 119 ID = 1023"
    )
    assert (trace.dlc[0], trace.payload_length[0]) == (13, 8)
    assert not trace.is_rx[0]


@pytest.mark.parametrize(
    ("line", "dlc"), [("2.5 2 100 Tx r", 0), ("2.5 4 300 TxRq r 8 Length = 1704000 BitCount = 145 ID = 88888888x", 8)]
)
def test_remote_frames_keep_their_dlc(line: str, dlc: int) -> None:
    trace = one(line)
    assert (trace.kind[0], trace.dlc[0], trace.payload[0]) == (Kind.REMOTE, dlc, b"")


def test_fd_frames_keep_flags_and_bytes() -> None:
    tail = "   102203  133   303000 e0006659 46500250 4b140250 20011736 2001040d"
    trace = read(
        f"{HEADER}  30.005021 CANFD   1 Rx        300                                   1 0 8  8 11 c2 03 04 05 06 07 08{tail}\n"
        f"  30.005071 CANFD   3 Tx        1C4D80A7x  Generic_Name_12                  0 1 f 64 {' '.join(['aB'] * 64)}{tail}\n"
    )
    assert trace.problems == ()
    assert trace.is_fd.tolist() == [True, True]
    assert trace.bit_rate_switch.tolist() == [True, False]
    assert trace.error_state_indicator.tolist() == [False, True]
    assert [trace.payload[0], trace.payload[1]] == [bytes.fromhex("11c2030405060708"), b"\xab" * 64]
    assert trace.is_extended.tolist() == [False, True]


def test_a_remote_frame_on_an_fd_line_is_classical() -> None:
    # python-can 4.6.1 calls it an FD frame; Bosch CAN FD 1.0 has no remote frames
    trace = one(
        "  30.300981 CANFD   3 Tx     50005x                                0 1 5 0 140000 73 200050 7a60 46500250"
    )
    assert (trace.kind[0], trace.is_fd[0], trace.dlc[0], trace.identifier[0]) == (Kind.REMOTE, False, 5, 0x50005)


@pytest.mark.parametrize(
    ("line", "is_told"),
    [
        ("2.501000 1 ErrorFrame", False),
        ("2.501010 1 ErrorFrame ECC: 10100010", True),
        (
            "2.501020 2 ErrorFrame Flags = 0xe CodeExt = 0x20a2 Code = 0x82 ID = 0 DLC = 0 Position = 5 Length = 11300",
            True,
        ),
        ("30.806898 CANFD   5 Tx ErrorFrame Not Acknowledge error, dominant error flag fffe c7 31ca Arb. 556 44", True),
    ],
)
def test_error_frames_are_error_records_and_their_fields_are_kept(line: str, *, is_told: bool) -> None:
    trace = one(line)
    assert (trace.kind[0], trace.identifier[0], trace.payload[0]) == (Kind.ERROR, 0, b"")
    assert (trace.remarks[-1].text == line) == is_told


@pytest.mark.parametrize(
    "line",
    [
        "   0.015991 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0",
        "   1.015991 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
        "   3.297743 1  J1939TP FEE3p        6    0  0   -   Rx   d 23 A0 0F A6 60 3B D1 40 1F DE 80",
        "End TriggerBlock",
        "// a comment",
        "//0.000000 previous log file: other.asc",
        "no internal events logged",
    ],
)
def test_what_the_recorder_says_is_kept_as_written(line: str) -> None:
    trace = read(f"{HEADER}{FRAME}\n{line}\n{FRAME}\n")
    assert len(trace) == 2
    assert trace.problems == ()
    assert (trace.remarks[-1].line, trace.remarks[-1].text) == (8, line.strip())


@pytest.mark.parametrize(
    "date", ["date Sat Sep 30 10:06:13.191 PM 2017", "date Mit Mär 3 2021", "date 2021年3月3日", ""]
)
def test_a_date_of_any_language_is_kept_and_none_is_needed(date: str) -> None:
    trace = read(f"{date}\nbase hex timestamps absolute\n{FRAME}\n")
    assert len(trace) == 1
    assert trace.problems == ()
    assert (date in {remark.text for remark in trace.remarks}) == bool(date)


def test_case_and_line_ends_do_not_matter() -> None:
    text = (HEADER + FRAME + "\n" + "  30.0 CANFD   1 Rx        3ab   1 0 8  8 11 c2 03 04 05 06 07 08\n") * 20
    plain = read(text)
    assert len(plain) == 40
    for other in (text.upper(), text.lower(), text.replace("\n", "\r\n")):
        trace = read(other)
        assert trace.problems == ()
        assert trace.identifier.tolist() == plain.identifier.tolist()
        assert list(trace.payload) == list(plain.payload)


def test_a_new_trigger_block_begins_a_segment() -> None:
    trace = read(f"{HEADER}{FRAME}\nEnd TriggerBlock\nBegin Triggerblock\n{FRAME}\n")
    assert trace.segment.tolist() == [0, 1]


@pytest.mark.parametrize(
    "line",
    [
        "  17.876708 1  6F9             Rx   d 8 05 0C 00 00 00 00 00",
        "  17.876708 1  6F9             Rx   d 8 05 0C 00 00 00 00 00 0",
        "  17.876708 1  6F9             Rx   d 8 05 0C 00 00 00 00 00 0G",
        "  17.876708 1  6F9             Rx   d 2 05 0C 00",
        "  17.876708 1  6F9             Rx   d 40 05 0C",
        "  17.876708 1  8F9             Rx   d 1 05",
        "  17.876708 1  3FFFFFFFx       Rx   d 1 05",
        "  17.876708 1  6F9             Rx",
        "  17.876708 1",
        "  17.8x6708 1  6F9             Rx   d 1 05",
        f"{FRAME}{FRAME}",
        f"{FRAME}  Length = 1 BitCount = 124 ID = 1785{FRAME}",
        "  30.0 CANFD   1 Rx        300   1 0 9  12 11 c2 03",
        "nonsense",
    ],
)
@pytest.mark.parametrize("neighbours", [1, 40])
def test_a_line_that_is_no_frame_is_a_problem_and_its_neighbours_are_not(line: str, neighbours: int) -> None:
    trace = read(HEADER + f"{FRAME}\n" * neighbours + f"{line}\n" + f"{FRAME}\n" * neighbours)
    assert len(trace) == 2 * neighbours
    assert [problem.line for problem in trace.problems] == [7 + neighbours]


def test_a_header_in_latin_1_keeps_its_letters() -> None:
    trace = read_trace(io.BytesIO("date Mär 4\nbase hex timestamps absolute\n 1.0 1 123 Rx d 1 11\n".encode("latin-1")))
    assert trace.remarks[0].text == "date Mär 4"
