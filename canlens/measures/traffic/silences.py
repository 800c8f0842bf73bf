"""Silences: when a channel slept, where a message stayed away though others came, and where all stopped at once."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.nouns.messages import Gaps, QuietEvidence, Speaker, Stop, Wake
from canlens.nouns.tracks import Places
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.database import Database
    from canlens.measures.traffic.intervals import Intervals
    from canlens.nouns.messages import Counter, CountersDid
    from canlens.trace import Bools, Ints, Rows, Streams, Trace


SILENCE_S = 2.0
"""A channel that is silent for longer sleeps (our choice: messages of a bus that is awake come at least once a second,
as a rule)."""
BLOCK = 1 << 17
"""Frames that are looked at in one step, so that memory stays small."""
SILENCE_GAPS = 10
"""On a bus of a few slow messages the silence must besides be so many times the median gap between frames."""


@dataclass(frozen=True, eq=False)
class Awake:
    """Stretches in which the channels of a recording were awake.

    Attributes
    ----------
    number
        int (n,): number of the stretch that each row lies in; it grows at each silence, and where the clock restarts.
    before, after
        intp (k,): for each silence, the row of the last frame before and of the first one after it.
    """

    number: npt.NDArray[np.signedinteger]
    before: Rows
    after: Rows


def awake(trace: Trace) -> Awake:
    """Find the silences of every channel.

    Error records count as no frames: a lone node that nobody answers does not keep the others awake. Where the clock
    restarts it is not known how long the silence was; it is none.
    """
    found: list[tuple[int, Rows, Rows]] = []
    for channel in range(max(len(trace.channels), 1)):
        before, after = silences(trace, channel, longer_than_s=SILENCE_S)
        if not len(before):
            continue
        usual_ns = float(np.median(np.diff(trace.time_ns[_frames(trace, channel)])))
        long = trace.time_ns[after] - trace.time_ns[before] > SILENCE_GAPS * usual_ns
        long &= trace.segment[before] == trace.segment[after]
        if long.any():
            found.append((channel, before[long], after[long]))
    if not found:
        none: Rows = np.zeros(0, np.intp)
        return Awake(trace.segment, none, none)
    number = trace.segment.astype(np.int64) * (1 << 20)
    for channel, before, _ in found:
        rows = _frames(trace, channel)
        number[rows] += np.searchsorted(before, rows, "left")
    last, first = (np.concatenate([each[at] for each in found]) for at in (1, 2))
    order = np.argsort(first, kind="stable")
    return Awake(number, last[order], first[order])


def silences(trace: Trace, channel: int, *, longer_than_s: float) -> tuple[Rows, Rows]:
    """Find where a channel carried no data or remote frame for long.

    Returns
    -------
    tuple
        Rows of the frames before and after each silence, intp (k,).
    """
    limit_ns = longer_than_s * NANOSECONDS_PER_SECOND
    none = np.zeros(0, np.intp)
    befores, afters, last = [none], [none], none
    for start in range(0, len(trace), BLOCK):
        part = slice(start, start + BLOCK)
        rows = _frames(trace, channel, part)
        stamp_ns = trace.time_ns[part]
        stamp_ns = stamp_ns if len(rows) == len(stamp_ns) else stamp_ns[rows]
        if len(last) and len(rows) and stamp_ns[0] - trace.time_ns[last[0]] > limit_ns:
            befores.append(last)
            afters.append(start + rows[:1])
        long = np.flatnonzero(stamp_ns[1:] - stamp_ns[:-1] > limit_ns)
        befores.append(start + rows[long])
        afters.append(start + rows[long + 1])
        last = start + rows[-1:] if len(rows) else last
    return np.concatenate(befores), np.concatenate(afters)


def _frames(trace: Trace, channel: int, part: slice = slice(None)) -> Rows:
    """Return the rows, counted from the part's first one, of the data and remote frames of one channel."""
    found: Rows = np.flatnonzero((trace.channel[part] == channel) & (trace.kind[part] != Kind.ERROR))
    return found


def quiet(trace: Trace, found: Awake, database: Database, *, stops: tuple[Stop, ...] = ()) -> QuietEvidence:
    """Tell who spoke last, and who woke the bus each time."""
    frames = np.flatnonzero(trace.kind != Kind.ERROR)
    stamp_ns = trace.time_ns if len(frames) == len(trace) else trace.time_ns[frames]
    last = frames[np.argmax(stamp_ns)] if len(frames) else None
    backwards = np.flatnonzero(trace.time_ns[1:] < trace.time_ns[:-1]) + 1
    backwards = backwards[trace.segment[backwards] == trace.segment[backwards - 1]]
    return QuietEvidence(
        last=None if last is None else speaker(trace, int(last), database),
        wakes=tuple(
            Wake(_time_s(trace, int(before)), speaker(trace, int(after), database))
            for before, after in zip(found.before, found.after, strict=True)
        ),
        stops=stops,
        backwards=places_at(trace, backwards),
        end_s=(int(trace.time_ns.max()) - trace.start_ns) / NANOSECONDS_PER_SECOND if len(trace) else 0.0,
    )


def speaker(trace: Trace, row: int, database: Database) -> Speaker:
    """Tell who sent the frame of a row, as far as the database knows."""
    identifier, is_extended = int(trace.identifier[row]), bool(trace.is_extended[row])
    message = database.with_identifier(identifier, is_extended=is_extended)
    return Speaker(
        time_s=_time_s(trace, row),
        line=int(trace.line[row]),
        identifier=identifier,
        is_extended=is_extended,
        message=message.name if message else None,
        sender=", ".join(message.senders) if message and message.senders else None,
    )


def places_at(trace: Trace, rows: Rows) -> Places:
    """Return rows of a recording as evidence: their lines and times."""
    return Places(trace.line[rows], (trace.time_ns[rows] - trace.start_ns) / NANOSECONDS_PER_SECOND)


def _time_s(trace: Trace, row: int) -> float:
    return (int(trace.time_ns[row]) - trace.start_ns) / NANOSECONDS_PER_SECOND


# Absences: where a message stayed away though others came, and where a whole channel stopped for a moment.


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


# Interruptions: what the counters inside the messages did while a whole channel was silent.


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
    trace: Trace, streams: Streams, found: Intervals, counters: Sequence[Counter | None], before: int, after: int
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
