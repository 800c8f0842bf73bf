"""Line files: a whole file of one line a record, block by block."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from canlens.readers.engine.assembly import Collector
from canlens.readers.engine.blocks import SLACK, Memory, block_of, read_block
from canlens.readers.engine.grammar import TOO_LONG, FrameLine, Grammar, readable
from canlens.readers.opening import LONGEST_LINE
from canlens.trace import Problem, Source, Trace
from canlens.wire import FD_LENGTH

if TYPE_CHECKING:
    import io
    from collections.abc import Callable, Iterator

    from canlens.readers.engine.blocks import Block
    from canlens.readers.engine.grammar import Dialect
    from canlens.readers.opening import Opened

BLOCK_LIMIT = 1 << 30
"""No block is larger, whatever its grammar asks; tests make it small."""
RESERVE: Final = 1.05
"""Room is made for so many times the rows that a file has if all its lines are as long as the first ones."""
MOST_RESERVED: Final = 1 << 23
"""Room is made for no more rows than these at once: a file may begin with a million blank lines."""
FEWEST_LONGER: Final = 3
"""Other frames of an identifier that must all be longer before a short last one is taken for cut (our choice)."""


def line_reader(grammar: Grammar) -> Callable[[Opened], Trace]:
    """Make the reading function of a format of one line a record."""

    def read(opened: Opened) -> Trace:
        return _read(opened, grammar)

    return read


def _read(opened: Opened, grammar: Grammar) -> Trace:
    collector = Collector()
    memory = Memory()
    blocks = _Blocks(opened.stream, collector, min(grammar.block, BLOCK_LIMIT))
    dialect = grammar.dialect
    for number, block in enumerate(blocks):
        if number == 0:
            collector.reserve(likely_rows(blocks.last_line, opened.share_read()))
        dialect = _read_block_by_dialects(block, grammar, dialect, memory, collector)
    for problem in opened.problems:
        collector.problems.add(problem)
    source = Source(
        opened.name,
        opened.sha256(),
        grammar.name,
        can_hold_errors=grammar.can_hold_errors,
        stamp_resolution_ns=memory.resolution_ns,
    )
    trace = collector.trace(list(memory.channels), source)
    if grammar.writes_length or not len(trace) or trace.line[-1] != blocks.last_line:
        return trace
    last = grammar.read_line(blocks.open_end, grammar.dialect)
    is_open = isinstance(last, FrameLine) and last.payload.stop == len(blocks.open_end)
    return _without_cut_frame(trace) if is_open else trace  # where anything stands behind the bytes, none is missing


def likely_rows(lines: int, share: float | None) -> int:
    """Return for how many rows to make room, where so many lines are this share of a file; 0 where nobody knows.

    Examples
    --------
    >>> likely_rows(1000, 0.5), likely_rows(1000, None), likely_rows(1_000_000, 1e-6) == MOST_RESERVED
    (2100, 0, True)
    """
    return min(int(RESERVE * lines / share), MOST_RESERVED) if share else 0


def _without_cut_frame(trace: Trace) -> Trace:
    """Leave out the last frame, if its length shows that the file ends inside it.

    A line that is cut off behind a data byte looks whole in formats that do not write the length. What shows the cut
    is a length that no CAN FD frame has, or :data:`FEWEST_LONGER` other frames of its kind that are all longer.
    """
    columns = (trace.identifier, trace.is_extended, trace.channel, trace.kind, trace.is_fd)
    alike = np.logical_and.reduce([column[:-1] == column[-1] for column in columns])
    lengths, length = trace.payload.length[:-1][alike], int(trace.payload.length[-1])
    is_shorter = len(lengths) >= FEWEST_LONGER and bool((lengths > length).all())
    if not (length not in FD_LENGTH if trace.is_fd[-1] else is_shorter):
        return trace
    found = f"a frame of {length} data bytes in a line without its end"
    expected = f"{lengths.min()} data bytes, as in the other frames of its identifier" if is_shorter else "a whole line"
    kept = trace.where(slice(0, len(trace) - 1))
    problem = Problem(int(trace.line[-1]), found, expected)
    return replace(kept, origin_ns=trace.origin_ns, problems=(*trace.problems, problem))


def _read_block_by_dialects(
    block: Block, grammar: Grammar, dialect: Dialect, memory: Memory, collector: Collector
) -> Dialect:
    """Read a block, what is behind a change of dialect by the new one; return the dialect in which it ends."""
    while True:
        rows = read_block(block, grammar, dialect, memory)
        collector.add(rows, dialect)
        if rows.turn is None:
            return dialect
        row, dialect = rows.turn
        block = block.after(row)


class _Blocks:
    """The stream cut into blocks of whole lines; all use the same memory, since fresh one costs more than the work."""

    def __init__(self, stream: io.BufferedIOBase, collector: Collector, size: int) -> None:
        self._stream = stream
        self._collector = collector
        self._size = size
        self._rest = b""
        self.last_line = 0
        self.open_end = b""

    def __iter__(self) -> Iterator[Block]:
        """Yield each block; the one before is then no longer valid."""
        buffer = np.zeros(0, np.uint8)
        ended = False
        while not ended:
            if len(buffer) < len(self._rest) + self._size + 2 * SLACK:
                buffer = np.zeros(len(self._rest) + self._size + 2 * SLACK + LONGEST_LINE, np.uint8)
            stop, ended = self._fill(buffer)
            cut = stop if ended else _last_line_end(buffer, stop)
            if cut == SLACK and not ended:
                self._pass_over_endless_line(buffer[SLACK:stop].tobytes())
                continue
            self._rest = buffer[cut:stop].tobytes()
            if cut == SLACK:
                return
            block = block_of(buffer, cut, self.last_line + 1)
            self.last_line += len(block.starts)
            end = int(block.starts[-1] + block.lengths[-1])
            self.open_end = buffer[int(block.starts[-1]) : end].tobytes() if end == cut else b""
            yield block

    def _fill(self, buffer: npt.NDArray[np.uint8]) -> tuple[int, bool]:
        """Fill a buffer with the rest of the last block and new text; return where it stops and whether all is read."""
        view = buffer.data
        stop = SLACK + len(self._rest)
        view[SLACK:stop] = self._rest
        limit = len(buffer) - SLACK
        while stop < limit:
            count = self._stream.readinto(view[stop:limit])
            if not count:
                return stop, True
            stop += count
        return stop, False

    def _pass_over_endless_line(self, text: bytes) -> None:
        """Note a line that is longer than a block and go to its end, keeping nothing of it."""
        self._collector.problems.add(Problem(self.last_line + 1, readable(text), TOO_LONG))
        data = text
        while data and b"\n" not in data:
            data = self._stream.read(self._size)
        self._rest = data.partition(b"\n")[2]
        self.last_line += 1


def _last_line_end(buffer: npt.NDArray[np.uint8], stop: int) -> int:
    """Return the place behind the last line end, ``SLACK`` if there is none."""
    at = stop
    while at > SLACK:
        start = max(SLACK, at - LONGEST_LINE)
        ends = np.flatnonzero(buffer[start:at] == ord("\n"))
        if len(ends):
            return start + int(ends[-1]) + 1
        at = start
    return SLACK
