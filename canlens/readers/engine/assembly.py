"""Assembly: the rows of all blocks of a file become one Trace."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

import numpy as np
import numpy.typing as npt

from canlens.trace import NANOSECONDS_PER_SECOND, Payload, Problem, Remark, Source, Trace

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.readers.engine.grammar import Dialect

LISTED: Final = 100
"""Problems of one kind that are listed singly; those beyond are counted."""
KINDS: Final = 100
"""Kinds of problems that are told apart; those beyond are counted as one."""
OTHER_KIND: Final = "what this format has in such a line"
REMARKS: Final = 200_000
"""Remarks that are kept, two days of a statistics line each second; those beyond are counted."""
BACKWARD_STEP_NS: Final = NANOSECONDS_PER_SECOND
"""A clock that steps back by more than this has been restarted; less is the disorder of two channels."""

FEW_CHANNELS: Final = 64
FIRST_ROWS: Final = 1 << 12

Rows = npt.NDArray[np.intp]
T = TypeVar("T", bound=np.generic)


@dataclass
class BlockRows:
    """What one block holds.

    Attributes
    ----------
    time_ns, first8
        uint64 (n,) each.
    identifier
        uint32 (n,).
    shared
        uint64 (n,): what frames of one layout share, see :func:`canlens.readers.engine.layouts.packed`.
    line
        int64 (n,): line number; a range where every line is a frame.
    long_rows, long
        Rows of the frames longer than eight bytes, ascending, and uint8 (m, 64).
    events
        Lines that bear a time stamp but no frame, and their stamps [ns].
    restarts
        Lines after which the clock may start anew.
    turn
        Index of a line (0-based, in the block) after which another dialect holds; the block was read up to it.
    """

    time_ns: npt.NDArray[np.uint64]
    identifier: npt.NDArray[np.uint32]
    first8: npt.NDArray[np.uint64]
    shared: npt.NDArray[np.uint64]
    line: npt.NDArray[np.int64] | range
    long_rows: Rows
    long: npt.NDArray[np.uint8]
    problems: list[Problem]
    remarks: list[Remark]
    events: list[tuple[int, int]]
    restarts: list[int]
    turn: tuple[int, Dialect] | None = None


class ProblemList:
    """Problems in file order; of each kind the first are kept singly, the rest is counted."""

    def __init__(self) -> None:
        self._listed: list[Problem] = []
        self._counts: dict[str, int] = {}
        self._last: dict[str, Problem] = {}

    def add(self, problem: Problem) -> None:
        """Take in one problem."""
        if problem.expected not in self._counts and len(self._counts) >= KINDS:
            problem = replace(problem, expected=OTHER_KIND)
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


class RemarkList:
    """Remarks in file order; the first are kept, the rest is counted."""

    def __init__(self) -> None:
        self._kept: list[Remark] = []
        self._beyond = 0
        self._line = 0

    def add(self, remarks: Sequence[Remark]) -> None:
        """Take in some."""
        room = max(REMARKS - len(self._kept), 0)
        self._kept.extend(remarks[:room])
        if len(remarks) > room and not self._beyond:
            self._line = remarks[room].line
        self._beyond += max(len(remarks) - room, 0)

    def as_tuple(self) -> tuple[Remark, ...]:
        """Return them; the last tells how many were not kept."""
        if not self._beyond:
            return tuple(self._kept)
        return (*self._kept, Remark(self._line, f"// and {self._beyond} more remarks from this line on"))


class Column(Generic[T]):
    """A column that grows; what it has in reserve is not touched and costs no memory."""

    def __init__(self, dtype: type[T]) -> None:
        self._values: npt.NDArray[T] = np.empty(FIRST_ROWS, dtype)
        self._rows = 0

    def reserve(self, rows: int) -> None:
        """Make room for so many rows, so that none need be moved while the column grows."""
        if rows > len(self._values):
            grown = np.empty(rows, self._values.dtype)
            grown[: self._rows] = self._values[: self._rows]
            self._values = grown

    def extend(self, values: npt.NDArray[T]) -> None:
        """Add the values of some more rows."""
        stop = self._rows + len(values)
        if stop > len(self._values):
            self.reserve(2 * stop)
        self._values[self._rows : stop] = values
        self._rows = stop

    def values(self) -> npt.NDArray[T]:
        """Return all rows."""
        return self._values[: self._rows]


class Collector:
    """The rows read so far, in file order."""

    def __init__(self) -> None:
        self.problems = ProblemList()
        self._time_ns = Column(np.int64)
        self._identifier = Column(np.uint32)
        self._first8 = Column(np.uint64)
        self._line = Column(np.int64)
        self._channel = Column(np.int16)
        self._bytes = tuple(Column(np.uint8) for _ in range(6))
        self._long_rows = [np.zeros(0, np.intp)]
        self._long = [np.zeros((0, 64), np.uint8)]
        self._remarks = RemarkList()
        self._restarts: list[int] = []
        self._frames = 0
        self._clock_ns = 0

    def reserve(self, rows: int) -> None:
        """Make room for about so many rows."""
        columns: list[Column[Any]] = [self._time_ns, self._identifier, self._first8, self._line, self._channel]
        for column in (*columns, *self._bytes):
            column.reserve(rows)

    def add(self, rows: BlockRows, dialect: Dialect) -> None:
        """Take in the rows of the next block."""
        time_ns = self._accumulated(rows) if dialect.relative else rows.time_ns.view(np.int64)
        for problem in rows.problems:
            self.problems.add(problem)
        self._remarks.add(rows.remarks)
        self._restarts.extend(rows.restarts)
        self._time_ns.extend(time_ns)
        self._identifier.extend(rows.identifier)
        self._first8.extend(rows.first8)
        self._line.extend(np.arange(rows.line.start, rows.line.stop) if isinstance(rows.line, range) else rows.line)
        self._channel.extend(rows.shared.view(np.int16)[3::4])
        for at, column in enumerate(self._bytes):
            column.extend(rows.shared.view(np.uint8)[at::8])
        self._long_rows.append(rows.long_rows + self._frames)
        self._long.append(rows.long)
        self._frames += len(rows.line)

    def _accumulated(self, rows: BlockRows) -> npt.NDArray[np.int64]:
        """Add up stamps that count from the line before."""
        lines = np.concatenate([np.array(rows.line, np.int64), np.array([line for line, _ in rows.events], np.int64)])
        steps = np.concatenate([rows.time_ns.view(np.int64), np.array([stamp for _, stamp in rows.events], np.int64)])
        order = np.argsort(lines, kind="stable")
        clock = self._clock_ns + np.cumsum(steps[order])
        self._clock_ns = int(clock[-1]) if len(clock) else self._clock_ns
        out = np.empty_like(clock)
        out[order] = clock
        return out[: len(rows.line)]

    def trace(self, names: Sequence[bytes], source: Source) -> Trace:
        """Make the trace."""
        time_ns, line = self._time_ns.values(), self._line.values()
        dlc, length, kind, is_extended, is_rx, fd = (column.values() for column in self._bytes)
        channel, order = _in_order_of_appearance(self._channel.values(), len(names))
        first8 = self._first8.values().view(np.uint8).reshape(-1, 8)
        return Trace(
            time_ns=time_ns,
            segment=segments_of(time_ns, line, self._restarts),
            channel=channel,
            identifier=self._identifier.values(),
            is_extended=is_extended.view(np.bool_),
            kind=kind,
            is_fd=(fd & 1).view(np.bool_),
            bit_rate_switch=(fd >> 1 & 1).view(np.bool_),
            error_state_indicator=(fd >> 2).view(np.bool_),
            is_rx=is_rx.view(np.bool_),
            dlc=dlc,
            payload=Payload(first8, length, np.concatenate(self._long_rows), np.concatenate(self._long)),
            line=line,
            channels=tuple(text_of(names[number]) for number in order),
            problems=self.problems.as_tuple(),
            remarks=self._remarks.as_tuple(),
            source=source,
        )


def text_of(name: bytes) -> str:
    """Decode a name; what is no UTF-8 is taken for Latin-1, which any byte is."""
    try:
        return name.decode("utf-8")
    except UnicodeDecodeError:
        return name.decode("latin-1")


def _in_order_of_appearance(channel: npt.NDArray[np.int16], names: int) -> tuple[npt.NDArray[np.int16], list[int]]:
    """Give the channels numbers in the order of their first frames, those without one left out."""
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
