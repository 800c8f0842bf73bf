"""One block of whole lines read at once: the engine behind every format of one line a record.

The first words of all lines are gathered as columns and compared with the layouts met before. What fits is
converted together. For the rest the grammar is asked, line by line: its answer becomes a new layout where it
serves many lines; lines of rare spelling are written anew in one spelling and then read together.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from canlens.readers.engine.assembly import BlockRows, Rows, text_of
from canlens.readers.engine.compiling import (
    FRACTION_DIGITS,
    UPPER,
    case_of,
    channel_word,
    checked,
    compile_layout,
    key_of,
    spelled,
)
from canlens.readers.engine.digits import WIDTH, Bench, Words, gather, positions
from canlens.readers.engine.grammar import TOO_LATE, TOO_LONG, Dialect, FrameLine, Grammar, OtherLine, readable
from canlens.readers.engine.layouts import (
    CHANNEL_BIT,
    BlockLines,
    Columns,
    Layout,
    Template,
    packed,
    unlike_all,
    with_tails,
)
from canlens.readers.opening import LONGEST_LINE
from canlens.trace import NANOSECONDS_PER_SECOND, Problem, Remark

SLACK: Final = LONGEST_LINE + 32 * WIDTH
"""Bytes of a block before its text and, rounded up, behind it, so that no word is cut off."""
MOST_CHANNELS: Final = 32_000
"""Names of channels in one file; more are damage."""
NO_FRAME: Final = np.uint64(2**64 - 1)
"""Stands in ``shared`` for a line that is no frame."""
MANY: Final = 16
"""Fewer lines than this are not worth a layout of their own."""
TRIES: Final = 12
"""New layouts that may serve few lines of a block before what is left is read line by line."""
KEPT_LAYOUTS: Final = 32
"""Layouts kept for later blocks."""
KEPT_CHANNELS: Final = 8
KEPT_TAILS: Final = 32
"""Names of channels, and tails, that one layout keeps."""


@dataclass
class Memory:
    """What is carried from block to block of one file.

    Attributes
    ----------
    tails
        What was met behind the data bytes, by its length, for each kind of tail.
    channels
        Numbers of the channels met so far, those among them of which no frame came.
    letter_step
        Case of the letters met last.
    resolution_ns
        The finest step of the time stamps [ns].
    """

    layouts: dict[Dialect, dict[object, Layout]] = field(default_factory=dict)
    tails: dict[tuple[Dialect, str], dict[int, tuple[Template, ...]]] = field(default_factory=dict)
    channels: dict[bytes, int] = field(default_factory=dict)
    letter_step: int = UPPER
    resolution_ns: int = NANOSECONDS_PER_SECOND
    bench: Bench = field(default_factory=Bench)

    def channel(self, name: bytes) -> int:
        """Return the number of a channel, -1 if there are too many."""
        number = self.channels.get(name)
        if number is None:
            if len(self.channels) >= MOST_CHANNELS:
                return -1
            number = self.channels[name] = len(self.channels)
        return number

    def layouts_of(self, dialect: Dialect) -> dict[object, Layout]:
        """Return the layouts that serve one dialect."""
        return self.layouts.setdefault(dialect, {})


@dataclass
class Block:
    """Whole lines of a file.

    Attributes
    ----------
    buffer
        uint8: the text, with at least :data:`SLACK` before and behind it.
    first_line
        Number of its first line, 1-based.
    starts, lengths
        int64 (n,) each: where each line begins in the buffer, and how long it is without its end.
    """

    buffer: npt.NDArray[np.uint8]
    first_line: int
    starts: npt.NDArray[np.int64]
    lengths: npt.NDArray[np.int64]

    def after(self, row: int) -> Block:
        """Return what follows one of its lines."""
        return Block(self.buffer, self.first_line + row + 1, self.starts[row + 1 :], self.lengths[row + 1 :])


def block_of(buffer: npt.NDArray[np.uint8], stop: int, first_line: int) -> Block:
    """Find the lines of the text that stands in a buffer from :data:`SLACK` to ``stop``."""
    width = -(-(stop - SLACK) // WIDTH) * WIDTH
    ends = positions(buffer[SLACK : SLACK + width], ord("\n"))
    ends += SLACK
    ends = ends[: np.searchsorted(ends, stop)]
    if stop > SLACK and (not len(ends) or ends[-1] != stop - 1):
        ends = np.append(ends, stop)
    starts = np.empty(len(ends), np.int64)
    starts[:1] = SLACK
    np.add(ends[:-1], 1, out=starts[1:])
    return Block(buffer, first_line, starts, ends - starts)


class _Reading:
    """The work on one block."""

    def __init__(self, block: Block, grammar: Grammar, dialect: Dialect, memory: Memory) -> None:
        self.text = block.buffer
        self.first_line = block.first_line
        self.grammar = grammar
        self.dialect = dialect
        self.memory = memory
        self.starts, self.lengths = block.starts, block.lengths
        lines = len(self.starts)
        self.time_ns = np.empty(lines, np.uint64)
        self.identifier = np.empty(lines, np.uint32)
        self.first8 = np.empty(lines, np.uint64)
        self.shared = np.full(lines, NO_FRAME)
        self._words: Words | None = None
        self.long: list[tuple[Rows, npt.NDArray[np.uint8]]] = []
        self.others: list[tuple[int, OtherLine]] = []
        self.remarks: list[int] = []
        self.tails: list[tuple[Layout, Rows, npt.NDArray[np.int64]]] = []
        self.singles: list[tuple[int, FrameLine]] = []

    def line(self, row: int) -> bytes:
        """Return one line as written, without its end."""
        start = int(self.starts[row])
        return self.text[start : start + int(self.lengths[row])].tobytes()

    def lines_at(self, rows: Rows) -> BlockLines:
        """Return some lines by their numbers."""
        return BlockLines(rows, self.starts.take(rows), self.lengths.take(rows))

    def first_words(self, count: int) -> Words:
        """Return the first ``count`` words of every line, as uint64 (count, lines)."""
        if self._words is None or len(self._words) < count:
            most = max((layout.words for layout in self.memory.layouts_of(self.dialect).values()), default=count)
            self._words = self.memory.bench.gather(self.text, self.starts, max(count, most))
        return self._words[:count]

    def look(self, row: int) -> FrameLine | OtherLine:
        """Ask the grammar about one line."""
        if self.lengths[row] > LONGEST_LINE:
            return OtherLine(expected=TOO_LONG)
        line = self.line(row)
        seen = self.grammar.read_line(line, self.dialect)
        if isinstance(seen, FrameLine):
            seen = checked(seen, line)
        if isinstance(seen, FrameLine) and self.memory.channel(seen.constants.channel) < 0:
            return OtherLine(expected=f"at most {MOST_CHANNELS} names of channels in one file")
        if isinstance(seen, FrameLine):
            step = 10 ** max(FRACTION_DIGITS - seen.fraction.stop + seen.fraction.start, 0)
            self.memory.resolution_ns = min(self.memory.resolution_ns, step)
        return seen

    def note(self, row: int, seen: FrameLine | OtherLine) -> None:
        """Put a line aside to be read by itself, or for what it says."""
        if isinstance(seen, OtherLine):
            self.others.append((row, seen))
            return
        self.singles.append((row, seen))
        if seen.remark:
            self.remarks.append(row)

    def store(self, columns: Columns) -> None:
        """Put what was read into its rows."""
        rows = columns.rows
        self.time_ns[rows] = columns.time_ns
        self.identifier[rows] = columns.identifier
        self.first8[rows] = columns.first8
        self.shared[rows] = columns.shared
        if columns.long is not None:
            self.long.append((rows, columns.long))


def read_block(block: Block, grammar: Grammar, dialect: Dialect, memory: Memory) -> BlockRows:
    """Read every line of a block.

    Lines that are no frame come back as problems, remarks or not at all (blank lines), as the grammar says.
    """
    reading = _Reading(block, grammar, dialect, memory)
    pending = BlockLines(np.arange(len(reading.starts)), reading.starts, reading.lengths)
    for layout in sorted(memory.layouts_of(dialect).values(), key=lambda layout: -layout.hits):
        pending = _read_by(reading, layout, pending)
    pending = _with_misfits(reading, pending)
    for row in _by_new_layouts(reading, pending).rows.tolist():
        reading.note(row, reading.look(row))
    _read_singly(reading)
    return _finished(reading)


def _read_by(reading: _Reading, layout: Layout, pending: BlockLines) -> BlockLines:
    """Read those lines that fit a layout; return the others."""
    if not len(pending.rows):
        return pending
    words = reading.first_words(layout.words)
    probe = words[layout.probe]
    if len(pending.rows) < len(probe):
        probe = probe.take(pending.rows)
    unlike = layout.probed(probe)
    alike = pending if unlike is None else pending.of(np.flatnonzero(~unlike))
    if not len(alike.rows):
        layout.hits = 0
        return pending
    whole = len(alike.rows) == words.shape[1]
    columns = layout.read(reading.text, alike, words.copy() if whole else words.take(alike.rows, axis=1))
    reading.store(columns)
    if layout.tail_kind:
        length = (columns.shared >> np.uint64(8)).view(np.int64) & 0xFF
        reading.tails.append((layout, columns.rows, length * layout.data.pitch + layout.data.run))
    layout.hits = len(columns.rows)
    if len(columns.rows) < len(alike.rows):
        return pending.of(np.flatnonzero(reading.shared[pending.rows] == NO_FRAME))
    return pending.of(np.flatnonzero(unlike)) if unlike is not None else pending.of(pending.rows[:0])


def _with_misfits(reading: _Reading, pending: BlockLines) -> BlockLines:
    """Compare the tails that were left for the end; lines with a tail never met before are pending again."""
    if not reading.tails:
        return pending
    strays: list[Rows] = []
    kinds: dict[str, list[tuple[Rows, npt.NDArray[np.int64]]]] = defaultdict(list)
    for layout, rows, stops in reading.tails:
        kinds[layout.tail_kind].append((rows, reading.lengths.take(rows) - stops))
    reading.tails.clear()
    for kind, parts in kinds.items():
        known = reading.memory.tails.get((reading.dialect, kind), {})
        rows = np.concatenate([rows for rows, _ in parts])
        over = np.concatenate([over for _, over in parts])
        counts = np.bincount(np.maximum(over, -1) + 1)
        for tail in (np.flatnonzero(counts) - 1).tolist():
            if tail == 0:
                continue
            which = rows.take(np.flatnonzero(over == tail if tail >= 0 else over < 0))
            ends = reading.starts.take(which) + reading.lengths.take(which) - tail
            misfits = unlike_all(known.get(tail, ()), reading.text, ends, tail)
            if len(misfits):
                strays.append(which.take(misfits))
    if not strays:
        return pending
    rows = np.concatenate(strays)
    reading.shared[rows] = NO_FRAME
    return reading.lines_at(np.sort(np.concatenate([rows, pending.rows])))


def _by_new_layouts(reading: _Reading, pending: BlockLines) -> BlockLines:
    """Make layouts of the first lines that are frames, while that pays."""
    failures = 0
    while failures < TRIES and len(pending.rows) >= MANY:
        row = int(pending.rows[0])
        seen = reading.look(row)
        layout = _layout_for(reading, row, seen)
        left = _with_misfits(reading, _read_by(reading, layout, pending)) if layout else pending
        if len(left.rows) and left.rows[0] == row:  # no frame, or of rare spelling
            reading.note(row, seen)
            left = left.of(np.arange(1, len(left.rows)))
        failures += len(pending.rows) - len(left.rows) < MANY
        pending = left
    return pending


def _layout_for(reading: _Reading, row: int, seen: FrameLine | OtherLine) -> Layout | None:
    """Make a layout of a line, or let the layout that it nearly fits learn from it."""
    if isinstance(seen, OtherLine) or seen.remark:
        return None
    memory = reading.memory
    line = reading.line(row)
    memory.letter_step = case_of(seen, line) or memory.letter_step
    layout = compile_layout(seen, line, memory.letter_step)
    if layout is None:
        return None
    number = memory.channel(seen.constants.channel)
    known = memory.layouts_of(reading.dialect)
    if layout.tail_kind:
        of_kind = (reading.dialect, layout.tail_kind)
        memory.tails[of_kind] = with_tails(memory.tails.get(of_kind, {}), layout.tails, KEPT_TAILS)
    old = known.get(key_of(layout))
    if old is None:
        layout.channels = ((channel_word(seen), number),)
        while len(known) >= KEPT_LAYOUTS:
            del known[min(known, key=lambda key: known[key].hits)]
        known[key_of(layout)] = layout
        return layout
    old.learn(channel_word(seen), number, layout.tails, KEPT_CHANNELS, KEPT_TAILS)
    return old


def _read_singly(reading: _Reading) -> None:
    """Read the lines of rare spelling: write them anew in one spelling, then read all of one length together."""
    alike: dict[int, list[tuple[int, FrameLine, FrameLine, bytes]]] = defaultdict(list)
    for row, seen in reading.singles:
        frame, text = spelled(seen, reading.line(row))
        alike[len(text)].append((row, seen, frame, text))
    for length, members in alike.items():
        layout = compile_layout(members[0][2], members[0][3])
        if layout is None:
            raise AssertionError(members[0][3])
        layout.channels = ((0, 0),)
        together = b"".join([bytes(SLACK), *(member[3] for member in members), bytes(SLACK)])
        buffer = np.frombuffer(together, np.uint8)
        starts = SLACK + length * np.arange(len(members), dtype=np.int64)
        lines = BlockLines(np.arange(len(members)), starts, np.full(len(members), length, np.int64))
        columns = layout.read(buffer, lines, gather(buffer, starts, layout.words))
        _store_singly(reading, members, columns)


def _store_singly(reading: _Reading, members: list[tuple[int, FrameLine, FrameLine, bytes]], columns: Columns) -> None:
    """Put single lines into their rows, each with its own constants."""
    frames = [(row, seen.constants) for row, seen, _, _ in members]
    late = set(range(len(members))) - set(columns.rows.tolist())
    reading.others.extend((frames[index][0], OtherLine(expected=TOO_LATE)) for index in late)
    kept = [frames[index] for index in columns.rows.tolist()]
    shared = [packed(constants) | reading.memory.channel(constants.channel) << CHANNEL_BIT for _, constants in kept]
    bits = np.array([constants.identifier_bits for _, constants in kept], np.uint64)
    reading.store(
        Columns(
            np.array([row for row, _ in kept], np.intp),
            columns.time_ns,
            columns.identifier | bits,
            columns.first8,
            np.array(shared, np.uint64),
            columns.long,
        )
    )


def _finished(reading: _Reading) -> BlockRows:
    """Bring everything into file order and cut it where the dialect turns."""
    others = sorted(reading.others, key=lambda pair: pair[0])
    turn = next(((row, seen.dialect) for row, seen in others if seen.dialect), None)
    lines = len(reading.starts) if turn is None else turn[0] + 1
    others = [pair for pair in others if pair[0] < lines]
    reading.shared[lines:] = NO_FRAME
    is_frame = reading.shared != NO_FRAME
    whole = bool(is_frame.all())
    rows: Rows | slice = slice(None) if whole else np.flatnonzero(is_frame)
    first = reading.first_line
    long_rows, long = _long_payloads(reading, is_frame, whole=whole)
    spoken = sorted([row for row, seen in others if seen.remark] + [row for row in reading.remarks if row < lines])
    return BlockRows(
        time_ns=reading.time_ns[rows],
        identifier=reading.identifier[rows],
        first8=reading.first8[rows],
        shared=reading.shared[rows],
        line=range(first, first + len(reading.starts)) if isinstance(rows, slice) else first + rows,
        long_rows=long_rows,
        long=long,
        problems=[
            Problem(first + row, readable(reading.line(row)), seen.expected) for row, seen in others if seen.expected
        ],
        remarks=[Remark(first + row, text_of(reading.line(row)).strip()) for row in spoken],
        events=[(first + row, seen.stamp_ns) for row, seen in others if seen.stamp_ns >= 0],
        restarts=[first + row for row, seen in others if seen.restart],
        turn=turn,
    )


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
