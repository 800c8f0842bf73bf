"""Streams: the frames of a recording put together by channel and identifier, all at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Rows = npt.NDArray[np.intp]
Keys = npt.NDArray[np.unsignedinteger]
Wide = type[np.uint32] | type[np.uint64]
Numbers = npt.NDArray[np.uint16]

REMOTE, ERROR = 1, 2  # of a frame's ``kind``
EXTENDED_BIT = 29
REMOTE_BIT = 30
CHANNEL_BIT = 31
"""Where a key holds, above the identifier, whether it is extended, whether it is a remote frame, and the channel."""
BLOCK = 1 << 16
"""Frames looked at in one step, so that what is computed stays in the processor's cache."""
TABLE_BITS = range(10, 19, 2)
"""Sizes of the tables that are tried for looking up the number of a key, as powers of two."""
SPREADS = 4
"""So many ways to spread the keys are tried with each size."""
MULTIPLIERS = {4: 0x9E37_79B1, 8: 0x9E37_79B9_7F4A_7C15}
"""Odd, by bytes of a key: 2**32 and 2**64 over the golden ratio; they spread the keys (Knuth, The Art of Computer
Programming 3, 6.4). Even numbers added to them give other spreads."""
MOST_KEYS = int(np.iinfo(np.uint16).max)


@dataclass(frozen=True, eq=False)
class Streams:
    """The data and remote frames of a recording by channel and identifier: one stream each, g in all.

    Error records belong to none. A remote frame asks for the data frame of its identifier and is sent by somebody
    else, so it has a stream of its own.

    Attributes
    ----------
    channel, identifier, is_extended, is_remote
        int16, uint32, bool, bool (g,): what the frames of each stream share; by channel, then data before remote
        frames, base before extended, then by identifier.
    rows
        intp (m,): rows of the trace, stream by stream, each in file order.
    start
        int64 (g + 1,): where each stream begins in ``rows``, and their end.
    length
        Rows of the trace.
    """

    channel: npt.NDArray[np.int16]
    identifier: npt.NDArray[np.uint32]
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

    def only(self, identifiers: npt.NDArray[np.uint32]) -> Streams:
        """Return the streams of some identifiers, flag bits removed."""
        wanted = np.isin(self.identifier, identifiers)
        if wanted.all():
            return self
        parts = [self.rows[self.start[each] : self.start[each + 1]] for each in np.flatnonzero(wanted).tolist()]
        return Streams(
            self.channel[wanted],
            self.identifier[wanted],
            self.is_extended[wanted],
            self.is_remote[wanted],
            np.concatenate(parts) if parts else self.rows[:0],
            np.append(0, np.cumsum(self.frames[wanted])),
            self.length,
        )

    def data_rows(self, identifier: int, *, is_extended: bool, channel: int | None = None) -> Rows:
        """Return the rows of the data frames that bear one identifier, in file order.

        Parameters
        ----------
        identifier, is_extended
            What the frames bear.
        channel
            Number of the only channel to look at; None for all.

        Returns
        -------
        intp (k,)
            Empty where the recording has none.
        """
        found = [self.rows[part] for part in self._data_parts(identifier, is_extended=is_extended, channel=channel)]
        if len(found) == 1:
            return found[0]
        return np.sort(np.concatenate(found)) if found else self.rows[:0]

    def data_part(self, identifier: int, *, is_extended: bool, channel: int | None = None) -> slice | None:
        """Return where in ``rows`` the :meth:`data_rows` lie; None where they are of several channels, or none."""
        found = self._data_parts(identifier, is_extended=is_extended, channel=channel)
        return found[0] if len(found) == 1 else None

    def _data_parts(self, identifier: int, *, is_extended: bool, channel: int | None) -> list[slice]:
        """Return where in ``rows`` each stream of these data frames lies."""
        return [
            slice(int(self.start[number]), int(self.start[number + 1]))
            for number in self._of_data.get((identifier, is_extended), ())
            if channel is None or self.channel[number] == channel
        ]

    def data_identifiers(self) -> list[tuple[int, bool]]:
        """Return the identifiers of all data frames and whether they are extended, ascending, base ones first."""
        return sorted(self._of_data, key=lambda key: key[::-1])

    @cached_property
    def _of_data(self) -> dict[tuple[int, bool], list[int]]:
        """Identifier and whether it is extended -> the streams of its data frames, one for each channel."""
        out: dict[tuple[int, bool], list[int]] = {}
        for number, key in enumerate(zip(self.identifier.tolist(), self.is_extended.tolist(), strict=True)):
            if not self.is_remote[number]:
                out.setdefault(key, []).append(number)
        return out


def streams_of(
    channel: npt.NDArray[np.int16],
    identifier: npt.NDArray[np.uint32],
    is_extended: Bools,
    kind: npt.NDArray[np.uint8],
) -> Streams:
    """Put the data and remote frames together by channel and identifier.

    Parameters
    ----------
    channel, identifier, is_extended, kind
        int16, uint32, bool, uint8 (n,): columns of a trace.
    """
    wide: Wide = np.uint64 if channel.any() else np.uint32
    table = _Table(wide)
    number = np.empty(len(kind), np.uint16)
    place: npt.NDArray[np.integer]
    try:
        for first in range(0, len(kind), BLOCK):
            block = slice(first, first + BLOCK)
            key = _keys(channel[block], identifier[block], is_extended[block], kind[block], wide)
            number[block] = table.numbers(key)
    except _TooManyKeysError:
        keys = _keys(channel, identifier, is_extended, kind, wide)
        met, place = np.unique(keys, return_inverse=True)
    else:
        met, place = table.in_order(number)
    known = met[met != _of_errors(wide)].astype(np.int64)
    frames = np.bincount(place, minlength=len(known))[: len(known)]
    rows = np.argsort(place, kind="stable")[: frames.sum()]
    return Streams(
        channel=(known >> CHANNEL_BIT).astype(np.int16),
        identifier=(known & ((1 << EXTENDED_BIT) - 1)).astype(np.uint32),
        is_extended=(known >> EXTENDED_BIT & 1).astype(np.bool_),
        is_remote=(known >> REMOTE_BIT & 1).astype(np.bool_),
        rows=rows,
        start=np.append(0, np.cumsum(frames)),
        length=len(kind),
    )


def _keys(
    channel: npt.NDArray[np.int16],
    identifier: npt.NDArray[np.uint32],
    is_extended: Bools,
    kind: npt.NDArray[np.uint8],
    wide: Wide,
) -> Keys:
    """Return one number for all that tells streams apart; of all error records the same, the largest."""
    key: Keys = is_extended.astype(wide)
    key <<= wide(EXTENDED_BIT)
    key |= identifier
    if wide is np.uint64:
        key |= channel.astype(wide) << wide(CHANNEL_BIT)
    if kind.any():
        key |= (kind == REMOTE).astype(wide) << wide(REMOTE_BIT)
        key[kind == ERROR] = _of_errors(wide)
    return key


def _of_errors(wide: Wide) -> int:
    """Return the key of all error records; that below it is none's."""
    return int(np.iinfo(wide).max)


class _TooManyKeysError(Exception):
    """More keys than a table can hold without two in one cell."""


class _Table:
    """Numbers keys in the order in which they are met, by a table in which each has a cell of its own.

    Where a new key finds its cell taken, all are spread anew, over more cells or otherwise; the numbers stay.
    """

    def __init__(self, wide: Wide) -> None:
        self._wide = wide
        self._met: list[int] = []
        self._bits = TABLE_BITS[0]
        self._spread(self._bits, 0)

    def numbers(self, key: Keys) -> Numbers:
        """Return uint16 (k,): the number of each key."""
        cell = self._cells(key)
        is_new = self._held.take(cell) != key
        if is_new.any():
            self._add(np.unique(key[is_new]).tolist())
            cell = self._cells(key)
        return self._number.take(cell)

    def in_order(self, number: Numbers) -> tuple[Keys, npt.NDArray[np.integer]]:
        """Return the keys, ascending, and the place of each number among them."""
        met: Keys = np.array(self._met, self._wide)
        order = np.argsort(met)
        place = np.empty(len(met), np.uint16)
        place[order] = np.arange(len(met), dtype=np.uint16)
        return met[order], place.take(number) if len(met) else number

    def _cells(self, key: Keys) -> Keys:
        """Return the cell of each key."""
        cell: Keys = key * self._multiplier
        cell >>= self._shift
        return cell

    def _add(self, keys: list[int]) -> None:
        """Hold more keys."""
        self._met += keys
        if len(self._met) > MOST_KEYS:
            raise _TooManyKeysError
        for bits in TABLE_BITS:
            for spread in range(SPREADS if bits >= self._bits else 0):
                if self._spread(bits, spread):
                    return
        raise _TooManyKeysError

    def _spread(self, bits: int, spread: int) -> bool:
        """Put every key in its cell; tell whether each has one of its own."""
        width = np.dtype(self._wide).itemsize
        self._multiplier = self._wide(MULTIPLIERS[width] + 2 * spread)
        self._shift = self._wide(8 * width - bits)
        self._bits = bits
        self._held = np.full(1 << bits, _of_errors(self._wide) - 1, self._wide)
        self._number = np.zeros(1 << bits, np.uint16)
        met: Keys = np.array(self._met, self._wide)
        cell = self._cells(met)
        self._held[cell] = met
        self._number[cell] = np.arange(len(met), dtype=np.uint16)
        return bool((self._held[cell] == met).all())
