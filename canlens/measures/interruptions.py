"""Interruptions: what the counters inside the messages did while a whole channel was silent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.message_evidence import Stop
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.measures.absences import StopRows
    from canlens.measures.intervals import Intervals
    from canlens.message_evidence import Counter, CountersDid
    from canlens.streams import Streams
    from canlens.trace import Trace

MAJORITY = 2 / 3
"""So many of the counters must agree."""


def interruptions(
    trace: Trace, streams: Streams, found: Intervals, counters: Sequence[Counter | None], stopped: StopRows
) -> tuple[Stop, ...]:
    """Describe the stops of channels, in the order of time."""
    out = []
    for before, after in zip(stopped.before.tolist(), stopped.after.tolist(), strict=True):
        votes = list(_votes(trace, streams, found, counters, before, after))
        did: CountersDid = "unknown"
        for kind in ("stood", "ran"):
            if votes and votes.count(kind) >= MAJORITY * len(votes):
                did = kind
        from_s, to_s = ((int(trace.time_ns[row]) - trace.start_ns) / NANOSECONDS_PER_SECOND for row in (before, after))
        out.append(Stop(from_s, to_s, int(trace.line[after]), did))
    return tuple(sorted(out, key=lambda each: each.to_s))


def _votes(
    trace: Trace,
    streams: Streams,
    found: Intervals,
    counters: Sequence[Counter | None],
    before: int,
    after: int,
) -> Iterator[CountersDid]:
    """Yield for each counter that was due during a stop what it did.

    A counter that would read the same after all missing frames as after none tells nothing.
    """
    for number, counter in enumerate(counters):
        if (
            counter is None
            or not found.has_beat[number]
            or (trace.channels and (streams.channel[number] != trace.channel[after]))
        ):
            continue
        rows = streams.rows[streams.start[number] : streams.start[number + 1]]
        place = int(np.searchsorted(rows, after))
        if not 0 < place < len(rows) or rows[place - 1] > before:
            continue
        span = counter.highest - counter.lowest + 1
        step = (_value(trace, counter, rows[place]) - _value(trace, counter, rows[place - 1])) % span
        length_s = (trace.time_ns[rows[place]] - trace.time_ns[rows[place - 1]]) / NANOSECONDS_PER_SECOND
        due = round(length_s / float(found.cycle_s[number]))
        if due % span == 1:
            continue
        yield "stood" if step == 1 else "ran" if step == due % span else "unknown"


def _value(trace: Trace, counter: Counter, row: int) -> int:
    """Return what a counter reads in a frame."""
    byte, shift = divmod(counter.start_bit, 8)
    return int(trace.payload.first8[row, byte]) >> shift & ((1 << counter.length) - 1)
