"""The rows of many identifiers, found in one pass over a recording."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.trace import Kind, Rows, Trace

if TYPE_CHECKING:
    from collections.abc import Iterable

Key = tuple[int, bool]
"""Identifier and whether it is extended."""

BLOCK = 1 << 16
"""Frames looked at in one step, so that what is computed stays in the processor's cache."""
TABLE_BITS = 16
MULTIPLIER = 0x9E37_79B1
"""Odd, 2**32 over the golden ratio: it spreads the keys (Knuth, The Art of Computer Programming 3, 6.4)."""
MOST_KEYS = np.iinfo(np.int16).max
EXTENDED = 1 << 31
"""Tells an extended identifier from a base one in one 32-bit key."""


def find_rows(trace: Trace, keys: Iterable[Key], *, channel: str | None = None) -> dict[Key, Rows]:
    """Find the data frames of each identifier.

    Parameters
    ----------
    trace
        The recording.
    keys
        (identifier, is_extended), each at most once of interest.
    channel
        Name of the only channel to look at; None for all.

    Returns
    -------
    dict
        Key -> intp (k,): rows in file order, empty where the recording has none. Remote frames and error
        records carry no payload and are not among them.
    """
    wanted = list(dict.fromkeys(keys))
    found: dict[Key, Rows] = {}
    multiplier = MULTIPLIER
    while wanted:
        table = _Table(wanted, multiplier)
        slots = table.slots(trace, channel)
        rows = np.flatnonzero(slots >= 0)
        if len(rows) == len(slots):
            rows = np.argsort(slots, kind="stable")
        else:
            slots = slots[rows]
            rows = rows[np.argsort(slots, kind="stable")]
        ends = np.cumsum(np.bincount(slots, minlength=len(table.keys)))
        parts = np.split(rows, ends[:-1])
        found.update(zip(table.keys, parts, strict=True))
        wanted = table.left_over
        multiplier += 2
    return found


class _Table:
    """A hash table in which every key has a cell of its own; keys that find theirs taken are left over."""

    def __init__(self, wanted: list[Key], multiplier: int) -> None:
        self._multiplier = np.uint32(multiplier)
        self.keys: list[Key] = []
        self.left_over: list[Key] = []
        self._cells = np.full(1 << TABLE_BITS, -1, np.int16)
        codes: list[int] = []
        for identifier, is_extended in wanted:
            code = identifier | (EXTENDED if is_extended else 0)
            cell = (code * multiplier & 0xFFFF_FFFF) >> (32 - TABLE_BITS)
            if self._cells[cell] >= 0 or len(codes) == MOST_KEYS:
                self.left_over.append((identifier, is_extended))
                continue
            self._cells[cell] = len(codes)
            codes.append(code)
            self.keys.append((identifier, is_extended))
        self._codes = np.array([*codes, 0], np.uint32)

    def slots(self, trace: Trace, channel: str | None) -> npt.NDArray[np.int16]:
        """Return int16 (n,): index into ``keys`` of each frame, -1 for frames of no interest."""
        out = np.empty(len(trace), np.int16)
        index = -1 if channel is None else _channel_index(trace, channel)
        for start in range(0, len(trace), BLOCK):
            block = slice(start, start + BLOCK)
            codes = trace.is_extended[block].astype(np.uint32)
            codes <<= 31
            codes |= trace.identifier[block]
            slots = self._cells.take(codes * self._multiplier >> (32 - TABLE_BITS))
            other = self._codes.take(slots, mode="wrap") != codes
            other |= trace.kind[block] != Kind.DATA
            if channel is not None:
                other |= trace.channel[block] != index
            slots[other] = -1
            out[block] = slots
        return out


def _channel_index(trace: Trace, channel: str) -> int:
    return trace.channels.index(channel) if channel in trace.channels else -1
