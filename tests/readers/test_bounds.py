"""Bounds: however much of a file is wrong or says something, memory stays small and the counts exact."""

from __future__ import annotations

import io
import tracemalloc
from typing import TYPE_CHECKING

from canlens.readers import read_trace
from canlens.readers.engine import assembly, line_files
from canlens.readers.engine.assembly import KINDS, LISTED, ProblemList, RemarkList
from canlens.trace import Problem, Remark

if TYPE_CHECKING:
    import pytest

FRAME = b"(1.5) can0 123#11\n"


def test_very_many_different_bad_lines_take_little_memory_and_are_all_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(line_files, "BLOCK_LIMIT", 1 << 16)
    lines = [FRAME, *(b"(%d nonsense %x\n" % (number, number * number) for number in range(100_000)), FRAME]
    file = io.BytesIO(b"".join(lines))
    tracemalloc.start()
    trace = read_trace(file)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert trace.line.tolist() == [1, 100_002]
    assert trace.problem_count == 100_000
    assert len(trace.problems) == LISTED + 1
    assert trace.problems[-1].line == LISTED + 2
    assert peak < 12e6  # of the lines of some blocks; all problems together would take three times as much


def test_kinds_of_problems_are_bounded_too() -> None:
    problems = ProblemList()
    for number in range(10 * KINDS):
        problems.add(Problem(number + 1, "x", f"kind {number}"))
    told = problems.as_tuple()
    assert sum(problem.count for problem in told) == 10 * KINDS
    assert len(told) <= KINDS + LISTED + 1
    assert [problem.line for problem in told] == sorted(problem.line for problem in told)


def test_remarks_are_bounded_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(assembly, "REMARKS", 10)
    remarks = RemarkList()
    for first in range(0, 30, 6):
        remarks.add([Remark(line + 1, f"// {line}") for line in range(first, first + 6)])
    told = remarks.as_tuple()
    assert [remark.line for remark in told] == [*range(1, 11), 11]
    assert "20 more" in told[-1].text


def test_the_remarks_of_a_recording_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(assembly, "REMARKS", 10)
    head = b"base hex  timestamps absolute\n"
    errors = b"".join(b" %d.5 1  ErrorFrame Flags = 0x2\n" % number for number in range(50))
    trace = read_trace(io.BytesIO(head + errors))
    assert len(trace) == 50
    assert len(trace.remarks) == 11
    assert "41 more" in trace.remarks[-1].text
