"""Messages: all that is measured of each identifier, put together; a first quick look at their rates."""

from __future__ import annotations

import collections
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.traffic.counters import counters_of, lengths_of
from canlens.measures.traffic.intervals import KINDS, intervals
from canlens.measures.traffic.senders import two_senders_of
from canlens.measures.traffic.silences import awake, ends, gaps_of, interruptions, quiet, stops
from canlens.nouns.messages import Interval, MessageEvidence
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Collection

    from canlens.database import Database, Message
    from canlens.measures.traffic.intervals import Intervals
    from canlens.measures.traffic.silences import Awake
    from canlens.nouns.messages import Counter, QuietEvidence, Stop, TwoSenders
    from canlens.trace import Identifiers, Streams, Trace


TOO_OFTEN = 1.12
"""So much more often than the others, each against its declared cycle, and a message is looked at closely (our choice:
clocks and cycles of healthy nodes agree to a few per cent)."""
FEWEST_FRAMES = 20
MOST_ABSENT = 3
"""With more absent messages the database is that of another bus or variant, and says nothing about this one."""


@dataclass(frozen=True, eq=False)
class Rates:
    """What a first look at the number of frames tells.

    Attributes
    ----------
    too_often
        uint32 (k,): identifiers that come clearly more often than their declared cycle has it.
    absent
        Cyclic messages of nodes that were heard otherwise, of which no frame came.
    """

    too_often: Identifiers
    absent: tuple[str, ...]


def rates(trace: Trace, database: Database, *, left_out: Collection[str] = ()) -> Rates:
    """Compare the number of frames of every cyclic message with its declared cycle.

    Parameters
    ----------
    left_out
        Messages that are not to be called absent.
    """
    none = Rates(np.zeros(0, np.uint32), ())
    cyclic = [each for each in database.messages if each.cycle_time_s]
    duration_s = (int(trace.time_ns.max()) - trace.start_ns) / NANOSECONDS_PER_SECOND if len(trace) else 0.0
    if not cyclic or duration_s <= 0:
        return none
    counts: collections.Counter[int] = collections.Counter()
    for recorded, frames in zip(trace.streams.identifier.tolist(), trace.streams.frames.tolist(), strict=True):
        counts[recorded] += frames
    identifier = np.array([each.identifier for each in cyclic], np.uint32)
    number = np.array([counts[each.identifier] for each in cyclic])
    share = number * np.array([each.cycle_time_s or 0.0 for each in cyclic]) / duration_s
    known = number >= FEWEST_FRAMES
    often = share > TOO_OFTEN * np.median(share[known]) if known.any() else known
    heard = {sender for each, one in zip(cyclic, number.tolist(), strict=True) if one for sender in each.senders}
    absent = tuple(
        each.name
        for each, one in zip(cyclic, number.tolist(), strict=True)
        if not one and each.name not in left_out and heard & set(each.senders)
    )
    return Rates(identifier[known & often], absent if len(absent) <= MOST_ABSENT else ())


def message_side(
    trace: Trace, database: Database, *, only: Identifiers | None = None
) -> tuple[tuple[MessageEvidence, ...], QuietEvidence, Streams]:
    """Measure the messages of a recording, and when its bus was awake.

    Parameters
    ----------
    only
        Identifiers whose messages are wanted; None: all.
    """
    spans = awake(trace)
    sorted_frames = trace.streams if only is None else trace.streams.only(only)
    found, stops = messages(trace, sorted_frames, spans, database)
    return found, quiet(trace, spans, database, stops=stops), sorted_frames


def messages(
    trace: Trace, sorted_frames: Streams, spans: Awake, database: Database
) -> tuple[tuple[MessageEvidence, ...], tuple[Stop, ...]]:
    """Measure the messages of every channel.

    Parameters
    ----------
    trace, sorted_frames, spans
        The recording, its frames by channel and identifier, and when it was awake.

    Returns
    -------
    tuple
        One for each stream, in their order.
    tuple
        Moments in which a whole channel stopped.
    """
    found = intervals(trace, sorted_frames, spans.number)
    stopped = stops(trace, sorted_frames, found, spans)
    gaps = gaps_of(trace, sorted_frames, found, stopped)
    stopped_s, started_s = ends(trace, sorted_frames, found, spans)
    lengths = lengths_of(trace, sorted_frames)
    counters = counters_of(trace, sorted_frames, found)
    definitions = [
        database.with_identifier(
            int(identifier), is_extended=bool(is_extended), channel=trace.channels[channel] if trace.channels else None
        )
        for identifier, is_extended, channel in zip(
            sorted_frames.identifier, sorted_frames.is_extended, sorted_frames.channel, strict=True
        )
    ]
    edges = sorted_frames.rows[np.stack([sorted_frames.start[:-1], sorted_frames.start[1:] - 1], axis=1)]
    time_s = (trace.time_ns[edges] - trace.start_ns) / NANOSECONDS_PER_SECOND
    every = tuple(
        MessageEvidence(
            identifier=int(sorted_frames.identifier[number]),
            is_extended=bool(sorted_frames.is_extended[number]),
            is_remote=bool(sorted_frames.is_remote[number]),
            channel=trace.channels[sorted_frames.channel[number]] if trace.channels else "",
            message=definitions[number],
            frames=int(sorted_frames.frames[number]),
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
                trace, sorted_frames, found, number, message=definitions[number], counter=counters[number]
            ),
        )
        for number in range(len(sorted_frames))
    )
    return every, interruptions(trace, sorted_frames, found, counters, stopped)


def _two_senders(
    trace: Trace, streams: Streams, found: Intervals, number: int, *, message: Message | None, counter: Counter | None
) -> TwoSenders | None:
    """Look for a second sender, unless a counter that misses none speaks for one."""
    if counter is not None and not len(counter.skipped):
        return None
    declared_s = message.cycle_time_s if message else None
    has_pages = message is not None and any(each.is_multiplexer for each in message.signals)
    may_differ = not found.is_plain[number] and not has_pages
    return two_senders_of(trace, streams, found, number, declared_s=declared_s, may_differ=may_differ)


def _interval(found: Intervals, number: int) -> Interval | None:
    """Return the intervals of one stream as results show them."""
    if not found.counts[number]:
        return None
    columns = (found.median_s, found.least_s, found.most_s, found.sd_s)
    return Interval(*(float(column[number]) for column in columns))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
