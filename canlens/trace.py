"""Trace: one recording as immutable columns, in file order; its payload, and its frames by channel and identifier."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar, Literal, overload

import numpy as np
import numpy.typing as npt

from canlens import wire

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Identifiers = npt.NDArray[np.uint32]
Channels = npt.NDArray[np.int16]
Rows = npt.NDArray[np.intp]

NANOSECONDS_PER_SECOND = 1_000_000_000

COLUMNS: dict[str, type[np.generic]] = {
    "time_ns": np.int64,
    "segment": np.int32,
    "channel": np.int16,
    "identifier": np.uint32,
    "is_extended": np.bool_,
    "kind": np.uint8,
    "is_fd": np.bool_,
    "bit_rate_switch": np.bool_,
    "error_state_indicator": np.bool_,
    "is_rx": np.bool_,
    "dlc": np.uint8,
    "line": np.int64,
}
"""The plain columns of a trace, in order, with their types; the payload stands beside them."""

EXTENDED_BIT = 29
REMOTE_BIT = 30
CHANNEL_BIT = 31
"""Where a key holds, above the identifier, whether it is extended, whether it is a remote frame, and the channel."""
OF_ERRORS = np.iinfo(np.uint64).max
"""Key of all error records, above that of any frame."""
MOST_SHORT = 1 << 16
"""So many streams can be numbered in 16 bits."""


class Kind(IntEnum):
    """What a recorded frame is."""

    DATA = 0
    REMOTE = 1
    ERROR = 2


@dataclass(frozen=True)
class Problem:
    """Something in a file that could not be used as it stands; the rest was.

    Attributes
    ----------
    line
        Line number, 1-based (record number in binary formats); 0 where no place can be told.
    found
        What stands there, cut to a readable length.
    expected
        What should stand there.
    count
        How many lines of the same kind follow this one and are not listed singly, this one included.
    """

    WRITTEN: ClassVar = "line found expected count"

    line: int
    found: str
    expected: str
    count: int = 1


@dataclass(frozen=True)
class Source:
    """Where a trace came from.

    Attributes
    ----------
    file
        The file as the user named it; ``-`` for standard input, empty for a trace made in memory.
    sha256
        Hash of the file's bytes as they lie on disk (compressed, if they are); empty in memory.
    format
        Name of the reader, such as ``candump``.
    can_hold_errors
        Whether the format can record error frames at all.
    stamp_resolution_ns
        The finest step the format's time stamps can take [ns].
    stamps
        Where the times come from: ``written`` in the file; ``added up`` from differences that it holds; ``none``: it
        holds no times, and all are 0.
    """

    file: str = ""
    sha256: str = ""
    format: str = "memory"
    can_hold_errors: bool = True
    stamp_resolution_ns: int = 1
    stamps: Literal["written", "added up", "none"] = "written"


@dataclass(frozen=True)
class Remark:
    """A line in which the recorder speaks of itself: a start stamp, a status, a statistic.

    Attributes
    ----------
    line
        Line number, 1-based.
    text
        The line as written.
    """

    line: int
    text: str


@dataclass(frozen=True, eq=False)
class Payload:
    """Payload bytes of all frames, kept by width so that one long frame does not widen all.

    Attributes
    ----------
    first8
        uint8 (n, 8): the first eight bytes of each frame, zero where the frame is shorter.
    length
        uint8 (n,): payload length [bytes].
    long_rows
        intp (m,): rows of the frames that are longer than eight bytes, ascending.
    long
        uint8 (m, 64): all bytes of those frames, zero where they are shorter.
    """

    first8: Bytes
    length: Bytes
    long_rows: Rows
    long: Bytes

    def __len__(self) -> int:
        return len(self.length)

    @overload
    def __getitem__(self, index: int) -> bytes: ...
    @overload
    def __getitem__(self, index: slice | Rows | Bools) -> Payload: ...
    def __getitem__(self, index: int | slice | Rows | Bools) -> bytes | Payload:
        """Return the bytes of one frame, or the payloads of several."""
        if isinstance(index, int | np.integer):
            row = range(len(self))[index]
            length = int(self.length[row])
            at = int(np.searchsorted(self.long_rows, row))
            if at < len(self.long_rows) and self.long_rows[at] == row:
                return self.long[at, :length].tobytes()
            return self.first8[row, : min(length, 8)].tobytes()
        rows = np.arange(len(self))[index]
        places: Rows = np.searchsorted(self.long_rows, rows)
        places[places == len(self.long_rows)] = 0
        is_long = self.long_rows[places] == rows if len(self.long_rows) else np.zeros(len(rows), bool)
        return Payload(self.first8[index], self.length[index], np.flatnonzero(is_long), self.long[places[is_long]])

    @property
    def words(self) -> npt.NDArray[np.uint64]:
        """uint64 (n,): the first eight bytes of each frame, byte 0 the least significant."""
        return np.ascontiguousarray(self.first8).view("<u8")[:, 0]

    def __iter__(self) -> Iterator[bytes]:
        return (self[row] for row in range(len(self)))

    def matrix(self, width: int) -> Bytes:
        """Return the first ``width`` bytes of each frame, zero where it is shorter, as uint8 (n, width)."""
        out = np.zeros((len(self), width), np.uint8)
        out[:, :8] = self.first8[:, :width]
        if width > 8 and len(self.long_rows):  # noqa: PLR2004 – the width of ``first8``
            out[self.long_rows] = self.long[:, :width]
        return out

    @classmethod
    def of(cls, payloads: list[bytes]) -> Payload:
        """Build the columns from one bytes object a frame, at most 64 bytes each."""
        length = np.fromiter(map(len, payloads), np.uint8, len(payloads))
        joined = b"".join(payload[:8].ljust(8, b"\0") for payload in payloads)
        long_rows = np.flatnonzero(length > 8)  # noqa: PLR2004
        long = b"".join(payloads[row].ljust(64, b"\0") for row in long_rows)
        return cls(
            np.frombuffer(joined, np.uint8).reshape(-1, 8),
            length,
            long_rows,
            np.frombuffer(long, np.uint8).reshape(-1, 64),
        )


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
        key |= (kind == Kind.REMOTE).astype(np.uint64) << np.uint64(REMOTE_BIT)
        key[kind == Kind.ERROR] = OF_ERRORS
    return key


@dataclass(frozen=True, eq=False)
class Trace:
    """One recording: columns of equal length, in file order, never written after they are made.

    Attributes
    ----------
    time_ns
        int64 (n,): time stamps as recorded [ns]; they may step backwards (see ``segment``).
    segment
        int32 (n,): grows by one where the clock restarts; constant in a plain recording.
    channel
        int16 (n,): index into ``channels``.
    identifier
        uint32 (n,): 11 or 29 bits, flag bits removed. Of an error record: its SocketCAN class bits, 0 where the
        recorder did not tell them.
    is_extended, is_fd, bit_rate_switch, error_state_indicator, is_rx
        bool (n,). ``is_rx`` is true where the recorder did not say.
    kind
        uint8 (n,): a :class:`Kind`.
    dlc
        uint8 (n,): the code as sent, 0 to 15.
    payload
        :class:`Payload` of n frames; ``payload[row]`` gives bytes. An error record keeps its eight detail bytes.
    line
        int64 (n,): line number in the file, 1-based; the record number in binary formats.
    channels
        Names of the channels as written, in order of first appearance.
    problems
        What could not be used, in file order.
    remarks
        What the recorder said of itself.
    source
        Where the trace came from.
    origin_ns
        Stamp of the recording's first frame [ns], from which ``time_s`` counts; None: of this trace's own first frame.
    """

    time_ns: Ints
    segment: npt.NDArray[np.int32]
    channel: Channels
    identifier: Identifiers
    is_extended: Bools
    kind: Bytes
    is_fd: Bools
    bit_rate_switch: Bools
    error_state_indicator: Bools
    is_rx: Bools
    dlc: Bytes
    payload: Payload
    line: Ints
    channels: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    remarks: tuple[Remark, ...] = ()
    source: Source = Source()
    origin_ns: int | None = None

    def __post_init__(self) -> None:
        for name in COLUMNS:
            getattr(self, name).setflags(write=False)
        for name in ("first8", "length", "long_rows", "long"):
            getattr(self.payload, name).setflags(write=False)

    def __getstate__(self) -> dict[str, Any]:
        """Travel without what can be worked out again."""
        return {each.name: getattr(self, each.name) for each in fields(self)}

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def payload_length(self) -> Bytes:
        """uint8 (n,): payload length [bytes], 0 to 64."""
        return self.payload.length

    @property
    def problem_count(self) -> int:
        """Number of lines that could not be used as they stand."""
        return sum(problem.count for problem in self.problems)

    @property
    def start_ns(self) -> int:
        """Stamp of the recording's first frame [ns], also in a part of it; 0 for an empty recording."""
        if self.origin_ns is not None:
            return self.origin_ns
        return int(self.time_ns[0]) if len(self) else 0

    @property
    def time_s(self) -> npt.NDArray[np.float64]:
        """float64 (n,): time since the recording's first frame [s]."""
        return (self.time_ns - self.start_ns) / NANOSECONDS_PER_SECOND

    @property
    def duration_s(self) -> float:
        """Span between the earliest and the latest stamp [s]; 0 for an empty trace."""
        return float(np.ptp(self.time_ns)) / NANOSECONDS_PER_SECOND if len(self) else 0.0

    @cached_property
    def streams(self) -> Streams:
        """The data and remote frames put together by channel and identifier; done once, when first asked for."""
        return streams_of(self.channel, self.identifier, self.is_extended, self.kind)

    @cached_property
    def words(self) -> npt.NDArray[np.uint64]:
        """uint64 (m,): the first eight payload bytes of ``streams.rows``, byte 0 the least significant."""
        return self.payload.words.take(self.streams.rows)

    def where(self, rows: Rows | Bools | slice) -> Trace:
        """Return the frames that ``rows`` selects (indices, mask or slice), in file order."""
        columns = {name: getattr(self, name)[rows] for name in COLUMNS}
        return replace(self, **columns, payload=self.payload[rows], origin_ns=self.start_ns)

    def between(self, start_s: float, end_s: float) -> Trace:
        """Return the frames with ``start_s`` <= time since the recording's first frame < ``end_s``."""
        time_s = self.time_s
        return self.where((time_s >= start_s) & (time_s < end_s))

    def on_channel(self, name: str) -> Trace:
        """Return the frames of one channel, named as written; none if the log has no such channel."""
        index = self.channels.index(name) if name in self.channels else -1
        return self.where(self.channel == index)

    def with_identifier(self, identifier: int, *, is_extended: bool) -> Trace:
        """Return the data and remote frames that bear one identifier."""
        return self.where(
            (self.identifier == identifier) & (self.is_extended == is_extended) & (self.kind != Kind.ERROR)
        )

    def exact_bits(self) -> Ints:
        """Count the bits of each frame on the wire, stuff bits included, as int64 (n,).

        From start of frame to end of frame, without the 3 bits of intermission; 0 for error records.
        """
        return wire.exact_bits(self)

    def to_frame(self) -> pd.DataFrame:
        """Return a pandas table, one row a frame; ``channel`` by name, ``payload`` as bytes."""
        import pandas as pd  # noqa: PLC0415 – 0.7 s that only those pay who want a table

        columns = {name: getattr(self, name) for name in COLUMNS}
        names = np.array([*self.channels, ""], object)
        columns["channel"] = names[self.channel] if len(self) else np.array([], object)
        columns["payload_length"] = self.payload_length
        columns["payload"] = pd.Series(list(self.payload), dtype=object)
        order = [*[name for name in COLUMNS if name != "line"], "payload_length", "payload", "line"]
        return pd.DataFrame({name: columns[name] for name in order})

    @classmethod
    def empty(cls, *, source: Source = Source(), problems: tuple[Problem, ...] = ()) -> Trace:
        """Return a trace without frames."""
        columns: dict[str, Any] = {name: np.zeros(0, dtype) for name, dtype in COLUMNS.items()}
        return cls(**columns, payload=Payload.of([]), source=source, problems=problems)
