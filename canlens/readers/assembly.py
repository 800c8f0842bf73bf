"""Assembly: the rows of all blocks of a file become one Trace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

from canlens.readers.blocks import BlockRows
from canlens.readers.grammar import Dialect
from canlens.trace import NANOSECONDS_PER_SECOND, Payload, Problem, Remark, Source, Trace

LISTED: Final = 100
"""Problems of one kind that are listed singly; those beyond are counted."""
BACKWARD_STEP_NS: Final = NANOSECONDS_PER_SECOND
"""A clock that steps back by more than this has been restarted; less is the disorder of two channels."""

FEW_CHANNELS: Final = 64


class ProblemList:
    """Problems in file order; of each kind the first are kept singly, the rest is counted."""

    def __init__(self) -> None:
        self._listed: list[Problem] = []
        self._counts: dict[str, int] = {}
        self._last: dict[str, Problem] = {}

    def add(self, problem: Problem) -> None:
        """Take in one problem."""
        count = self._counts.get(problem.expected, 0) + 1
        self._counts[problem.expected] = count
        if count <= LISTED:
            self._listed.append(problem)
        elif count == LISTED + 1:
            self._last[problem.expected] = problem

    def as_tuple(self) -> tuple[Problem, ...]:
        """Return them, those beyond the limit as one problem with their count."""
        beyond = [replace(problem, count=self._counts[expected] - LISTED) for expected, problem in self._last.items()]
        return tuple(sorted([*self._listed, *beyond], key=lambda problem: problem.line))


@dataclass
class Collector:
    """The rows read so far, in file order.

    ``clock_ns`` is the stamp of the last line, on which a relative stamp builds.
    """

    time_ns: list[npt.NDArray[np.int64]] = field(default_factory=list)
    identifier: list[npt.NDArray[np.uint32]] = field(default_factory=list)
    first8: list[npt.NDArray[np.uint64]] = field(default_factory=list)
    line: list[npt.NDArray[np.int64]] = field(default_factory=list)
    shared: list[npt.NDArray[np.uint64]] = field(default_factory=list)
    long_rows: list[npt.NDArray[np.intp]] = field(default_factory=list)
    long: list[npt.NDArray[np.uint8]] = field(default_factory=list)
    problems: ProblemList = field(default_factory=ProblemList)
    remarks: list[Remark] = field(default_factory=list)
    restarts: list[int] = field(default_factory=list)
    frames: int = 0
    clock_ns: int = 0

    def add(self, rows: BlockRows, dialect: Dialect) -> None:
        """Take in the rows of the next block."""
        time_ns = rows.time_ns.view(np.int64)
        if dialect.relative:
            time_ns = self._accumulated(rows, time_ns)
        self.time_ns.append(time_ns)
        self.identifier.append(rows.identifier)
        self.first8.append(rows.first8)
        self.line.append(rows.line)
        self.shared.append(rows.shared)
        self.long_rows.append(rows.long_rows + self.frames)
        self.long.append(rows.long)
        for problem in rows.problems:
            self.problems.add(problem)
        self.remarks.extend(rows.remarks)
        self.restarts.extend(rows.restarts)
        self.frames += len(rows.line)

    def _accumulated(self, rows: BlockRows, time_ns: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Add up stamps that count from the line before."""
        event_lines = np.array([line for line, _ in rows.events], np.int64)
        event_ns = np.array([stamp for _, stamp in rows.events], np.int64)
        lines = np.concatenate([rows.line, event_lines])
        order = np.argsort(lines, kind="stable")
        steps = np.concatenate([time_ns, event_ns])[order]
        clock = self.clock_ns + np.cumsum(steps)
        if len(clock):
            self.clock_ns = int(clock[-1])
        out = np.empty_like(clock)
        out[order] = clock
        return out[: len(time_ns)]

    def trace(self, names: Sequence[bytes], source: Source) -> Trace:
        """Make the trace."""
        time_ns = _joined(self.time_ns, np.int64)
        line = _joined(self.line, np.int64)
        shared = _joined(self.shared, np.uint64)
        dlc, length, kind, is_extended, is_rx, fd = (
            np.ascontiguousarray(shared.view(np.uint8)[at::8]) for at in range(6)
        )
        channel, order = _in_order_of_appearance(np.ascontiguousarray(shared.view(np.int16)[3::4]), len(names))
        del shared
        identifier = _joined(self.identifier, np.uint32)
        first8 = _joined(self.first8, np.uint64).view(np.uint8).reshape(-1, 8)
        long = np.concatenate([np.zeros((0, 64), np.uint8), *self.long])
        return Trace(
            time_ns=time_ns,
            segment=_segments(time_ns, line, self.restarts),
            channel=channel,
            identifier=identifier,
            is_extended=is_extended.view(np.bool_),
            kind=kind,
            is_fd=(fd & 1).view(np.bool_),
            bit_rate_switch=(fd >> 1 & 1).view(np.bool_),
            error_state_indicator=(fd >> 2).view(np.bool_),
            is_rx=is_rx.view(np.bool_),
            dlc=dlc,
            payload=Payload(first8, length, _joined(self.long_rows, np.intp), long),
            line=line,
            channels=tuple(names[number].decode("utf-8", "replace") for number in order),
            problems=self.problems.as_tuple(),
            remarks=tuple(self.remarks),
            source=source,
        )


T = TypeVar("T", bound=np.generic)


def _joined(parts: list[npt.NDArray[T]], dtype: type[T]) -> npt.NDArray[T]:
    """Join the parts of a column and let go of them."""
    out = np.concatenate(parts) if parts else np.zeros(0, dtype)
    parts.clear()
    return out


def _in_order_of_appearance(channel: npt.NDArray[np.int16], names: int) -> tuple[npt.NDArray[np.int16], list[int]]:
    """Number the channels by their first frame; threads may have met them in another order."""
    if names <= FEW_CHANNELS:
        firsts = {number: int(np.argmax(channel == number)) for number in range(names) if (channel == number).any()}
    else:
        found, at = np.unique(channel, return_index=True)
        firsts = dict(zip(found.tolist(), at.tolist(), strict=True))
    order = sorted(firsts, key=firsts.__getitem__)
    if order == list(range(len(order))):
        return channel, order
    new = np.zeros(names, np.int16)
    new[order] = np.arange(len(order))
    return new[channel], order


def _segments(
    time_ns: npt.NDArray[np.int64], line: npt.NDArray[np.int64], restarts: list[int]
) -> npt.NDArray[np.int32]:
    """Number the stretches between restarts of the clock."""
    segment = np.zeros(len(time_ns), np.int32)
    cuts = set((np.flatnonzero(np.diff(time_ns) < -BACKWARD_STEP_NS) + 1).tolist())
    cuts |= set(np.searchsorted(line, restarts).tolist())
    for cut in cuts - {0}:
        segment[cut:] += 1
    return segment
