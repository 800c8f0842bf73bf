"""Own jitter: how far each message strays from its beat by itself, the waits for the bus taken out."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.traffic.intervals import CYCLIC
from canlens.nouns.baselines import BLOCK_S
from canlens.trace import NANOSECONDS_PER_SECOND
from canlens.wire import arbitration_rank

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.measures.traffic.intervals import Intervals
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows, Streams, Trace


FREE_SHARE = 0.25
"""The bus was free before a frame if nothing ran on it for this share of the frame's own length."""


@dataclass(frozen=True, eq=False)
class Ready:
    """When each of n rows can have been ready to be sent.

    Attributes
    ----------
    least_ns, most_ns
        int64 (n,): the bounds [ns]; alike for frames that found the bus free, which is when they began.
    is_free
        bool (n,): which found the bus free.
    """

    least_ns: Ints
    most_ns: Ints
    is_free: Bools


def ready(trace: Trace, busy_ns: Ints) -> Ready:
    """Tell when each frame can have been ready.

    A frame that found the bus free was ready when it began. One that waited came after the last frame began that would
    have lost against it, or after the bus was taken, and before the frame in front of it was over. Where the bit rate
    is unknown, all are taken to have found it free.

    Parameters
    ----------
    trace
        The recording; stamps are those of the frames' ends.
    busy_ns
        int64 (n,): how long each row held the bus, intermission counted [ns]; zeros where that is unknown.

    References
    ----------
    Bosch CAN Specification 2.0 (1991), part B, 3.2.1 arbitration: of those that are ready the lowest identifier wins.
    """
    least, most = trace.time_ns - busy_ns, trace.time_ns - busy_ns
    is_free = np.ones(len(trace), np.bool_)
    rank = arbitration_rank(trace.identifier, trace.is_extended)
    for channel in range(len(trace.channels)):
        here = np.flatnonzero(trace.channel == channel)
        slack = busy_ns[here] * FREE_SHARE
        end = trace.time_ns[here]
        waited = np.append(False, np.diff(end) <= (busy_ns[here] + slack)[1:])[: len(here)]
        later = np.flatnonzero(waited)
        is_free[here] = ~waited
        most[here[later]] = end[later - 1] + slack[later].astype(np.int64)
        least[here[later]] = least[here[_winner_before(rank[here], waited, later)]]
    return Ready(np.minimum(least, most), most, is_free)


def _winner_before(rank: Ints, waited: Bools, later: Rows) -> Rows:
    """Return for each frame that waited the last one before it that it would have beaten, or that took a free bus."""
    first = np.maximum.accumulate(np.where(waited, 0, np.arange(len(waited))))
    before = later - 1
    open_ends = np.arange(len(later))
    while len(open_ends):
        at = before[open_ends]
        own = later[open_ends]
        open_ends = open_ends[(at > first[own]) & (rank[at] < rank[own])]
        before[open_ends] -= 1
    return before


# Hidden shapes: how values are distributed of which many are only known to lie between two bounds.


REACH = 4.0
"""Values are looked at to so many standard deviations on both sides; what lies further counts as there."""
STEPS = 6
"""Steps of a standard deviation."""
CELLS = int(2 * REACH * STEPS)
CENTRES = (np.arange(CELLS) + 0.5) / STEPS - REACH
SWEEPS = 8
"""So often the distribution is made anew from what it says of the hidden values (more changed nothing)."""
KERNEL = (1 / 16, 2 / 16, 3 / 16, 4 / 16, 3 / 16, 2 / 16, 1 / 16)
"""What neighbours get of a cell: without it a few known values would seem to tell where all hidden ones lie."""
LEAST = 1e-9


@dataclass(frozen=True, eq=False)
class Hidden:
    """Values in units of their stream's scale; k values of g streams.

    Attributes
    ----------
    stream
        int64 (k,): from 0 on.
    least, most
        int64 (k,): cells of the bounds.
    is_known
        bool (k,): which are known themselves.
    """

    stream: Ints
    least: Ints
    most: Ints
    is_known: Bools
    streams: int

    @classmethod
    def of(cls, stream: Ints, bounds: tuple[Floats, Floats], is_known: Bools, streams: int) -> Hidden:
        """Put values into cells."""
        least, most = (np.clip(np.floor((each + REACH) * STEPS), 0, CELLS - 1).astype(np.int64) for each in bounds)
        return cls(stream, least, most, is_known, streams)

    @property
    def ends(self) -> tuple[Ints, Ints]:
        """Where in sums over the cells, which begin with 0, those of each hidden value begin and end."""
        unknown = ~self.is_known
        row = self.stream[unknown] * (CELLS + 1)
        return row + self.least[unknown], row + self.most[unknown] + 1


@dataclass(frozen=True, eq=False)
class Shape:
    """The share of each cell, float64 (g, CELLS), and with ``moment`` its moments."""

    share: Floats

    def moment(self, power: int) -> Floats:
        """Return the mean of a power of the values, float64 (g,)."""
        return np.asarray(self.share @ CENTRES**power, np.float64)

    def between(self, ends: tuple[Ints, Ints], power: int) -> Floats:
        """Return the share of what lies between two ends, times a power of the values; float64 (k,)."""
        total = _running(self.share * CENTRES**power)
        return np.asarray(total[ends[1]] - total[ends[0]], np.float64)


def shape_of(hidden: Hidden) -> Shape:
    """Estimate how the values of each stream are distributed, whatever the shape.

    The estimate agrees with itself: each hidden value is shared out over its cells as the distribution itself says.

    References
    ----------
    B. W. Turnbull, The empirical distribution function with arbitrarily grouped, censored and truncated data,
    J. R. Statist. Soc. B 38 (1976) 290-295. Smoothed after each step as in B. W. Silverman, M. C. Jones, J. D. Wilson
    and D. W. Nychka, J. R. Statist. Soc. B 52 (1990) 271-324.
    """
    size = hidden.streams * CELLS
    known = (hidden.stream * CELLS + hidden.least)[hidden.is_known]
    counted = np.bincount(known, minlength=size).reshape(-1, CELLS).astype(np.float64)
    ends = hidden.ends
    share = (1 / CELLS + counted / np.maximum(counted.sum(axis=1, keepdims=True), 1)) / 2
    for _ in range(SWEEPS):
        total = _running(share)
        weight = 1 / np.maximum(total[ends[1]] - total[ends[0]], LEAST)
        begun, ended = (np.bincount(end, weight, minlength=hidden.streams * (CELLS + 1)) for end in ends)
        over = np.cumsum((begun - ended).reshape(-1, CELLS + 1), axis=1)[:, :CELLS]
        share = _smoothed(np.maximum(counted + share * over, 0.0))
        share /= np.maximum(share.sum(axis=1, keepdims=True), LEAST)
    return Shape(share)


def _smoothed(share: Floats) -> Floats:
    """Let each cell share with its neighbours; what would leave at the ends stays there."""
    wide = np.pad(share, ((0, 0), (len(KERNEL) // 2,) * 2), mode="symmetric")
    return np.asarray(sum(each * wide[:, at : at + CELLS] for at, each in enumerate(KERNEL)), np.float64)


def _running(values: Floats) -> Floats:
    """Return the running sums of each row, with a 0 in front, one row after the other."""
    total = np.zeros((len(values), values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total.reshape(-1)


# Own beats: how far the frames of each message can lie off a straight line through those that did not wait.


LINE_CYCLES = 30.0
"""A line is laid through the frames of so many cycles: a shorter one would follow the jitter, a longer one counts as it
what a sender's clock does."""
REACH_SHARE = 0.25
"""A slope rests on at least this share of what all frames of a line would tell of it (our choice)."""
TINY = 1e-9
MOST_FRAMES = 4_000
LINES_IN_BLOCK = 2.0
"""Of so many frames all lines are used, of more as many as that, or two in every block: the rest would add little."""
FEWEST_FREE = 6
"""A line rests on so many frames that found the bus free; with fewer it might lie anywhere."""


@dataclass(frozen=True, eq=False)
class BeatLines:
    """Frames of messages on a beat, each on its line; k frames on l lines.

    Attributes
    ----------
    place
        intp (k,): places of the frames in the streams' ``rows``, ascending.
    stream
        int64 (k,): number of each one's stream.
    begin
        intp (l,): first frame of each line.
    number
        float64 (k,): which beat of its line each is, less the mean of its line.
    least_ns, most_ns
        float64 (k,): within which bounds each was ready, from its line on [ns].
    is_free
        bool (k,): which found the bus free, so that the bounds are alike.
    """

    place: Rows
    stream: Ints
    begin: Rows
    number: Floats
    least_ns: Floats
    most_ns: Floats
    is_free: Bools

    @property
    def line(self) -> Ints:
        """int64 (k,): number of each frame's line."""
        return np.repeat(np.arange(len(self.begin)), np.diff(np.append(self.begin, len(self.place))))

    def sums(self, values: Floats) -> Floats:
        """Add up the values of each line, float64 (l,)."""
        return np.add.reduceat(values, self.begin)

    def reach(self, squares: Floats) -> Floats:
        """Return by what a slope is found, float64 (l,): the squared numbers of the frames that tell of it, added up.

        Where they lie close together, a part of all frames' is taken, so that the slope stays nearer to that of the
        cycle: a line through frames at one end would miss those at the other.
        """
        return np.maximum(squares, REACH_SHARE * self.sums(self.number**2) + TINY)


def own_beats(found: Intervals, streams: Streams, chosen: range, ready: Ready) -> BeatLines | None:
    """Lay lines through the frames of some streams.

    Where frames wait, their number on the beat cannot be counted from one interval to the next: half a cycle's wait
    would shift all that follow. So each line has a phase, the circular mean of its frames' times within the cycle.

    Returns
    -------
    Lines or None
        Only messages on a beat alone, and lines on which enough frames found the bus free; None without any.
    """
    place = np.arange(streams.start[chosen.start], streams.start[chosen.stop])
    stream = np.repeat(np.arange(chosen.start, chosen.stop), streams.frames[chosen.start : chosen.stop])
    on_beat = ((found.kind == CYCLIC) & (np.nan_to_num(found.cycle_s) > 0))[stream]
    place, stream = place[on_beat], stream[on_beat]
    if not len(place):
        return None
    beat_ns = found.cycle_s[stream] * NANOSECONDS_PER_SECOND
    origin_ns = ready.least_ns[streams.rows[streams.start[stream]]]
    since_ns = ready.most_ns[streams.rows[place]] - origin_ns
    span = np.floor(since_ns / (LINE_CYCLES * beat_ns))
    enough = _enough(span, stream, streams, found.cycle_s)
    place, stream, span, beat_ns, origin_ns = (each[enough] for each in (place, stream, span, beat_ns, origin_ns))
    row = streams.rows[place]
    least_ns, most_ns = ((each[row] - origin_ns).astype(np.float64) for each in (ready.least_ns, ready.most_ns))
    middle_ns = (least_ns + most_ns) / 2
    is_free = ready.is_free[row]
    begin = np.flatnonzero(_begins(found, place) | _changes(stream) | _changes(span))
    line = np.repeat(np.arange(len(begin)), np.diff(np.append(begin, len(place))))
    phase = _phases(middle_ns / beat_ns, is_free, begin)[line]
    number = np.rint(middle_ns / beat_ns - phase)
    line_ns = (number + phase) * beat_ns
    kept = np.flatnonzero(np.add.reduceat(is_free, begin, dtype=np.int64)[line] >= FEWEST_FREE)
    if not len(kept):
        return None
    begin = np.flatnonzero(_changes(line[kept]))
    least_ns, most_ns = (each[kept] - line_ns[kept] for each in (least_ns, most_ns))
    return _straightened(BeatLines(place[kept], stream[kept], begin, number[kept], least_ns, most_ns, is_free[kept]))


def _enough(span: Floats, stream: Ints, streams: Streams, cycle_s: Floats) -> Bools:
    """Tell which frames are used: those of every line, of quick messages in long recordings of some lines only."""
    share = np.maximum(MOST_FRAMES / np.maximum(streams.frames, 1), LINES_IN_BLOCK * LINE_CYCLES * cycle_s / BLOCK_S)
    share = np.nan_to_num(share)[stream]
    return (share >= 1) | (np.floor((span + 1) * share) > np.floor(span * share))


def _begins(found: Intervals, place: Rows) -> Bools:
    """Tell before which frames no interval is known: a silence, a restart of the clock, or a stamp that steps back."""
    index = np.minimum(np.searchsorted(found.place, place), max(len(found.place) - 1, 0))
    return found.place[index] != place if len(found.place) else np.ones(len(place), np.bool_)


def _changes(values: Ints | Floats) -> Bools:
    """Tell which values differ from the one before."""
    return np.append(True, np.diff(values) != 0)[: len(values)]


def _phases(beats: Floats, is_free: Bools, begin: Rows) -> Floats:
    """Return the circular mean of the times within the cycle of the frames that found the bus free, float64 (l,)."""
    angle = 2 * np.pi * np.mod(beats, 1.0)
    up, across = (np.add.reduceat(np.where(is_free, part(angle), 0.0), begin) for part in (np.sin, np.cos))
    return np.asarray(np.arctan2(up, across) / (2 * np.pi), np.float64)


def _straightened(lines: BeatLines) -> BeatLines:
    """Lay each line through the frames that found the bus free, by least squares."""
    line, weight = lines.line, lines.is_free.astype(np.float64)
    size = np.diff(np.append(lines.begin, len(line)))
    number = lines.number - (lines.sums(lines.number) / size)[line]
    lines = replace(lines, number=number)
    count = lines.sums(weight)
    across, up = (lines.sums(weight * each) / count for each in (number, lines.most_ns))
    off = number - across[line]
    slope = lines.sums(weight * off * lines.most_ns) / lines.reach(lines.sums(weight * off**2))
    fitted_ns = up[line] + slope[line] * off
    least_ns, most_ns = (each - fitted_ns for each in (lines.least_ns, lines.most_ns))
    return replace(lines, least_ns=least_ns, most_ns=most_ns)


ROUNDS = 3
"""So often lines and distribution are fitted in turn."""
LONGEST_STEP = 1.5
"""Standard deviations by which a line moves at once, at the most."""
FEWEST_WORTH = 3.0
"""Lines on which less is known stay where they are."""
LEAST_SCALE_NS = 100.0
FARTHEST = 4.0
BATCH = 1 << 16
"""Frames that are measured together; what fits the cache is quick."""


@dataclass(frozen=True, eq=False)
class OwnJitter:
    """What each of j groups of frames tells of its message's jitter.

    Attributes
    ----------
    worth
        float64 (j,): how many frames of which all is known would tell as much.
    square_s2
        float64 (j,): their squared deviations from the beat [s²], added up. Divided by ``worth`` it is the variance;
        by chance it may be negative where hardly anything is known.
    """

    worth: Floats
    square_s2: Floats


def own_jitter(found: Intervals, streams: Streams, ready: Ready, group: Ints, groups: int) -> OwnJitter:
    """Measure how far frames stray from the beat by themselves.

    Of a frame that found the bus free it is known when it was ready. Looking at those alone would be wrong: which
    frames these are depends on when they were ready, and changes as the clocks of nodes drift past each other. A frame
    that waited was ready between two bounds, and tells as much as they do: its squared deviation is the one expected
    between them. What it lacks in worth is the variance that is left between them (T. A. Louis, J. R. Statist. Soc.
    B 44 (1982) 226-233: what is observed is what is complete less what is missing).

    Parameters
    ----------
    group, groups
        int64 (m,): number of the group of each frame of the streams' ``rows``; how many groups there are.
    """
    worth, square_s2 = np.zeros(groups), np.zeros(groups)
    for chosen in _batches(streams):
        lines = own_beats(found, streams, chosen, ready)
        if lines is None:
            continue
        each_worth, each_s2 = _measured(lines, chosen)
        number = group[lines.place]
        worth += np.bincount(number, each_worth, minlength=groups)
        square_s2 += np.bincount(number, each_s2, minlength=groups)
    is_known = worth > 0
    return OwnJitter(np.where(is_known, worth, 0.0), np.where(is_known, square_s2, 0.0))


def _batches(streams: Streams) -> Iterator[range]:
    """Yield numbers of streams that follow each other, with not too many frames together."""
    part = streams.start[:-1] // BATCH
    borders = [*np.flatnonzero(np.append(True, np.diff(part) != 0)[: len(part)]).tolist(), len(part)]
    yield from itertools.starmap(range, itertools.pairwise(borders))


@dataclass(frozen=True, eq=False)
class _Expected:
    """What the distribution says of each value, in units of its stream's scale.

    ``first``, ``second`` and ``fourth`` are the means of its powers, all from the mean of its stream on; ``told`` how
    much of a stream's variance is not left between its bounds.
    """

    first: Floats
    second: Floats
    fourth: Floats
    told: Floats


def _expected(hidden: Hidden, shape: Shape, least: Floats) -> _Expected:
    """Ask the distribution for each value that is hidden; others are what they are."""
    value = np.clip(least, -REACH, REACH)
    first, second, told = value, value * value, np.ones(len(value))
    fourth = second * second
    unknown, ends = ~hidden.is_known, hidden.ends
    share = np.maximum(shape.between(ends, 0), LEAST)
    first[unknown], second[unknown], fourth[unknown] = (shape.between(ends, power) / share for power in (1, 2, 4))
    variance = np.maximum(shape.moment(2) - shape.moment(1) ** 2, LEAST)[hidden.stream[unknown]]
    told[unknown] = np.clip(1 - (second[unknown] - first[unknown] ** 2) / variance, 0.0, 1.0)
    return _Expected(first, second, fourth, told)


def _measured(lines: BeatLines, chosen: range) -> tuple[Floats, Floats]:
    """Return worth and squared deviation [s²] of each frame."""
    stream = lines.stream - chosen.start
    scale_ns = _scales(lines, stream, len(chosen))
    for rest in reversed(range(ROUNDS)):
        unit = scale_ns[stream]
        least = lines.least_ns / unit
        hidden = Hidden.of(stream, (least, lines.most_ns / unit), lines.is_free, len(chosen))
        shape = shape_of(hidden)
        expected = _expected(hidden, shape, least)
        if rest:
            lines = _moved(lines, expected, unit)
            spread = np.sqrt(np.maximum(shape.moment(2) - shape.moment(1) ** 2, 0.0))
            scale_ns = np.maximum(scale_ns * spread, LEAST_SCALE_NS)
    mean, square = shape.moment(1)[stream], shape.moment(2)[stream]
    spread = np.maximum(shape.moment(4)[stream] - square**2, LEAST)
    worth = 1 - np.where(lines.is_free, 0.0, expected.fourth - expected.second**2) / spread
    lost = _lost(lines, expected.told)[lines.line]
    off = expected.second - 2 * mean * expected.first + mean**2
    variance = square - mean**2
    deviation = (variance * worth + off - variance) * lost
    return worth, deviation * (scale_ns[stream] / NANOSECONDS_PER_SECOND) ** 2


def _scales(lines: BeatLines, stream: Ints, streams: int) -> Floats:
    """Return about the standard deviation of each stream's frames that found the bus free [ns]; few stray far."""
    square = np.where(lines.is_free, lines.most_ns, 0.0) ** 2
    used = lines.is_free
    for _ in range(ROUNDS):
        total, count = (np.bincount(stream, each * used, minlength=streams) for each in (square, np.ones(len(used))))
        scale_ns = np.maximum(np.sqrt(total / np.maximum(count, 1)), LEAST_SCALE_NS)
        used = lines.is_free & (square <= (FARTHEST * scale_ns[stream]) ** 2)
    return scale_ns


def _moved(lines: BeatLines, expected: _Expected, unit: Floats) -> BeatLines:
    """Lay each line anew through what is expected of its frames, each with the weight of what is known of it."""
    line, weight = lines.line, expected.told
    told = lines.sums(weight)
    is_known = told >= FEWEST_WORTH
    told = np.where(is_known, told, 1.0)
    off = lines.number - (lines.sums(weight * lines.number) / told)[line]
    up = np.where(is_known, lines.sums(expected.first) / told, 0.0)
    turn = np.where(is_known, lines.sums(off * expected.first) / lines.reach(lines.sums(weight * off**2)), 0.0)
    step_ns = np.clip(up[line] + turn[line] * off, -LONGEST_STEP, LONGEST_STEP) * unit
    return replace(lines, least_ns=lines.least_ns - step_ns, most_ns=lines.most_ns - step_ns)


def _lost(lines: BeatLines, weight: Floats) -> Floats:
    """Return how many times larger deviations would be from the true line than from one laid through them, (l,)."""
    told = lines.sums(weight)
    off = lines.number - (lines.sums(weight * lines.number) / np.maximum(told, LEAST))[lines.line]
    squares = lines.sums(weight * off**2)
    freedom = 1 + squares / lines.reach(squares)
    return np.asarray(told / np.maximum(told - freedom, 1.0), np.float64)
