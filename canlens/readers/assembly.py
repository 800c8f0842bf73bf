"""Assembly: the rows of all blocks of a file become one Trace."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
import numpy.typing as npt

from canlens.trace import NANOSECONDS_PER_SECOND, Payload, Problem, Remark, Source, Trace

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.readers.grammar import Dialect
    from canlens.readers.rows import BlockRows

LISTED: Final = 100
"""Problems of one kind that are listed singly; those beyond are counted."""
BACKWARD_STEP_NS: Final = NANOSECONDS_PER_SECOND
"""A clock that steps back by more than this has been restarted; less is the disorder of two channels."""

FEW_CHANNELS: Final = 64

T = TypeVar("T", bound=np.generic)
Words = npt.NDArray[np.uint64]


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

    parts: list[BlockRows] = field(default_factory=list)
    problems: ProblemList = field(default_factory=ProblemList)
    remarks: list[Remark] = field(default_factory=list)
    restarts: list[int] = field(default_factory=list)
    clock_ns: int = 0

    def add(self, rows: BlockRows, dialect: Dialect) -> None:
        """Take in the rows of the next block."""
        if dialect.relative:
            rows.time_ns = self._accumulated(rows)
        for problem in rows.problems:
            self.problems.add(problem)
        self.remarks.extend(rows.remarks)
        self.restarts.extend(rows.restarts)
        if len(rows.line):
            self.parts.append(rows)

    def _accumulated(self, rows: BlockRows) -> Words:
        """Add up stamps that count from the line before."""
        lines = np.concatenate([np.array(rows.line, np.int64), np.array([line for line, _ in rows.events], np.int64)])
        steps = np.concatenate([rows.time_ns.view(np.int64), np.array([stamp for _, stamp in rows.events], np.int64)])
        order = np.argsort(lines, kind="stable")
        clock = self.clock_ns + np.cumsum(steps[order])
        self.clock_ns = int(clock[-1]) if len(clock) else self.clock_ns
        out = np.empty_like(clock)
        out[order] = clock
        return out[: len(rows.line)].view(np.uint64)

    def trace(self, names: Sequence[bytes], source: Source) -> Trace:
        """Make the trace; the parts are used up."""
        time_ns = self._column(np.int64, lambda part: part.time_ns.view(np.int64))
        line = self._column(
            np.int64,
            lambda part: np.arange(part.line.start, part.line.stop) if isinstance(part.line, range) else part.line,
        )
        channel, order = _in_order_of_appearance(
            self._column(np.int16, lambda part: part.shared.view(np.int16)[3::4]), len(names)
        )
        dlc, length, kind, is_extended, is_rx, fd = (self._byte(at) for at in range(6))
        payload = Payload(
            self._column(np.uint64, lambda part: part.first8).view(np.uint8).reshape(-1, 8),
            length,
            self._long_rows(),
            np.concatenate([np.zeros((0, 64), np.uint8), *(part.long for part in self.parts)]),
        )
        identifier = self._column(np.uint32, lambda part: part.identifier)
        self.parts.clear()
        return Trace(
            time_ns=time_ns,
            segment=segments_of(time_ns, line, self.restarts),
            channel=channel,
            identifier=identifier,
            is_extended=is_extended.view(np.bool_),
            kind=kind,
            is_fd=(fd & 1).view(np.bool_),
            bit_rate_switch=(fd >> 1 & 1).view(np.bool_),
            error_state_indicator=(fd >> 2).view(np.bool_),
            is_rx=is_rx.view(np.bool_),
            dlc=dlc,
            payload=payload,
            line=line,
            channels=tuple(text_of(names[number]) for number in order),
            problems=self.problems.as_tuple(),
            remarks=tuple(self.remarks),
            source=source,
        )

    def _column(self, dtype: type[T], take: Callable[[BlockRows], npt.NDArray[T]]) -> npt.NDArray[T]:
        """Join a column of all parts."""
        out = np.empty(sum(len(part.line) for part in self.parts), dtype)
        start = 0
        for part in self.parts:
            stop = start + len(part.line)
            out[start:stop] = take(part)
            start = stop
        return out

    def _byte(self, at: int) -> npt.NDArray[np.uint8]:
        return self._column(np.uint8, lambda part: part.shared.view(np.uint8)[at::8])

    def _long_rows(self) -> npt.NDArray[np.intp]:
        starts = np.cumsum([0, *(len(part.line) for part in self.parts)])[:-1]
        rows = [start + part.long_rows for start, part in zip(starts, self.parts, strict=True)]
        return np.concatenate([np.zeros(0, np.intp), *rows])


def text_of(name: bytes) -> str:
    """Decode a name; what is no UTF-8 is taken for Latin-1, which any byte is."""
    try:
        return name.decode("utf-8")
    except UnicodeDecodeError:
        return name.decode("latin-1")


def _in_order_of_appearance(channel: npt.NDArray[np.int16], names: int) -> tuple[npt.NDArray[np.int16], list[int]]:
    """Give the channels numbers in the order of their first frames, in which threads need not have met them."""
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


def segments_of(
    time_ns: npt.NDArray[np.int64], line: npt.NDArray[np.int64], restarts: list[int]
) -> npt.NDArray[np.int32]:
    """Give the stretches between restarts of the clock their numbers."""
    segment = np.zeros(len(time_ns), np.int32)
    cuts: set[int] = set()
    if np.any(time_ns[1:] < time_ns[:-1]):
        cuts |= set((np.flatnonzero(np.diff(time_ns) < -BACKWARD_STEP_NS) + 1).tolist())
    cuts |= set(np.searchsorted(line, restarts).tolist())
    for number, (start, stop) in enumerate(pairwise([*sorted(cuts - {0}), len(time_ns)]), 1):
        segment[start:stop] = number
    return segment
