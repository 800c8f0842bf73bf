"""Streams: the frames of a recording put together by channel and identifier, all at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Rows = npt.NDArray[np.intp]

REMOTE, ERROR = 1, 2  # of a frame's ``kind``
EXTENDED_BIT = 29
REMOTE_BIT = 30
CHANNEL_BIT = 31
"""Where a key holds, above the identifier, whether it is extended, whether it is a remote frame, and the channel."""
OF_ERRORS = np.iinfo(np.uint64).max
"""Key of all error records, above that of any frame."""
MOST_SHORT = 1 << 16
"""So many streams can be numbered in 16 bits."""


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
    key = _keys(channel, identifier, is_extended, kind)
    met = np.unique(key)
    place = np.searchsorted(met, key)
    if len(met) <= MOST_SHORT:
        place = place.astype(np.uint16)  # numpy sorts numbers of 16 bits by radix, ten times as fast as longer ones
    known = met[met != OF_ERRORS].astype(np.int64)
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
    channel: npt.NDArray[np.int16], identifier: npt.NDArray[np.uint32], is_extended: Bools, kind: npt.NDArray[np.uint8]
) -> npt.NDArray[np.uint64]:
    """Return one number for all that tells streams apart; of all error records the same, the largest."""
    key = is_extended.astype(np.uint64)
    key <<= np.uint64(EXTENDED_BIT)
    key |= identifier
    if channel.any():
        key |= channel.astype(np.uint64) << np.uint64(CHANNEL_BIT)
    if kind.any():
        key |= (kind == REMOTE).astype(np.uint64) << np.uint64(REMOTE_BIT)
        key[kind == ERROR] = OF_ERRORS
    return key
