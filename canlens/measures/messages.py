"""Messages: all that is measured of each identifier, put together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.absences import ends, gaps_of, stops
from canlens.measures.beats import KINDS
from canlens.measures.intervals import intervals
from canlens.measures.payload_lengths import lengths_of
from canlens.message_evidence import Interval, MessageEvidence
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.database import Database
    from canlens.measures.intervals import Intervals
    from canlens.measures.sleep import Awake
    from canlens.measures.streams import Streams
    from canlens.trace import Trace


def messages(trace: Trace, streams: Streams, awake: Awake, database: Database) -> tuple[MessageEvidence, ...]:
    """Measure the messages of every channel.

    Parameters
    ----------
    trace, streams, awake
        The recording, its frames by channel and identifier, and when it was awake.
    database
        Names, senders and declared cycle times.

    Returns
    -------
    tuple
        One for each stream, in their order.
    """
    found = intervals(trace, streams, awake.number)
    stopped = stops(trace, streams, found, awake)
    gaps = gaps_of(trace, streams, found, stopped)
    stopped_s, started_s = ends(trace, streams, found, awake)
    lengths = lengths_of(trace, streams)
    time_s = (trace.time_ns[streams.rows[_edges(streams)]] - trace.start_ns) / NANOSECONDS_PER_SECOND
    return tuple(
        MessageEvidence(
            identifier=int(streams.identifier[number]),
            is_extended=bool(streams.is_extended[number]),
            is_remote=bool(streams.is_remote[number]),
            channel=trace.channels[streams.channel[number]] if trace.channels else "",
            message=database.with_identifier(
                int(streams.identifier[number]), is_extended=bool(streams.is_extended[number])
            ),
            frames=int(streams.frames[number]),
            first_s=float(time_s[number, 0]),
            last_s=float(time_s[number, 1]),
            interval=_interval(found, number),
            kind=KINDS[found.kind[number]],
            cycle_s=_known(found.cycle_s[number]),
            jitter_s=_known(found.jitter_s[number]),
            late=int(found.late[number]),
            bursts=int(found.bursts[number]),
            gaps=gaps[number],
            stopped_s=stopped_s[number],
            started_s=started_s[number],
            lengths=lengths[number],
        )
        for number in range(len(streams))
    )


def _edges(streams: Streams) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    """Return the places of the first and the last frame of each stream, int64 (g, 2)."""
    return np.stack([streams.start[:-1], streams.start[1:] - 1], axis=1)


def _interval(found: Intervals, number: int) -> Interval | None:
    """Return the intervals of one stream as results show them."""
    if not found.counts[number]:
        return None
    columns = (found.median_s, found.least_s, found.most_s, found.sd_s)
    return Interval(*(float(column[number]) for column in columns))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
