"""Recordings with error records, made by hand: records put between the frames of a job, and logs of a lone sender."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens.trace import COLUMNS, Kind, Payload, Remark, Source, Trace
from tests.reference.bit_by_bit import Frame, trace_of, wire

if TYPE_CHECKING:
    from collections.abc import Sequence

NS = 10**9
START_NS = 1_700_000_000 * NS

Record = tuple[float, int, str]
"""Time [s], class bits, detail bytes in hexadecimal."""


def error_trace(records: Sequence[Record], *, start_ns: int = START_NS) -> Trace:
    """Return a recording of error records alone."""
    number = len(records)
    columns: dict[str, Any] = {name: np.zeros(number, dtype) for name, dtype in COLUMNS.items()}
    columns["time_ns"][:] = [start_ns + round(time_s * NS) for time_s, _, _ in records]
    columns["identifier"][:] = [classes for _, classes, _ in records]
    columns["kind"][:] = Kind.ERROR
    columns["dlc"][:] = 8
    columns["is_rx"][:] = True
    columns["line"][:] = np.arange(1, number + 1)
    payload = Payload.of([bytes.fromhex(detail) for _, _, detail in records])
    return Trace(payload=payload, channels=("can0",), source=Source(format="candump"), **columns)


def merged(trace: Trace, other: Trace) -> Trace:
    """Return the records of two recordings of one channel in the order of time, lines numbered anew."""
    order = np.argsort(np.append(trace.time_ns, other.time_ns), kind="stable")
    columns: dict[str, Any] = {name: np.append(getattr(trace, name), getattr(other, name))[order] for name in COLUMNS}
    columns["line"] = np.arange(1, len(order) + 1)
    every = [*trace.payload, *other.payload]
    payload = Payload.of([every[row] for row in order])
    return replace(trace, **columns, payload=payload, source=Source(format="candump"))


def with_records(trace: Trace, records: Sequence[Record]) -> Trace:
    """Return a recording with error records put in, their times counted from its first frame."""
    return merged(trace, error_trace(records, start_ns=trace.start_ns))


def with_remark(trace: Trace, text: str, *, line: int = 1) -> Trace:
    """Return a recording with a line in which the recorder speaks of itself."""
    return replace(trace, remarks=(*trace.remarks, Remark(line, text)))


def without_pauses(frames: Sequence[Frame], bit_rate: int) -> Trace:
    """Return frames that follow each other without a pause, stamped at their ends to the microsecond."""
    ends = np.cumsum([len(wire(frame)) + 3 for frame in frames]) / bit_rate
    return trace_of(list(frames), time_ns=[START_NS + round(end * 1e6) * 1000 for end in ends])
