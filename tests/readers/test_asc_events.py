"""ASC events that are no frame: other buses, damaged frames, names in place of identifiers."""

from __future__ import annotations

import io

import pytest

from canlens.readers import read_trace

HEADER = b"date Sam Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute\ninternal events logged\n"
FRAME = b"   0.100000 1  6F9             Rx   d 2 05 0C\n"


@pytest.mark.parametrize(
    ("line", "bus"),
    [
        (b"   1.2 Li 33   Rx   4 01 02 03 04 checksum = 00 header time = 40, full time = 90\n", "LIN"),
        (b"   1.4 L1 2d Rx 2 00 00  checksum = d2 CSM = enhanced\n", "LIN"),
        (b"   1.2 Fr RMSG 0 0 1 1 16 0 x 0 0 8 8 00 00 00 00 00 00 00 00\n", "FlexRay"),
        (b"   1.2 ETH 1 Rx 3c:FFFFFFFFFFFF0200000000010800\n", "Ethernet"),
        (b"   1.2 MOST150 1 Rx\n", "MOST"),
    ],
)
def test_lines_of_other_buses_are_counted_and_are_no_damage(line: bytes, bus: str) -> None:
    trace = read_trace(io.BytesIO(HEADER + FRAME + line * 3 + FRAME))
    assert trace.line.tolist() == [4, 8]
    assert trace.problems == ()
    assert [remark.line for remark in trace.remarks] == [0, 1, 2, 3, 5, 6, 7]
    assert trace.remarks[0].text.endswith(f": 3 of {bus}")


def test_a_recording_of_another_bus_alone_says_why_it_has_no_frame() -> None:
    trace = read_trace(io.BytesIO(HEADER + b"   1.2 Li 33   Rx   4 01 02 03 04 checksum = 00\n" * 3))
    assert len(trace) == 0
    assert [(problem.line, problem.count) for problem in trace.problems] == [(4, 3)]
    assert "other buses: 3 of LIN" in trace.problems[0].expected


@pytest.mark.parametrize(
    "line",
    [
        b"   0.2 1  140\xff\xff\xff\xff\n",
        b"   0.2 1  140\x00\x00 Rx\n",
        b"   0.1  40A9C48x        Rx   d 8 EB 93 79 97 2A 64 76 27\n",
        b"   0.2 CAN1 6F9 Rx d 2 05 0C\n",
        b"   0.2 1 FECAp 6 80 FF Rx d 8 00 00 00 00 00 00 00 00\n",
        b"   0.2 2  ErrorFramerame\n",
        b"   0.4238 00 CANFD 2 Rx 4EDx 1 0 9 12 81 1C E2\n",
        b"   0.2 CANXL 1 Rx 100 0 0 2 11 22\n",
        b"   0.2 1  6F",
    ],
)
def test_a_damaged_frame_is_a_problem_and_no_remark(line: bytes) -> None:
    trace = read_trace(io.BytesIO(HEADER + FRAME * 2 + line))
    assert trace.line.tolist() == [4, 5]
    assert [(problem.line, problem.count) for problem in trace.problems] == [(6, 1)]
    assert [remark.line for remark in trace.remarks] == [1, 2, 3]


@pytest.mark.parametrize(
    "line",
    [
        b"   0.2 1  Lamp_Request      Rx   d 2 05 0C  Length = 240015 BitCount = 124 ID = 1785\n",
        b"   0.3 CANFD   2 Rx   LampRequest   1 0 8  8 DF 8D E4 97 8D 5C B4 E3  0 0 3000 0 0 0 0 0\n",
    ],
)
def test_names_in_place_of_identifiers_are_said_to_be_names(line: bytes) -> None:
    trace = read_trace(io.BytesIO(HEADER + FRAME + line * 2))
    assert trace.line.tolist() == [4]
    assert [problem.line for problem in trace.problems] == [5, 6]
    assert all("not the name of a message" in problem.expected for problem in trace.problems)


@pytest.mark.parametrize(
    "line",
    [
        b"   2.4 1 J1939TP FECAp 6 80 FF Rx d 10 04 FF 8A 00 24 01 00 00 00 00\n",
        b"   1.0 1  Statistic: D 12 R 0 XD 0 XR 0 E 0 O 0 B 1.23%\n",
        b"   1.0 CAN 1 Status:chip status error active\n",
        b"   1.2 Comment: \xd6l nachgef\xfcllt\n",
        b"   1.6 log trigger event\n",
    ],
)
def test_what_the_recorder_says_of_itself_is_a_remark(line: bytes) -> None:
    trace = read_trace(io.BytesIO(HEADER + FRAME + line + FRAME))
    assert trace.line.tolist() == [4, 6]
    assert trace.problems == ()
    assert [remark.line for remark in trace.remarks] == [1, 2, 3, 5]
