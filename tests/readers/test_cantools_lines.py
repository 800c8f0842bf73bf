"""cantools 45.1.0 as the judge: the log lines and streams of its own tests read by both, each difference named."""

from __future__ import annotations

import ast
import datetime as dt
import io
import re
from typing import TYPE_CHECKING, Final, NamedTuple

import cantools
import pytest

from canlens.readers import read_trace
from canlens.trace import Kind, Trace
from tests.samples import samples_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cantools.logreader import DataFrame

EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
ERROR_RECORD = "an error record: cantools passes it over, here it is kept with class and bytes"
NO_SUCH_LENGTH = "ten data bytes, a length that no frame can have (ISO 11898-1): cantools takes them, here a problem"
ERROR_ROW = (
    "an error row of a TRC file: cantools passes it over, here it is told as a problem, since its class is not read"
)
"""The deliberate differences."""
NO_LENGTH: Final = 10


class Line(NamedTuple):
    """A log line and what cantools makes of it."""

    text: str
    frame: DataFrame | None


def texts() -> list[str]:
    """Return every string in cantools' test of its log reader."""
    source = (samples_of("cantools", "45.1.0") / "tests" / "test_logreader.py").read_text("utf-8")
    nodes = ast.walk(ast.parse(source))
    return [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]


def candump_lines() -> Iterator[Line]:
    """Return the lines of both forms of candump among them."""
    lines = dict.fromkeys(line for text in texts() for line in text.split("\n"))
    for line in lines:
        is_screen = "[" in line and "]" in line and "DataFrame" not in line and not line.startswith(";")
        if is_screen or "#" in line.strip().partition(") ")[2]:
            yield Line(line, cantools.logreader.Parser(tz=dt.UTC).parse(line))


def variants(text: str) -> Iterator[str]:
    """Return a line as it may stand in a file."""
    yield text
    yield f"{text}\r\n"
    yield f"   {text.lstrip()}\n"
    yield text.replace("vcan", "slcan12-x.")
    if "#" in text:
        bare = text.removesuffix(" R").removesuffix(" T")
        yield from (f"{bare} R", f"{bare} T")
    elif "'" not in text and "ERRORFRAME" not in text and "remote" not in text:
        count = len(text.partition("]")[2].split())
        yield f"{text.rstrip()}   '{'.' * count}'"


def expected_difference(line: Line) -> str:
    """Name the deliberate difference that a line shows, if it does."""
    if line.frame is None:
        return ERROR_RECORD
    return NO_SUCH_LENGTH if len(line.frame.data) == NO_LENGTH else ""


def time_ns(stamp: dt.datetime | dt.timedelta | None) -> int:
    """Return a stamp of cantools, which has microseconds; dates without zone are taken for UTC, as we do."""
    if stamp is None:
        return 0
    if isinstance(stamp, dt.datetime):
        stamp = (stamp if stamp.tzinfo else stamp.replace(tzinfo=dt.UTC)) - EPOCH
    return stamp // dt.timedelta(microseconds=1) * 1000


def facts(trace: Trace, row: int) -> tuple[object, ...]:
    """Return what we read of a frame, as far as cantools tells it; stamps to the microsecond."""
    return (
        trace.channels[trace.channel[row]],
        int(trace.identifier[row]),
        bool(trace.is_extended[row]),
        trace.payload[row],
        trace.kind[row] == Kind.REMOTE,
        int(trace.time_ns[row]),
    )


def told(frame: DataFrame) -> tuple[object, ...]:
    """Return the same of a frame of cantools."""
    return (
        frame.channel,
        frame.frame_id,
        frame.is_extended_frame,
        frame.data,
        frame.is_remote_frame,
        time_ns(frame.timestamp),
    )


def test_the_sample_has_lines_of_both_forms_and_every_difference() -> None:
    lines = list(candump_lines())
    every = [variant for line in lines for variant in variants(line.text)]
    assert len(lines) >= 50
    assert len(every) >= 250
    assert {expected_difference(line) for line in lines} == {"", ERROR_RECORD, NO_SUCH_LENGTH}


def test_every_line_of_candump_is_read_as_cantools_reads_it_or_differs_on_purpose() -> None:
    for line in candump_lines():
        difference = expected_difference(line)
        for variant in variants(line.text):
            trace = read_trace(io.BytesIO(variant.encode()))
            again = cantools.logreader.Parser(tz=dt.UTC).parse(variant.rstrip("\r\n"))
            if difference == ERROR_RECORD:
                assert again is None, variant
                assert (trace.kind.tolist(), trace.problem_count) == ([Kind.ERROR], 0), variant
                continue
            assert again is not None, variant
            if difference == NO_SUCH_LENGTH:
                assert (len(trace), trace.problem_count) == (0, 1), variant
                continue
            assert trace.problem_count == 0, variant
            assert [facts(trace, row) for row in range(len(trace))] == [told(again)], variant


def streams() -> list[str]:
    """Return the strings that hold several frames and nothing else but headers."""
    return [text for text in texts() if text.count("\n") > 2 and list(cantools.logreader.Parser(io.StringIO(text)))]


@pytest.mark.parametrize("form", ["candump screen", "candump", "trc"])
def test_a_stream_is_read_as_cantools_reads_it(form: str) -> None:
    seen = 0
    for text in streams():
        trace = read_trace(io.BytesIO(text.encode()))
        if trace.source.format != form:
            continue
        seen += 1
        theirs = list(cantools.logreader.Parser(io.StringIO(text), tz=dt.UTC))
        theirs = [frame for frame in theirs if len(frame.data) != NO_LENGTH]
        ours = [facts(trace, row) for row in range(len(trace)) if trace.kind[row] != Kind.ERROR]
        if form == "trc":  # cantools makes up names of channels and leaves out when the recording began
            assert [each[1:5] for each in ours] == [told(frame)[1:5] for frame in theirs], text
            assert trace.problem_count == len(re.findall(r"\b(?:Error|ERROR|ER)\b", text)), ERROR_ROW
        else:
            assert ours == [told(frame) for frame in theirs], text
    assert seen
