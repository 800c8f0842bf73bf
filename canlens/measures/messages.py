"""Messages: all that is measured of each identifier, put together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.absences import ends, gaps_of, stops
from canlens.measures.beats import KINDS
from canlens.measures.counters import counters_of
from canlens.measures.interruptions import interruptions
from canlens.measures.intervals import intervals
from canlens.measures.payload_lengths import lengths_of
from canlens.measures.senders import two_senders_of
from canlens.message_evidence import Interval, MessageEvidence
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.database import Database, Message
    from canlens.measures.intervals import Intervals
    from canlens.measures.sleep import Awake
    from canlens.measures.streams import Streams
    from canlens.message_evidence import Counter, Stop, TwoSenders
    from canlens.trace import Trace


def messages(
    trace: Trace, streams: Streams, awake: Awake, database: Database
) -> tuple[tuple[MessageEvidence, ...], tuple[Stop, ...]]:
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
    tuple
        Moments in which a whole channel stopped.
    """
    found = intervals(trace, streams, awake.number)
    stopped = stops(trace, streams, found, awake)
    gaps = gaps_of(trace, streams, found, stopped)
    stopped_s, started_s = ends(trace, streams, found, awake)
    lengths = lengths_of(trace, streams)
    counters = counters_of(trace, streams, found)
    definitions = [
        database.with_identifier(int(identifier), is_extended=bool(is_extended))
        for identifier, is_extended in zip(streams.identifier, streams.is_extended, strict=True)
    ]
    edges = streams.rows[np.stack([streams.start[:-1], streams.start[1:] - 1], axis=1)]
    time_s = (trace.time_ns[edges] - trace.start_ns) / NANOSECONDS_PER_SECOND
    every = tuple(
        MessageEvidence(
            identifier=int(streams.identifier[number]),
            is_extended=bool(streams.is_extended[number]),
            is_remote=bool(streams.is_remote[number]),
            channel=trace.channels[streams.channel[number]] if trace.channels else "",
            message=definitions[number],
            frames=int(streams.frames[number]),
            first_s=float(time_s[number, 0]),
            last_s=float(time_s[number, 1]),
            first_line=int(trace.line[edges[number, 0]]),
            last_line=int(trace.line[edges[number, 1]]),
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
            counter=counters[number],
            two_senders=_two_senders(
                trace, streams, found, number, message=definitions[number], counter=counters[number]
            ),
        )
        for number in range(len(streams))
    )
    return every, interruptions(trace, streams, found, counters, stopped)


def _two_senders(
    trace: Trace,
    streams: Streams,
    found: Intervals,
    number: int,
    *,
    message: Message | None,
    counter: Counter | None,
) -> TwoSenders | None:
    """Look for a second sender, unless a counter that misses none speaks for one."""
    if counter is not None and not len(counter.skipped):
        return None
    declared_s = message.cycle_time_s if message else None
    return two_senders_of(trace, streams, found, number, declared_s=declared_s, is_plain=bool(found.is_plain[number]))


def _interval(found: Intervals, number: int) -> Interval | None:
    """Return the intervals of one stream as results show them."""
    if not found.counts[number]:
        return None
    columns = (found.median_s, found.least_s, found.most_s, found.sd_s)
    return Interval(*(float(column[number]) for column in columns))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
