"""Line files: a whole file of one line a record, block by block; one is read while the next is fetched."""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from canlens.readers.assembly import Collector
from canlens.readers.blocks import read_block
from canlens.readers.grammar import LONGEST_LINE, TOO_LONG, FrameLine, Grammar, readable
from canlens.readers.rows import SLACK, Block, BlockRows, Memory, block_of
from canlens.trace import Problem, Source, Trace
from canlens.wire import FD_LENGTH

if TYPE_CHECKING:
    import io
    from collections.abc import Callable

    from canlens.readers.opening import Opened

BLOCK_LIMIT = 1 << 30
"""No block is larger, whatever its grammar asks; tests make it small."""
THREADS: Final = 1
"""Threads that read blocks while this one fetches, hashes, finds the lines and puts together. Two were slower: the
calls on one block are short, and the interpreter is handed back and forth between them."""
RESERVE: Final = 1.05
"""Room is made for so many times the rows that a file has if all its lines are as long as the first ones."""
MOST_RESERVED: Final = 1 << 23
"""Room is made for no more rows than these at once: a file may begin with a million blank lines."""
FEWEST_LONGER: Final = 3
"""Other frames of an identifier that must all be longer before a short last one is taken for cut (our choice)."""
WAITING: Final = THREADS + 1
"""Blocks in hand at once, so that memory stays bounded."""


def line_reader(grammar: Grammar) -> Callable[[Opened], Trace]:
    """Make the reading function of a format of one line a record."""

    def read(opened: Opened) -> Trace:
        return _read(opened, grammar)

    return read


def _read(opened: Opened, grammar: Grammar) -> Trace:
    collector = Collector()
    memory = Memory()
    blocks = _Blocks(opened.stream, collector, min(grammar.block, BLOCK_LIMIT))
    with ThreadPoolExecutor(THREADS) as pool:
        queue = _Queue(pool, grammar, memory, collector, blocks)
        queue.begin()
        collector.reserve(likely_rows(blocks.last_line, opened.share_read()))
        queue.run()
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


class _Queue:
    """Blocks being read, in file order."""

    def __init__(
        self, pool: ThreadPoolExecutor, grammar: Grammar, memory: Memory, collector: Collector, blocks: _Blocks
    ) -> None:
        self._pool = pool
        self._grammar = grammar
        self._memory = memory
        self._collector = collector
        self._dialect = grammar.dialect
        self._blocks = blocks
        self._waiting: deque[tuple[Block, Future[BlockRows]]] = deque()

    def begin(self) -> None:
        """Fetch the first block."""
        block = self._blocks.next()
        if block is not None:
            self._waiting.append((block, self._submit(block)))

    def run(self) -> None:
        """Read all blocks."""
        while (block := self._blocks.next()) is not None:
            self._waiting.append((block, self._submit(block)))
            if len(self._waiting) >= WAITING:
                self._take_first()
        while self._waiting:
            self._take_first()

    def _submit(self, block: Block) -> Future[BlockRows]:
        return self._pool.submit(read_block, block, self._grammar, self._dialect, self._memory)

    def _take_first(self) -> None:
        block, future = self._waiting.popleft()
        rows = future.result()
        self._collector.add(rows, self._dialect)
        if rows.turn is None:
            self._blocks.take_back(block)
            return
        row, self._dialect = rows.turn
        rest = block.after(row)
        again = [*([rest] if len(rest.starts) else []), *(waiting for waiting, _ in self._waiting)]
        for _, late in self._waiting:
            late.cancel()
        self._waiting = deque((waiting, self._submit(waiting)) for waiting in again)


class _Blocks:
    """The stream cut into blocks of whole lines."""

    def __init__(self, stream: io.BufferedIOBase, collector: Collector, size: int) -> None:
        self._stream = stream
        self._collector = collector
        self._size = size
        self._rest = b""
        self._line = 1
        self._ended = False
        self.open_end = b""
        self.last_line = 0
        self._free: list[npt.NDArray[np.uint8]] = []

    def next(self) -> Block | None:
        """Return the next block, ``None`` at the end."""
        if self._ended:
            return None
        buffer = self._buffer(SLACK + len(self._rest) + self._size + SLACK)
        view = buffer.data
        stop = SLACK + len(self._rest)
        view[SLACK:stop] = self._rest
        limit = len(buffer) - SLACK
        while stop < limit:
            count = self._stream.readinto(view[stop:limit])
            if not count:
                self._ended = True
                break
            stop += count
        cut = stop if self._ended else _last_line_end(buffer, stop)
        if cut == SLACK and not self._ended:
            self._pass_over_endless_line(buffer[SLACK:stop].tobytes())
            return self.next()
        self._rest = buffer[cut:stop].tobytes()
        if cut == SLACK:
            return None
        block = block_of(buffer, cut, self._line)
        self._line += len(block.starts)
        self.last_line = self._line - 1
        end = int(block.starts[-1] + block.lengths[-1])
        self.open_end = buffer[int(block.starts[-1]) : end].tobytes() if end == cut else b""
        return block

    def take_back(self, block: Block) -> None:
        """Use the memory of a block again: fresh memory costs more than the work on it."""
        if len(self._free) < WAITING:
            self._free.append(block.buffer)

    def _buffer(self, size: int) -> npt.NDArray[np.uint8]:
        while self._free:
            buffer = self._free.pop()
            if len(buffer) >= size:
                return buffer
        return np.zeros(size + LONGEST_LINE, np.uint8)

    def _pass_over_endless_line(self, text: bytes) -> None:
        """Note a line that is longer than a block and go to its end, keeping nothing of it."""
        self._collector.problems.add(Problem(self._line, readable(text), TOO_LONG))
        data = text
        while data and b"\n" not in data:
            data = self._stream.read(self._size)
        self._rest = data.partition(b"\n")[2]
        self._line += 1


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
