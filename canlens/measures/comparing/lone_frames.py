"""Lone frames: jitter measured frame by frame and not by interval, so that each frame that did not wait counts."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.measures.comparing.block_beats import BlockBeats
    from canlens.measures.intervals import Intervals
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

SLOW_S = 0.25
"""From this cycle on a block of five seconds holds at most twenty frames. Quicker messages have intervals enough; their
single frames are too many and too little independent: blocks of them differed on healthy buses."""
LINE_CYCLES = 30.0
"""A line is laid through the frames of so many cycles: a shorter one would follow the jitter, a longer one counts as it
what a sender's clock does."""
LINE_FREEDOM = 2
FEWEST = 4
"""With fewer frames on a line nothing is left over to measure."""


def with_lone_frames(
    beats: BlockBeats, found: Intervals, stream: Ints, begin: Ints, is_free: Bools, time_ns: Ints
) -> BlockBeats:
    """Measure spreads of slow messages anew: each frame's distance from the line through all that found the bus free.

    An interval is only known where two frames in a row did not wait, which on a bus with load are few. A single frame
    says as much of its sender, if the beat is known from all others. The spread is given as that of an interval, which
    is the square root of two times as large.

    Parameters
    ----------
    beats
        As measured by intervals; returned with ``free`` and ``free_spread_s`` of slow messages put in place. There
        ``free`` is the number of frames and one more, so that it has as many degrees of freedom as for intervals.
    found, stream, begin, is_free
        As for :func:`~canlens.measures.comparing.block_beats.block_beats`.
    time_ns
        int64 (m,): stamps of the frames of the streams [ns].
    """
    group = np.repeat(np.arange(len(begin)), np.diff(np.append(begin, len(time_ns))))
    beat_ns = (np.nan_to_num(found.cycle_s) * NANOSECONDS_PER_SECOND)[stream]
    is_slow = beat_ns >= SLOW_S * NANOSECONDS_PER_SECOND
    number, line = _numbered(found, np.where(is_slow, beat_ns, np.inf)[group], len(time_ns))
    used = np.flatnonzero(is_slow[group] & is_free)
    square, kept = _squares(number[used], time_ns[used], line[used])
    count = np.bincount(group[used][kept], minlength=len(begin))
    total = np.bincount(group[used][kept], square, minlength=len(begin))
    spread_s = np.sqrt(2 * total / np.maximum(count, 1)) / NANOSECONDS_PER_SECOND
    return replace(
        beats,
        free=np.where(is_slow, count + (count > 0), beats.free),
        free_spread_s=np.where(is_slow, spread_s, beats.free_spread_s),
    )


def _numbered(found: Intervals, beat_ns: Floats, frames: int) -> tuple[Floats, Ints]:
    """Return the number of each frame on its beat, and the number of the line it belongs to, both (m,)."""
    steps = np.zeros(frames)
    steps[found.place] = np.rint(found.length_ns / beat_ns[found.place])
    is_first = np.ones(frames, np.bool_)
    is_first[found.place] = False
    number = np.cumsum(steps)
    number -= number[is_first][np.cumsum(is_first) - 1]
    is_new = is_first | np.append(True, np.diff(np.floor(number / LINE_CYCLES)) != 0)[:frames]
    return number, np.cumsum(is_new)


def _squares(number: Floats, time_ns: Ints, line: Ints) -> tuple[Floats, Ints]:
    """Return the squared distance from its line [ns²] of each frame that has one, and which frames these are.

    They are enlarged by what a line takes away, so that their mean is the variance.
    """
    if not len(number):
        return np.zeros(0), np.zeros(0, np.int64)
    _, first, line, count = np.unique(line, return_index=True, return_inverse=True, return_counts=True)
    across = (number - number[first][line]).astype(np.float64)
    up = (time_ns - time_ns[first][line]).astype(np.float64)
    across -= (np.bincount(line, across) / count)[line]
    up -= (np.bincount(line, up) / count)[line]
    slope = np.bincount(line, across * up) / np.maximum(np.bincount(line, across**2), 1e-9)
    square = (up - slope[line] * across) ** 2 * (count / np.maximum(count - LINE_FREEDOM, 1))[line]
    kept = np.flatnonzero(count[line] >= FEWEST)
    return square[kept], kept
