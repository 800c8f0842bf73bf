"""Streams: the frames of a recording put together by channel and identifier, all at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.trace import Kind

if TYPE_CHECKING:
    from canlens.trace import Bools, Channels, Identifiers, Ints, Rows, Trace

EXTENDED_BIT = 29
REMOTE_BIT = 30
CHANNEL_BIT = 31
"""Where a key holds, above the identifier, whether it is extended, whether it is a remote frame, and the channel."""
PRIMES = (257, 1031, 4099, 8209, 16411, 32771, 65537, 131101, 262147)
"""Sizes of the tables that are tried for looking up the number of a key."""


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
    number
        int64 (n,): number of each row's stream; -1 for error records.
    """

    channel: Channels
    identifier: Identifiers
    is_extended: Bools
    is_remote: Bools
    rows: Rows
    start: Ints
    number: Ints

    def __len__(self) -> int:
        return len(self.identifier)

    @property
    def frames(self) -> Ints:
        """int64 (g,): frames of each stream."""
        return np.diff(self.start)


def streams(trace: Trace) -> Streams:
    """Put the data and remote frames together by channel and identifier.

    Error records belong to none. A remote frame asks for the data frame of its identifier and is sent by somebody
    else, so it has a stream of its own.
    """
    is_frame = trace.kind != Kind.ERROR
    every = bool(is_frame.all())
    rows = np.arange(len(trace)) if every else np.flatnonzero(is_frame)
    key = _keys(trace) if every else _keys(trace)[rows]
    known, number = _numbered(key)
    order = np.argsort(number, kind="stable")
    start = np.append(0, np.cumsum(np.bincount(number, minlength=len(known))))
    of_row = np.full(len(trace), -1, np.int64)
    of_row[rows] = number
    return Streams(
        channel=(known >> CHANNEL_BIT).astype(np.int16),
        identifier=(known & ((1 << EXTENDED_BIT) - 1)).astype(np.uint32),
        is_extended=(known >> EXTENDED_BIT & 1).astype(np.bool_),
        is_remote=(known >> REMOTE_BIT & 1).astype(np.bool_),
        rows=order if every else rows[order],
        start=start,
        number=of_row,
    )


def _keys(trace: Trace) -> Ints:
    """Return one number for all that tells streams apart."""
    key = trace.identifier.astype(np.int64)
    key |= trace.is_extended.astype(np.int64) << EXTENDED_BIT
    if (trace.kind == Kind.REMOTE).any():
        key |= (trace.kind == Kind.REMOTE).astype(np.int64) << REMOTE_BIT
    if len(trace.channels) > 1:
        key |= trace.channel.astype(np.int64) << CHANNEL_BIT
    return key


def _numbered(key: Ints) -> tuple[Ints, npt.NDArray[np.generic]]:
    """Return the different keys, ascending, and the place of each key among them; a table is quicker than a search."""
    known = np.unique(key)
    kind = np.uint16 if len(known) <= np.iinfo(np.uint16).max else np.int64
    size = next((size for size in PRIMES if len(np.unique(known % size)) == len(known)), None)
    if size is None:
        return known, np.searchsorted(known, key).astype(kind)
    table = np.zeros(size, kind)
    table[known % size] = np.arange(len(known))
    return known, table[key % size]
