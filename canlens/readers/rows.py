"""Rows: a block of lines before it is read, and after; and what is carried from one block to the next."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from canlens.readers.compiling import UPPER
from canlens.readers.grammar import LONGEST_LINE, Dialect
from canlens.readers.words import WIDTH, Bench, positions
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.readers.layouts import Layout
    from canlens.readers.templates import Template
    from canlens.trace import Problem, Remark

Rows = npt.NDArray[np.intp]

SLACK: Final = LONGEST_LINE + 32 * WIDTH
"""Bytes of a block before its text and, rounded up, behind it, so that no word is cut off."""
MOST_CHANNELS: Final = 32_000
"""Names of channels in one file; more are damage."""
NO_FRAME: Final = np.uint64(2**64 - 1)
"""Stands in ``shared`` for a line that is no frame."""


@dataclass
class Memory:
    """What is carried from block to block of one file.

    Attributes
    ----------
    layouts
        Those met so far, in each dialect.
    tails
        What was met behind the data bytes, by its length, for each kind of tail.
    channels
        Numbers of the channels met so far, those among them of which no frame came.
    letter_step
        Case of the letters met last.
    resolution_ns
        The finest step of the time stamps [ns].
    bench
        Room for the words of one block.
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
        uint64 (n,): what frames of one layout share, see :func:`canlens.readers.layouts.packed`.
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
