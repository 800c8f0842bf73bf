"""Changes: the payloads of one identifier, cut down to the frames in which they changed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.signals import Floats
    from canlens.streams import Streams
    from canlens.trace import Bytes, Ints, Rows, Trace

FIRST8 = 8
"""Payload bytes that every frame has room for; longer payloads are kept apart."""


@dataclass(frozen=True, eq=False)
class Changes:
    """The frames of one stream in which its payload changed, the first frame included.

    Attributes
    ----------
    stream
        Number of the stream.
    frames
        Frames of the stream, all together.
    interval_s
        Median time between its frames [s]; 0 with fewer than two.
    payload
        uint8 (k, w): payload from each of these frames on. A byte that a shorter frame lacks keeps its value.
    time_s
        float64 (k,): when [s from the first frame of the recording].
    row
        intp (k,): rows of the trace.
    """

    stream: int
    frames: int
    interval_s: float
    payload: Bytes
    time_s: Floats
    row: Rows

    @cached_property
    def flips(self) -> Ints:
        """int64 (8 w,): how often each bit changed; bit n is the DBC bit number n."""
        flipped = self.payload[1:] ^ self.payload[:-1]
        return np.asarray(np.unpackbits(flipped, axis=1, bitorder="little").sum(axis=0, dtype=np.int64))


def changes_of(trace: Trace, streams: Streams, *, segment: int) -> Iterator[Changes]:
    """Yield the changes of every stream of data frames.

    Parameters
    ----------
    trace, streams
        The recording, and its frames put together.
    segment
        Where the clock restarts: the part of the recording that is looked at.
    """
    time_s = trace.time_s
    several = bool(len(trace)) and trace.segment[0] != trace.segment[-1]
    for stream in np.flatnonzero(~streams.is_remote).tolist():
        rows = streams.rows[streams.start[stream] : streams.start[stream + 1]]
        if several:
            rows = rows[trace.segment[rows] == segment]
        if len(rows):
            yield _changes(trace, stream, rows, time_s[rows])


def _changes(trace: Trace, stream: int, rows: Rows, time_s: Floats) -> Changes:
    payload = _payload(trace, rows)
    changed = np.append(True, (payload[1:] != payload[:-1]).any(axis=1))
    interval_s = float(np.median(np.diff(time_s))) if len(rows) > 1 else 0.0
    return Changes(stream, len(rows), max(interval_s, 0.0), payload[changed], time_s[changed], rows[changed])


def _payload(trace: Trace, rows: Rows) -> Bytes:
    """Return the payload bytes of some frames, uint8 (n, w), the gaps of shorter frames filled."""
    length = trace.payload.length[rows]
    width, least = int(length.max()), int(length.min())
    part = trace.payload.first8[rows][:, :width] if width <= FIRST8 else trace.payload[rows].matrix(width)
    if width == least:
        return part
    part = part.copy()
    number = np.arange(len(rows))
    for byte in range(least, width):
        last = np.maximum.accumulate(np.where(length > byte, number, -1))
        part[:, byte] = np.where(last >= 0, part[np.maximum(last, 0), byte], part[np.argmax(length > byte), byte])
    return part
