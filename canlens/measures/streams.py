"""Streams: the frames of a recording put together by channel and identifier, all at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.trace import Kind

if TYPE_CHECKING:
    from canlens.trace import Bools, Channels, Identifiers, Ints, Rows, Trace

    Keys = npt.NDArray[np.unsignedinteger]

EXTENDED_BIT = 29
REMOTE_BIT = 30
CHANNEL_BIT = 31
"""Where a key holds, above the identifier, whether it is extended, whether it is a remote frame, and the channel."""
TABLE_BITS = range(10, 19, 2)
"""Sizes of the tables that are tried for looking up the number of a key, as powers of two."""
MULTIPLIERS = {4: 0x9E37_79B1, 8: 0x9E37_79B9_7F4A_7C15}
"""Odd, by bytes of a key: 2**32 and 2**64 over the golden ratio; they spread the keys (Knuth, The Art of Computer
Programming 3, 6.4)."""


@dataclass(frozen=True, eq=False)
class Streams:
    """The data and remote frames of a recording by channel and identifier: one stream each, g in all.

    Attributes
    ----------
    channel, identifier, is_extended, is_remote
        int16, uint32, bool, bool (g,): what the frames of each stream share; by channel, then by identifier.
    rows
        intp (m,): rows of the trace, stream by stream, each in file order.
    start
        int64 (g + 1,): where each stream begins in ``rows``, and their end.
    length
        Rows of the trace.
    """

    channel: Channels
    identifier: Identifiers
    is_extended: Bools
    is_remote: Bools
    rows: Rows
    start: Ints
    length: int

    def __len__(self) -> int:
        return len(self.identifier)

    @cached_property
    def number(self) -> Ints:
        """int64 (n,): number of each row's stream; -1 for rows of none."""
        out = np.full(self.length, -1, np.int64)
        out[self.rows] = np.repeat(np.arange(len(self)), self.frames)
        return out

    @property
    def frames(self) -> Ints:
        """int64 (g,): frames of each stream."""
        return np.diff(self.start)


def streams(trace: Trace, *, only: Identifiers | None = None) -> Streams:
    """Put the data and remote frames together by channel and identifier.

    Error records belong to none. A remote frame asks for the data frame of its identifier and is sent by somebody
    else, so it has a stream of its own.

    Parameters
    ----------
    trace
        The recording.
    only
        The identifiers that are wanted, flag bits removed; None: all.
    """
    wanted = trace.kind != Kind.ERROR
    if only is not None:
        wanted &= np.isin(trace.identifier, only)
    every = bool(wanted.all())
    rows = np.flatnonzero(wanted)
    key = _keys(trace) if every else _keys(trace)[rows]
    known, number = _numbered(key)
    order = np.argsort(number, kind="stable")
    return Streams(
        channel=(known >> CHANNEL_BIT).astype(np.int16),
        identifier=(known & ((1 << EXTENDED_BIT) - 1)).astype(np.uint32),
        is_extended=(known >> EXTENDED_BIT & 1).astype(np.bool_),
        is_remote=(known >> REMOTE_BIT & 1).astype(np.bool_),
        rows=order if every else rows[order],
        start=np.append(0, np.cumsum(np.bincount(number, minlength=len(known)))),
        length=len(trace),
    )


def _keys(trace: Trace) -> Keys:
    """Return one number for all that tells streams apart."""
    several = len(trace.channels) > 1
    key: Keys = trace.identifier.astype(np.uint64) if several else trace.identifier.copy()
    kind = key.dtype
    key |= trace.is_extended.astype(kind) << EXTENDED_BIT
    is_remote = trace.kind == Kind.REMOTE
    if is_remote.any():
        key |= is_remote.astype(kind) << REMOTE_BIT
    if several:
        key |= trace.channel.astype(kind) << CHANNEL_BIT
    return key


def _numbered(key: Keys) -> tuple[Ints, npt.NDArray[np.generic]]:
    """Return the different keys, ascending, and the place of each key among them.

    A table that holds each key where a multiplication puts it is quicker than sorting, where no two keys meet.
    """
    width = key.dtype.itemsize
    spread = key * key.dtype.type(MULTIPLIERS[width])
    for bits in TABLE_BITS:
        place = spread >> key.dtype.type(8 * width - bits)
        table = np.zeros(1 << bits, key.dtype)
        table[place] = key
        if (table[place] == key).all():
            is_taken = np.zeros(1 << bits, np.bool_)
            is_taken[place] = True
            taken = np.flatnonzero(is_taken)
            order = np.argsort(table[taken])
            numbers = np.zeros(1 << bits, np.uint16 if len(taken) <= np.iinfo(np.uint16).max else np.int64)
            numbers[taken[order]] = np.arange(len(taken))
            return table[taken[order]].astype(np.int64), numbers[place]
    known = np.unique(key).astype(np.int64)
    return known, np.searchsorted(known, key.astype(np.int64))
