"""Intervals: how the frames of every identifier follow each other, and which of them are sent on a beat."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, fields
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import numpy.typing as npt

    from canlens.nouns.messages import Kind
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows, Streams, Trace

    At = Callable[[float], Floats]


TOO_FEW, EVENT_DRIVEN, MIXED, CYCLIC = range(4)
KINDS: tuple[Kind, ...] = ("too-few", "event-driven", "mixed", "cyclic")

FEWEST_INTERVALS = 10
"""Fewer intervals do not tell a beat from chance (our choice)."""
SPREAD = 0.25
"""On a beat alone: the middle 80 % of the intervals stay within this share of the median (our choice: frames that wait
for the bus stay well inside it; people and events do not keep time that well)."""
PILE = 0.05
"""On a beat and besides: a quarter or 15 % of all intervals lie within this share of each other, hardly any above."""
FEW_LONGER = 0.95
MANY = 16
FEWEST_TIMES_MANY = 5
ALIKE = 0.08
"""The times that so many intervals take, from the first tenth to the last, lie within this share of the middle one (our
choice: of events they spread by a half)."""


NEAR_BEAT = {CYCLIC: 0.5, MIXED: PILE}
"""How far an interval may be off the beat and still tell of it, by kind: where frames come between the beats, other
intervals are parts of one."""


def kind_of(at: At, count: Ints) -> npt.NDArray[np.int8]:
    """Tell how each of g streams is sent.

    Parameters
    ----------
    at
        Gives for a share the interval that so many of each stream's do not pass [ns], float64 (g,).
    count
        int64 (g,): intervals of each.

    Returns
    -------
    int8 (g,)
        :data:`CYCLIC` where nearly all intervals are alike; :data:`MIXED` where intervals pile up at one length,
        shorter ones occur and longer ones hardly; :data:`EVENT_DRIVEN` where neither holds.
    """
    median = at(0.5)
    cyclic = (median > 0) & (at(0.1) >= (1 - SPREAD) * median) & (at(0.9) <= (1 + SPREAD) * median)
    mixed = _pile_is_upper(at) | _pile_is_wide(at)
    kind = np.where(cyclic, CYCLIC, np.where(mixed, MIXED, EVENT_DRIVEN))
    return np.where(count < FEWEST_INTERVALS, TOO_FEW, kind).astype(np.int8)


def _pile_is_wide(at: At) -> Bools:
    """Tell where at least a quarter of the intervals, up to the third quarter, are alike and few are longer."""
    pile = at(0.75)
    return (pile > 0) & (at(0.5) >= (1 - PILE) * pile) & (at(FEW_LONGER) <= (1 + SPREAD) * pile)


def _pile_is_upper(at: At) -> Bools:
    """Tell where the intervals from the third quarter to nine tenths are alike and few are longer."""
    pile = at(0.9)
    return (pile > 0) & (at(0.75) >= (1 - PILE) * pile) & (at(FEW_LONGER) <= (1 + SPREAD) * pile)


def blurred_beat(length_ns: Ints) -> float:
    """Return the beat of frames that jitter much but keep their schedule [ns]; 0 where they keep none.

    The times that :data:`MANY` intervals take together are then alike, since lateness does not add up; for events
    they are not.

    Parameters
    ----------
    length_ns
        int64 (k,): intervals of one identifier in file order [ns].
    """
    if len(length_ns) < FEWEST_TIMES_MANY * MANY:
        return 0.0
    total = np.append(0, np.cumsum(length_ns))
    low, middle, high = np.quantile(total[MANY:] - total[:-MANY], (0.1, 0.5, 0.9)) / MANY
    return float(middle) if high - low <= ALIKE * middle else 0.0


def beat_of(at: At, kind: npt.NDArray[np.int8]) -> Floats:
    """Return the length at which the intervals pile up [ns], float64 (g,): the median, or the third quarter."""
    return np.where(kind == CYCLIC, at(0.5), np.where(_pile_is_wide(at), at(0.75), at(0.9)))


def fitted_cycles(length_ns: Ints, start: Ints, beat_ns: Floats, near: Floats) -> Floats:
    """Fit the cycle of each stream: the slope of time over number, by least squares.

    Frames are taken in runs of intervals that are near the beat, each run with an origin of its own,
    so that neither gaps nor frames in between bend the slope. The mean of the intervals would be less sure: it rests
    on the first and the last frame alone.

    Parameters
    ----------
    length_ns
        int64 (k,): intervals, stream by stream, in order [ns].
    start
        int64 (g + 1,): where each stream's begin.
    beat_ns
        float64 (g,): about how long the cycle is [ns]; 0 where there is none.
    near
        float64 (g,): how far an interval may be off the beat, as a share of it.

    Returns
    -------
    float64 (g,)
        Cycle [ns]; nan where there is no beat.
    """
    cycle_ns = np.where(beat_ns > 0, beat_ns, np.nan)
    if not len(length_ns):
        return cycle_ns
    beat = np.repeat(beat_ns, np.diff(start))
    over_ns = length_ns - beat
    on_beat = (np.abs(over_ns) <= np.repeat(near * beat_ns, np.diff(start))) & (beat > 0)
    is_first = on_beat.copy()
    is_first[1:] &= ~on_beat[:-1]
    is_first[start[:-1][np.diff(start) > 0]] |= on_beat[start[:-1][np.diff(start) > 0]]
    first = np.flatnonzero(is_first)
    if not len(first):
        return cycle_ns
    moment, weight = _moments(np.where(on_beat, over_ns, 0.0), on_beat, first)
    stream = np.searchsorted(start, first, "right") - 1
    total = np.bincount(stream, weight, minlength=len(beat_ns))
    slope = np.bincount(stream, moment, minlength=len(beat_ns))
    return cycle_ns + np.divide(slope, total, out=np.zeros(len(total)), where=total > 0)


def _moments(over_ns: Floats, on_beat: Bools, first: Ints) -> tuple[Floats, Floats]:
    """Return for each run of frames the sums of (number x excess time) and (number squared), both from their means.

    Frame 0 of a run has number 0; frame j lies off the beat by what its j intervals were longer than one, all together.
    """
    origin = int(first[0])
    first = first - origin
    on_beat, over_ns = on_beat[origin:], over_ns[origin:]
    span = np.diff(np.append(first, len(over_ns)))
    excess = np.cumsum(over_ns)
    excess -= np.repeat(excess[first] - over_ns[first], span)
    excess *= on_beat
    number = np.arange(1, len(over_ns) + 1) - np.repeat(first, span)
    frames = np.add.reduceat(on_beat, first, dtype=np.int64)
    product = np.add.reduceat(number * excess, first) - frames / 2 * np.add.reduceat(excess, first)
    return product, frames * (frames + 1) * (frames + 2) / 12


Number = TypeVar("Number", np.int64, np.float64)

GAP_CYCLES = 1.75
"""From so many cycles on a message stayed away: one frame is missing, less what jitter may take."""
LEAST_FOLLOWING = 0.75
"""The interval after a gap takes at least so much of a cycle."""
GAP_SPREADS = 4.0
"""A message with much jitter must besides be late by so many times what its latest tenth is (our choice)."""
LATE_CYCLES = 1.5
BATCH = 32_768
"""Frames that are measured together."""
SHARES = (0.0, 0.025, 0.1, 0.5, 0.75, 0.9, FEW_LONGER, 0.975, 1.0)
"""Of all intervals of a stream: those that are not longer than the ones told."""
BURST_SHARE = 0.25
"""Frames that follow each other faster than this share of the cycle are a burst, from three on (our choice)."""


@dataclass(frozen=True, eq=False)
class Intervals:
    """Intervals between the frames of each of g streams; those across a silence of the bus or a restart are left out.

    Attributes
    ----------
    length_ns
        int64 (k,): all intervals, stream by stream, in file order [ns].
    place
        intp (k,): for each the place in the streams' ``rows`` of the frame that ends it.
    start
        int64 (g + 1,): where the intervals of each stream begin, and their end.
    median_s, least_s, most_s, sd_s
        float64 (g,): of each stream [s]; nan where it has no interval.
    kind
        int8 (g,): how each is sent; see :mod:`canlens.measures.traffic.intervals`.
    cycle_s, jitter_s
        float64 (g,): fitted cycle, and half the width of the middle 95 % of the intervals [s]; nan without a beat, the
        width also where frames come between the beats.
    gap_from_ns
        int64 (g,): an interval longer than this is a gap; the greatest number where there is no beat.
    is_plain
        bool (g,): nearly all intervals are alike.
    """

    length_ns: Ints
    place: Rows
    start: Ints
    median_s: Floats
    least_s: Floats
    most_s: Floats
    sd_s: Floats
    kind: npt.NDArray[np.int8]
    cycle_s: Floats
    jitter_s: Floats
    gap_from_ns: Ints
    is_plain: Bools

    @property
    def counts(self) -> Ints:
        """int64 (g,): intervals of each stream."""
        return np.diff(self.start)

    @property
    def has_beat(self) -> Bools:
        """Bool (g,): which are sent on a beat, alone or among others."""
        beat: Bools = (self.kind == CYCLIC) | (self.kind == MIXED)
        return beat

    @cached_property
    def gaps(self) -> Rows:
        """Indices of the intervals that are gaps.

        After a frame that was only late the next interval is short, after one that is missing it is not.
        """
        long = np.flatnonzero(self.length_ns > np.repeat(self.gap_from_ns, self.counts))
        stream = np.searchsorted(self.start, long, "right") - 1
        cycle_ns = self.cycle_s[stream] * NANOSECONDS_PER_SECOND
        is_last = long + 1 == self.start[stream + 1]
        following_ns = self.length_ns[np.minimum(long + 1, len(self.length_ns) - 1)]
        both_ns = self.length_ns[long] + np.where(is_last, cycle_ns, following_ns)
        return long[both_ns > (GAP_CYCLES + 1) * cycle_ns - (1 - LEAST_FOLLOWING) * cycle_ns]

    @cached_property
    def late(self) -> Ints:
        """int64 (g,): intervals of each stream that are longer than they should be and no gaps."""
        limit = _scaled(self.cycle_s, LATE_CYCLES)
        late = self.length_ns > np.repeat(limit, self.counts)
        return _number(late, self.start) - np.diff(np.searchsorted(self.gaps, self.start))

    @cached_property
    def bursts(self) -> Ints:
        """int64 (g,): runs of three or more frames in quick succession."""
        usual_s = np.where(self.has_beat, self.cycle_s, self.median_s)
        quick = self.length_ns < np.repeat(_scaled(usual_s, BURST_SHARE, otherwise=0), self.counts)
        first = np.zeros(len(quick), bool)
        first[self.start[:-1][self.counts > 0]] = True
        before = np.append(False, quick[:-1]) & ~first
        after = np.append(quick[1:], False) & ~np.append(first[1:], True)
        return _number(quick & ~before & after, self.start)

    def of(self, stream: int) -> slice:
        """Return which intervals belong to a stream."""
        return slice(int(self.start[stream]), int(self.start[stream + 1]))


def intervals(trace: Trace, streams: Streams, awake: Ints) -> Intervals:
    """Measure the intervals of every stream.

    Parameters
    ----------
    awake
        int64 (n,): number of the stretch between two silences, or restarts of the clock, that each row lies in.

    Returns
    -------
    Intervals
        Stamps that step backwards inside a stretch give no interval.
    """
    has_parts = len(awake) > 0 and awake.min() != awake.max()
    parts = [
        _measured(trace.time_ns, streams, batch, awake if has_parts else None)
        for batch in _batches(streams.start, most=BATCH)
    ]
    if not parts:
        return _measured(trace.time_ns, streams, slice(0, 0), None)
    counts = np.concatenate([part.counts for part in parts])
    columns = [{each.name: getattr(part, each.name) for each in fields(Intervals)} for part in parts]
    parts.clear()  # so that a column's parts can go as soon as it is joined
    joined = {each.name: np.concatenate([part.pop(each.name) for part in columns]) for each in fields(Intervals)}
    return Intervals(**joined | {"start": np.append(0, np.cumsum(counts))})


def _batches(start: Ints, *, most: int) -> Iterator[slice]:
    """Yield streams that follow each other with about so many frames together; what fits the cache is quick."""
    first, number = 0, len(start) - 1
    while first < number:
        last = max(int(np.searchsorted(start, start[first] + most, "right")) - 1, first + 1)
        yield slice(first, min(last, number))
        first = last


def _measured(stamps_ns: Ints, streams: Streams, batch: slice, awake: Ints | None) -> Intervals:
    """Measure the intervals of some streams."""
    begin = streams.start[batch.start : batch.stop + 1]
    rows = streams.rows[begin[0] : begin[-1]]
    begin = begin - begin[0]
    length_ns = np.diff(stamps_ns[rows])
    usable = length_ns >= 0
    usable[begin[1:-1] - 1] = False
    if awake is not None:
        usable &= np.diff(awake[rows]) == 0
    kept = np.append(0, np.cumsum(usable))
    start = np.append(0, kept[begin[1:] - 1]) if len(begin) > 1 else np.zeros(1, np.int64)
    place = np.flatnonzero(usable) + 1
    length_ns = length_ns[place - 1]
    spread = _Spread.of(length_ns, start)
    kind = kind_of(spread.at, np.diff(start))
    is_plain = kind == CYCLIC
    beat_ns = np.where(is_plain | (kind == MIXED), beat_of(spread.at, kind), 0)
    for number in np.flatnonzero(kind == EVENT_DRIVEN).tolist():
        beat_ns[number] = blurred_beat(length_ns[start[number] : start[number + 1]])
    kind[(kind == EVENT_DRIVEN) & (beat_ns > 0)] = CYCLIC
    near = np.where(kind == MIXED, NEAR_BEAT[MIXED], NEAR_BEAT[CYCLIC])
    median_ns = spread.at(0.5)
    none = np.diff(start) == 0
    return Intervals(
        length_ns=length_ns,
        place=place + streams.start[batch.start],
        start=start,
        median_s=_seconds(median_ns, none),
        least_s=_seconds(spread.at(0.0), none),
        most_s=_seconds(spread.at(1.0), none),
        sd_s=_seconds(_deviation(length_ns, start, median_ns), none),
        kind=kind,
        cycle_s=fitted_cycles(length_ns, start, beat_ns, near) / NANOSECONDS_PER_SECOND,
        jitter_s=_seconds((spread.at(0.975) - spread.at(0.025)) / 2, kind != CYCLIC),
        gap_from_ns=_gap_from(beat_ns, spread.at(0.9)),
        is_plain=is_plain,
    )


@dataclass(frozen=True, eq=False)
class _Spread:
    """Intervals of each stream at :data:`SHARES` of all, in ascending order, float64 (g,) each [ns]."""

    at_share: dict[float, Floats]

    @classmethod
    def of(cls, length_ns: Ints, start: Ints) -> _Spread:
        """Put those intervals where they belong; sorting all would take longer."""
        fits = not len(length_ns) or int(length_ns.max()) <= np.iinfo(np.uint32).max
        parted = length_ns.astype(np.uint32) if fits else length_ns.copy()  # shorter numbers are moved faster
        last = np.diff(start) - 1
        index = np.rint(np.outer(np.maximum(last, 0), SHARES)).astype(np.int64)
        for (first, end), places in zip(itertools.pairwise(start.tolist()), index.tolist(), strict=True):
            if end > first:
                parted[first:end].partition(places)
        found = np.zeros(index.shape)
        filled = last >= 0
        found[filled] = parted[start[:-1][filled, np.newaxis] + index[filled]]
        return cls(dict(zip(SHARES, found.T, strict=True)))

    def at(self, share: float) -> Floats:
        """Return for each stream the interval that this share of all does not pass [ns]; 0 where it has none."""
        return self.at_share[share]


def _gap_from(beat_ns: Floats, late_ns: Floats) -> Ints:
    """Return from which length on an interval is a gap [ns]."""
    longest = np.maximum(GAP_CYCLES * beat_ns, beat_ns + GAP_SPREADS * (late_ns - beat_ns))
    return np.where(beat_ns > 0, longest, np.iinfo(np.int64).max // 2).astype(np.int64)


def _deviation(length_ns: Ints, start: Ints, median_ns: Floats) -> Floats:
    """Return the standard deviation of each stream's intervals [ns]; 0 with fewer than two."""
    count = np.diff(start)
    off: Floats = length_ns.astype(np.float64) - np.repeat(median_ns, count)
    mean = _sums(off, start, np.float64) / np.maximum(count, 1)
    square = _sums(off * off, start, np.float64) - count * mean**2
    return np.asarray(np.sqrt(np.maximum(square, 0) / np.maximum(count - 1, 1)), np.float64)


def _number(which: Bools, start: Ints) -> Ints:
    """Count the chosen intervals of each stream."""
    return _sums(which, start, np.int64)


def _sums(values: Bools | Floats, start: Ints, kind: type[Number]) -> npt.NDArray[Number]:
    """Add up the values of each stream; 0 where it has none."""
    out = np.zeros(len(start) - 1, kind)
    filled = np.flatnonzero(np.diff(start))
    if len(filled):
        out[filled] = np.add.reduceat(values, start[filled], dtype=kind)
    return out


def _scaled(seconds: Floats, factor: float, *, otherwise: int = np.iinfo(np.int64).max // 2) -> Ints:
    """Return a time as whole nanoseconds times a factor; ``otherwise`` where it is not known."""
    known = np.isfinite(seconds)
    return np.where(known, np.where(known, seconds, 0) * factor * NANOSECONDS_PER_SECOND, otherwise).astype(np.int64)


def _seconds(nanoseconds: Floats, none: Bools) -> Floats:
    """Return times in seconds, nan where there are none."""
    return np.where(none, np.nan, nanoseconds / NANOSECONDS_PER_SECOND)
