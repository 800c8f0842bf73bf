"""One block of whole lines read at once: the engine behind every format of one line a record.

Lines of equal length are gathered as columns of words and compared with the layouts met before. What fits is
converted together. For the rest the grammar is asked, line by line: its answer becomes a new layout where it
serves many lines; lines of rare spelling are written anew in one spelling and then read together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from threading import Lock
from typing import Final

import numpy as np
import numpy.typing as npt

from canlens.readers.grammar import (
    LONGEST_LINE,
    TOO_LONG,
    Constants,
    Dialect,
    FrameLine,
    Grammar,
    OtherLine,
    readable,
)
from canlens.readers.layouts import Columns, Layout, compile_layout, spelled
from canlens.readers.words import WIDTH, positions
from canlens.trace import Problem, Remark

Rows = npt.NDArray[np.intp]

SLACK: Final = LONGEST_LINE + WIDTH
"""Bytes of a block before its text and, rounded up, behind it, so that no word is cut off."""

MANY: Final = 16
"""A layout is kept for later blocks if it serves at least so many lines at once."""
TRIES: Final = 6
"""New layouts that are tried on one group of lines before these are read one by one."""
KEPT_LAYOUTS: Final = 24
"""Layouts kept for one length of line."""
MOST_CHANNELS: Final = 32_000
"""Names of channels in one file; more are damage."""
NO_FRAME: Final = np.uint64(2**64 - 1)
"""Stands in ``shared`` for a line that is no frame."""


@dataclass
class Memory:
    """What is carried from block to block of one file; threads share it.

    Attributes
    ----------
    layouts
        Those met so far, by length of line.
    channels
        Numbers of the channels met so far, in no certain order.
    """

    layouts: dict[tuple[Dialect, int], list[Layout]] = field(default_factory=dict)
    channels: dict[bytes, int] = field(default_factory=dict)
    lock: Lock = field(default_factory=Lock)

    def channel(self, name: bytes) -> int:
        """Return the number of a channel, -1 if there are too many."""
        number = self.channels.get(name)
        if number is None:
            with self.lock:
                if len(self.channels) >= MOST_CHANNELS:
                    return -1
                number = self.channels.setdefault(name, len(self.channels))
        return number


@dataclass
class Block:
    """Whole lines of a file.

    Attributes
    ----------
    buffer
        uint8: the text stands from :data:`SLACK` to ``stop``; slack before and behind.
    first_line
        Number of its first line, 1-based.
    """

    buffer: npt.NDArray[np.uint8]
    stop: int
    first_line: int


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
        uint64 (n,): what frames of one layout share, see :func:`packed`.
    line
        int64 (n,): line number.
    long_rows, long
        Rows of the frames longer than eight bytes, ascending, and uint8 (m, 64).
    event_lines, event_ns
        Lines that bear a time stamp but no frame.
    restarts
        Lines after which the clock may start anew.
    turn
        Index of a line (0-based, in the block) after which another dialect holds; the block was read up to it.
    """

    time_ns: npt.NDArray[np.uint64]
    identifier: npt.NDArray[np.uint32]
    first8: npt.NDArray[np.uint64]
    shared: npt.NDArray[np.uint64]
    line: npt.NDArray[np.int64]
    long_rows: Rows
    long: npt.NDArray[np.uint8]
    lines: int
    problems: list[Problem]
    remarks: list[Remark]
    events: list[tuple[int, int]]
    restarts: list[int]
    turn: tuple[int, Dialect] | None = None


@dataclass
class _Reading:
    """The work on one block."""

    block: Block
    grammar: Grammar
    dialect: Dialect
    memory: Memory
    starts: npt.NDArray[np.int64]
    lengths: npt.NDArray[np.int64]
    keys: npt.NDArray[np.uint16]
    time_ns: npt.NDArray[np.uint64]
    identifier: npt.NDArray[np.uint32]
    first8: npt.NDArray[np.uint64]
    shared: npt.NDArray[np.uint64]
    long: list[tuple[Rows, npt.NDArray[np.uint8]]] = field(default_factory=list)
    problems: list[tuple[int, str]] = field(default_factory=list)
    others: list[tuple[int, OtherLine]] = field(default_factory=list)
    remarks: list[int] = field(default_factory=list)
    slow: list[tuple[int, FrameLine]] = field(default_factory=list)


def packed(constants: Constants, channel: int) -> int:
    """Pack what frames share into one number: a byte each for DLC, payload length, kind, form, direction, two for channel.

    The inverse stands in :mod:`canlens.readers.assembly`.
    """
    fd = constants.is_fd | constants.bit_rate_switch << 1 | constants.error_state_indicator << 2
    parts = (
        constants.dlc,
        constants.payload_length,
        int(constants.kind),
        int(constants.is_extended),
        int(constants.is_rx),
        fd,
    )
    return sum(part << 8 * at for at, part in enumerate(parts)) | channel << 48


def read_block(block: Block, grammar: Grammar, dialect: Dialect, memory: Memory) -> BlockRows:
    """Read every line of a block.

    Lines that are no frame come back as problems, remarks or not at all (blank lines), as the grammar says.
    """
    reading = _started(block, grammar, dialect, memory)
    for key, rows in _groups(reading.keys):
        _read_group(reading, key, rows)
    _read_singly(reading)
    return _finished(reading)


def _started(block: Block, grammar: Grammar, dialect: Dialect, memory: Memory) -> _Reading:
    """Find the lines and the length by which each is grouped."""
    text = block.buffer[SLACK : SLACK + -(-(block.stop - SLACK) // WIDTH) * WIDTH]
    ends = positions(text, ord("\n"))
    if len(ends) and ends[-1] >= block.stop - SLACK:
        ends = ends[: np.searchsorted(ends, block.stop - SLACK)]
    if block.stop > SLACK and (not len(ends) or ends[-1] != block.stop - SLACK - 1):
        ends = np.append(ends, block.stop - SLACK)
    starts = np.empty(len(ends), np.int64)
    starts[:1] = 0
    np.add(ends[:-1], 1, out=starts[1:])
    lengths = ends - starts
    lines = len(ends)
    return _Reading(
        block, grammar, dialect, memory, starts, lengths, np.minimum(lengths, LONGEST_LINE).astype(np.uint16),
        np.empty(lines, np.uint64), np.empty(lines, np.uint32), np.empty(lines, np.uint64),
        np.full(lines, NO_FRAME),
    )  # fmt: skip


def _groups(keys: npt.NDArray[np.uint16]) -> Iterator[tuple[int, Rows]]:
    """Yield the rows of each key, ascending."""
    order = np.argsort(keys, kind="stable")  # a radix sort for 16 bits
    counts = np.bincount(keys)
    stop = 0
    for key in np.flatnonzero(counts).tolist():
        start, stop = stop, stop + int(counts[key])
        yield key, order[start:stop]


def _read_group(reading: _Reading, key: int, rows: Rows) -> None:
    """Read the lines of one length by the layouts that fit them; note the rest for a single look."""
    if 0 < key < LONGEST_LINE:
        rows = _by_known_layouts(reading, key, rows)
        rows = _by_new_layouts(reading, key, rows)
    for row in rows.tolist():
        _look_at(reading, row)


def _by_known_layouts(reading: _Reading, key: int, rows: Rows) -> Rows:
    known = reading.memory.layouts.get((reading.dialect, key), ())
    for layout in tuple(known):
        if not len(rows):
            break
        rows = _read_by(reading, layout, rows)
    return rows


def _by_new_layouts(reading: _Reading, key: int, rows: Rows) -> Rows:
    """Make layouts of the first lines that are frames, while that pays."""
    known = reading.memory.layouts.setdefault((reading.dialect, key), [])
    for _ in range(TRIES):
        if len(rows) < MANY or len(known) >= KEPT_LAYOUTS:
            break
        row = int(rows[0])
        seen = _look(reading, row)
        layout = compile_layout(seen, _line(reading, row)) if isinstance(seen, FrameLine) else None
        if layout is None or (isinstance(seen, FrameLine) and seen.remark):
            _note(reading, row, seen)
            rows = rows[1:]
            continue
        left = _read_by(reading, layout, rows)
        if len(left) and left[0] == row:  # letters of both cases: the line does not even fit itself
            _note(reading, row, seen)
            left = left[1:]
        if len(rows) - len(left) >= MANY:
            known.append(layout)
        rows = left
    return rows


def _read_by(reading: _Reading, layout: Layout, rows: Rows) -> Rows:
    """Read those lines that fit a layout; return the others."""
    columns = layout.convert(_words_of(reading.block.buffer, reading.starts[rows] + SLACK, layout.words))
    fits = rows
    left = rows[:0]
    if columns.bad is not None:
        left = rows[columns.bad]
        if len(left) == len(rows):
            return left
        good = ~columns.bad
        fits = rows[good]
        columns = Columns(
            columns.time_ns[good], columns.identifier[good], columns.first8[good],
            None if columns.long is None else columns.long[good], None,
        )  # fmt: skip
    _store(reading, layout.constants, fits, columns)
    return left


def _store(reading: _Reading, constants: Constants, rows: Rows, columns: Columns) -> None:
    reading.time_ns[rows] = columns.time_ns
    reading.identifier[rows] = columns.identifier
    reading.first8[rows] = columns.first8
    reading.shared[rows] = np.uint64(packed(constants, reading.memory.channel(constants.channel)))
    if columns.long is not None:
        reading.long.append((rows, columns.long))


def _words_of(buffer: npt.NDArray[np.uint8], starts: npt.NDArray[np.int64], count: int) -> npt.NDArray[np.uint64]:
    """Gather ``count`` words from each start, as uint64 (count, lines)."""
    size = WIDTH * count
    windows = np.ndarray((len(buffer) - size + 1,), f"V{size}", buffer, strides=(1,))
    return np.ascontiguousarray(windows[starts].view(np.uint64).reshape(len(starts), count).T)


def _line(reading: _Reading, row: int) -> bytes:
    start = int(reading.starts[row]) + SLACK
    return reading.block.buffer[start : start + int(reading.lengths[row])].tobytes()


def _look(reading: _Reading, row: int) -> FrameLine | OtherLine:
    """Ask the grammar about one line."""
    length = int(reading.lengths[row])
    if length > LONGEST_LINE:
        return OtherLine(expected=TOO_LONG)
    return reading.grammar.read_line(_line(reading, row), reading.dialect)


def _look_at(reading: _Reading, row: int) -> None:
    _note(reading, row, _look(reading, row))


def _note(reading: _Reading, row: int, seen: FrameLine | OtherLine) -> None:
    if isinstance(seen, FrameLine) and reading.memory.channel(seen.constants.channel) < 0:
        seen = OtherLine(expected=f"at most {MOST_CHANNELS} names of channels in one file")
    if isinstance(seen, FrameLine):
        reading.slow.append((row, seen))
        if seen.remark:
            reading.remarks.append(row)
    else:
        reading.others.append((row, seen))


def _read_singly(reading: _Reading) -> None:
    """Read the lines of rare spelling: write them anew in one spelling, then read all of one length together."""
    alike: dict[int, list[tuple[int, FrameLine, bytes]]] = defaultdict(list)
    for row, frame in reading.slow:
        columns, text = spelled(frame, _line(reading, row))
        alike[len(text)].append((row, columns, text))
    for length, members in alike.items():
        layout = compile_layout(members[0][1], members[0][2])
        if layout is None:  # the one spelling is always regular
            raise AssertionError(members[0][2])
        size = layout.words * WIDTH
        text = b"".join(member[2].ljust(size, b"\0") for member in members)
        words = np.frombuffer(text, np.uint64).reshape(len(members), layout.words).T.copy()
        columns = layout.convert(words)
        _store_singly(reading, members, columns, length)


def _store_singly(
    reading: _Reading, members: list[tuple[int, FrameLine, bytes]], columns: Columns, length: int
) -> None:
    rows = np.array([row for row, _, _ in members], np.intp)
    del length
    bad = columns.bad if columns.bad is not None else np.zeros(len(rows), bool)
    for row in rows[bad].tolist():
        reading.others.append((row, OtherLine(expected="a time stamp before the year 2262")))
    good = ~bad
    reading.time_ns[rows[good]] = columns.time_ns[good]
    reading.identifier[rows[good]] = columns.identifier[good]
    reading.first8[rows[good]] = columns.first8[good]
    if columns.long is not None:
        reading.long.append((rows[good], columns.long[good]))
    for (row, frame, _), is_good in zip(members, good.tolist(), strict=True):
        if is_good:
            number = reading.memory.channel(frame.constants.channel)
            reading.shared[row] = packed(frame.constants, number)
            reading.identifier[row] |= np.uint32(frame.constants.identifier_bits)


def _finished(reading: _Reading) -> BlockRows:
    """Bring everything into file order and cut it where the dialect turns."""
    reading.others.sort(key=lambda pair: pair[0])
    turn = next(((row, seen.dialect) for row, seen in reading.others if seen.dialect), None)
    lines = len(reading.starts)
    if turn is not None:
        lines = turn[0] + 1
        reading.others = [pair for pair in reading.others if pair[0] < lines]
        reading.shared[lines:] = NO_FRAME
    first = reading.block.first_line
    is_frame = reading.shared != NO_FRAME
    whole = bool(is_frame.all())
    rows: Rows | slice = slice(None) if whole else np.flatnonzero(is_frame)
    line = np.arange(first, first + len(reading.starts), dtype=np.int64)[rows]
    long_rows, long = _long_payloads(reading, is_frame, whole=whole)
    problems = [
        Problem(first + row, readable(_line(reading, row)), seen.expected)
        for row, seen in reading.others
        if seen.expected
    ]
    spoken = sorted(
        [row for row, seen in reading.others if seen.remark] + [row for row in reading.remarks if row < lines]
    )
    return BlockRows(
        reading.time_ns[rows],
        reading.identifier[rows],
        reading.first8[rows],
        reading.shared[rows],
        line,
        long_rows,
        long,
        lines,
        problems,
        [Remark(first + row, _text(_line(reading, row))) for row in spoken],
        [(first + row, seen.stamp_ns) for row, seen in reading.others if seen.remark and seen.stamp_ns >= 0],
        [first + row for row, seen in reading.others if seen.restart],
        turn,
    )


def _text(line: bytes) -> str:
    return line.decode("utf-8", "replace").strip()


def _long_payloads(
    reading: _Reading, is_frame: npt.NDArray[np.bool_], *, whole: bool
) -> tuple[Rows, npt.NDArray[np.uint8]]:
    if not reading.long:
        return np.zeros(0, np.intp), np.zeros((0, 64), np.uint8)
    rows = np.concatenate([rows for rows, _ in reading.long])
    long = np.concatenate([long for _, long in reading.long])
    kept = is_frame[rows]
    rows, long = rows[kept], long[kept]
    order = np.argsort(rows, kind="stable")
    rows = rows[order]
    if not whole:
        rows = (np.cumsum(is_frame) - 1)[rows]
    return rows, long[order]
