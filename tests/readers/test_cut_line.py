"""A candump log whose last line is cut: the line looks whole, and what it holds is no frame of the bus."""

from __future__ import annotations

import io

import pytest

from canlens.readers import read_trace

WHOLE = b"(1436509052.249713) can0 123#1122334455667788\n(1436509052.250713) can0 124#11\n"


@pytest.mark.parametrize("digits", [0, 2, 4, 14])
def test_a_last_frame_shorter_than_all_of_its_identifier_is_a_problem(digits: int) -> None:
    cut = b"(1436509052.349713) can0 123#1122334455667788"[: 29 + digits]
    trace = read_trace(io.BytesIO(WHOLE * 3 + cut))
    assert trace.line.tolist() == [1, 2, 3, 4, 5, 6]
    assert [(problem.line, problem.count) for problem in trace.problems] == [(7, 1)]
    assert f"{digits // 2} data bytes" in trace.problems[0].found
    assert trace.problems[0].expected.startswith("8 data bytes")
    assert trace.duration_s == read_trace(io.BytesIO(WHOLE * 3)).duration_s


@pytest.mark.parametrize(
    "last",
    [
        b"(1436509052.349713) can0 123#1122334455667788",  # whole
        b"(1436509052.349713) can0 123#1122\n",  # ended by its writer
        b"(1436509052.349713) can1 123#1122",  # of another bus
        b"(1436509052.349713) can0 125#1122",  # nothing to compare it with
        b"(1436509052.349713) can0 123#1122 T",  # its direction stands behind the bytes
        b"(1436509052.349713) can0 123# R",
        b"(1436509052.349713) can0 123#1122 ",
        b"(1436509052.349713) can0 123#1122\r",
    ],
)
def test_a_last_frame_that_may_be_whole_is_kept(last: bytes) -> None:
    trace = read_trace(io.BytesIO(WHOLE * 3 + last))
    assert len(trace) == 7
    assert trace.problems == ()


@pytest.mark.parametrize("longer", [1, 2])
def test_one_or_two_longer_frames_prove_nothing(longer: int) -> None:
    trace = read_trace(io.BytesIO(WHOLE * longer + b"(1436509052.349713) can0 123#1122"))
    assert trace.payload.length.tolist() == [8, 1] * longer + [2]
    assert trace.problems == ()


def test_a_last_line_with_a_direction_is_whole_whatever_stood_before() -> None:
    trace = read_trace(io.BytesIO(b"(0.000000) 0 00000000#00 R\n(0.000000) 0 00000000# T"))
    assert trace.payload.length.tolist() == [1, 0]
    assert trace.is_rx.tolist() == [True, False]
    assert trace.problems == ()


def test_a_length_that_no_can_fd_frame_has_shows_the_cut() -> None:
    trace = read_trace(io.BytesIO(WHOLE + b"(1436509052.349713) can0 18DAF110##1" + b"00" * 27))
    assert trace.line.tolist() == [1, 2]
    assert [problem.line for problem in trace.problems] == [3]


def test_a_shorter_frame_in_the_middle_stays_what_it_is() -> None:
    trace = read_trace(io.BytesIO(WHOLE + b"(1436509052.349713) can0 123#1122\n" + WHOLE))
    assert trace.payload.length.tolist() == [8, 1, 2, 8, 1]
    assert trace.problems == ()


def test_formats_that_write_the_length_keep_a_last_line_without_its_end() -> None:
    lines = b"  can0  123   [8]  11 22 33 44 55 66 77 88\n" * 3 + b"  can0  123   [2]  11 22"
    trace = read_trace(io.BytesIO(lines))
    assert trace.payload.length.tolist() == [8, 8, 8, 2]
    assert trace.problems == ()
