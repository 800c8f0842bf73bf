"""Own beats: how far the frames of each message can lie off a straight line through those that did not wait."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.baseline import BLOCK_S
from canlens.measures.beats import CYCLIC
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.measures.comparing.waiting import Ready
    from canlens.measures.intervals import Intervals
    from canlens.signals import Floats
    from canlens.streams import Streams
    from canlens.trace import Bools, Ints, Rows

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
class Lines:
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


def own_beats(found: Intervals, streams: Streams, chosen: range, ready: Ready) -> Lines | None:
    """Lay lines through the frames of some streams.

    Where frames wait, their number on the beat cannot be counted from one interval to the next: half a cycle's wait
    would shift all that follow. So each line has a phase, the circular mean of its frames' times within the cycle.

    Parameters
    ----------
    found, streams, ready
        Of the whole recording.
    chosen
        Numbers of the streams.

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
    return _straightened(Lines(place[kept], stream[kept], begin, number[kept], least_ns, most_ns, is_free[kept]))


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


def _straightened(lines: Lines) -> Lines:
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
