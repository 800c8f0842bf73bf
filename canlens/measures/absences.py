"""Absences: where a message stayed away though others came, and where a whole channel stopped for a moment."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.sleep import places_at, silences
from canlens.message_evidence import Gaps
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.measures.intervals import Intervals
    from canlens.measures.sleep import Awake
    from canlens.streams import Streams
    from canlens.trace import Bools, Ints, Rows, Trace

STOP_CYCLES = 3.0
STOP_MESSAGES = 3
"""A channel stopped when even the third fastest of its messages on a beat missed so many cycles at once."""
STOP_S = 0.05
"""Shorter stops are not looked for: a recorder's computer pauses that long (our choice)."""
AWAY_CYCLES = 10.0
AWAY_S = 2.0
"""A message on a beat that does not come for so many cycles and so long, to the end of the traffic, has stopped; one
that needs that long to begin, began late. Nodes go to sleep and wake one after the other within this time (our
choice)."""


@dataclass(frozen=True, eq=False)
class StopRows:
    """Rows of the last frame before and the first one after each stop of a channel, intp (k,)."""

    before: Rows
    after: Rows

    def __len__(self) -> int:
        return len(self.after)


def stops(trace: Trace, streams: Streams, found: Intervals, awake: Awake) -> StopRows:
    """Find moments in which a whole channel stopped though its messages were due."""
    before: list[Rows] = [np.zeros(0, np.intp)]
    after: list[Rows] = [np.zeros(0, np.intp)]
    for channel in range(max(len(trace.channels), 1)):
        on_channel = (streams.channel == channel) & found.has_beat
        cycles_s = np.sort(found.cycle_s[on_channel])
        if len(cycles_s) < STOP_MESSAGES:
            continue
        longest_s = max(STOP_S, STOP_CYCLES * float(cycles_s[STOP_MESSAGES - 1]))
        last, first = silences(trace, channel, longer_than_s=longest_s)
        kept = awake.number[last] == awake.number[first]
        kept &= _were_due(trace, streams, found, on_channel, last, first)
        before.append(last[kept])
        after.append(first[kept])
    return StopRows(np.concatenate(before), np.concatenate(after))


def _were_due(trace: Trace, streams: Streams, found: Intervals, which: Bools, before: Rows, after: Rows) -> Bools:
    """Tell for which stops enough messages were due: those that came before and after, however long ago."""
    first, last = streams.rows[streams.start[:-1][which]], streams.rows[streams.start[1:][which] - 1]
    cycle_ns = found.cycle_s[which] * NANOSECONDS_PER_SECOND
    out = np.zeros(len(before), np.bool_)
    for number, (row, next_row) in enumerate(zip(before.tolist(), after.tolist(), strict=True)):
        missed = STOP_CYCLES * cycle_ns < trace.time_ns[next_row] - trace.time_ns[row]
        out[number] = (missed & (first <= row) & (last >= next_row)).sum() >= STOP_MESSAGES
    return out


def gaps_of(trace: Trace, streams: Streams, found: Intervals, stopped: StopRows) -> list[Gaps]:
    """List the gaps of each stream, less those that a stop of its whole channel explains."""
    index = found.gaps
    stream = np.searchsorted(found.start, index, "right") - 1
    rows = streams.rows[found.place[index]]
    length_ns = found.length_ns[index]
    own_ns = length_ns - _stopped_ns(trace, rows, length_ns, stopped)
    kept = own_ns > found.gap_from_ns[stream]
    cycles = np.rint(own_ns / (found.cycle_s[stream] * NANOSECONDS_PER_SECOND)).astype(np.int64)
    first = np.searchsorted(stream[kept], np.arange(len(streams) + 1))
    rows, length_s, missed = rows[kept], length_ns[kept] / NANOSECONDS_PER_SECOND, np.maximum(cycles[kept] - 1, 1)
    return [
        Gaps(places_at(trace, rows[a:b]), length_s[a:b], int(missed[a:b].sum()))
        for a, b in itertools.pairwise(first.tolist())
    ]


def _stopped_ns(trace: Trace, rows: Rows, length_ns: Ints, stopped: StopRows) -> Ints:
    """Tell for how long the channel of each gap was stopped in it [ns]; a gap is told by its last row and length."""
    out = np.zeros(len(rows), np.int64)
    end_ns = trace.time_ns[rows]
    for before, after in zip(stopped.before, stopped.after, strict=True):
        from_ns, to_ns = trace.time_ns[before], trace.time_ns[after]
        inside = (end_ns >= to_ns) & (end_ns - length_ns <= from_ns) & (trace.channel[rows] == trace.channel[after])
        out[inside] += to_ns - from_ns
    return out


def ends(
    trace: Trace, streams: Streams, found: Intervals, awake: Awake
) -> tuple[list[float | None], list[float | None]]:
    """Tell which messages on a beat stopped before the others, and which began after them.

    Only the last stretch in which the bus was awake is looked at for the end, and the first one for the beginning.

    Returns
    -------
    list
        For each stream the time of its last frame [s] if it stopped early, else None.
    list
        For each stream the time of its first frame [s] if it began late, else None.
    """
    stopped_s: list[float | None] = []
    started_s: list[float | None] = []
    spans: dict[tuple[int, int], tuple[int, int]] = {}
    for number in range(len(streams)):
        first, last = (int(streams.rows[place]) for place in (streams.start[number], streams.start[number + 1] - 1))
        stopped_s.append(None)
        started_s.append(None)
        if not found.has_beat[number]:
            continue
        away_ns = max(AWAY_S, AWAY_CYCLES * float(found.cycle_s[number])) * NANOSECONDS_PER_SECOND
        begin_ns, _ = _span(trace, awake, first, spans)
        _, end_ns = _span(trace, awake, last, spans)
        if trace.time_ns[first] - begin_ns > away_ns:
            started_s[-1] = (int(trace.time_ns[first]) - trace.start_ns) / NANOSECONDS_PER_SECOND
        if end_ns - trace.time_ns[last] > away_ns:
            stopped_s[-1] = (int(trace.time_ns[last]) - trace.start_ns) / NANOSECONDS_PER_SECOND
    return stopped_s, started_s


def _span(trace: Trace, awake: Awake, row: int, known: dict[tuple[int, int], tuple[int, int]]) -> tuple[int, int]:
    """Return first and last stamp of the stretch in which the channel of a row was awake [ns]."""
    key = (int(trace.channel[row]), int(awake.number[row]))
    if key not in known:
        inside = (awake.number == key[1]) & (trace.channel == key[0]) & (trace.kind != Kind.ERROR)
        time_ns = trace.time_ns[inside]
        known[key] = (int(time_ns.min()), int(time_ns.max()))
    return known[key]
