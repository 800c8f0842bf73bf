"""Block beats: cycle and spread of each message's intervals, block by block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.beats import fitted_cycles
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.measures.intervals import Intervals
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Trace

FREE_SHARE = 0.25
"""The bus was free before a frame if nothing ran on it for this share of the frame's own length."""
NEAR = 0.5
"""Intervals that are off the beat by no more than this share of it count for cycle and spread."""


def free_rows(trace: Trace, busy_s: Floats) -> Bools:
    """Tell which frames found the bus free, bool (n,): those did not wait, so their times are their sender's own.

    Where the bit rate is unknown, all are taken to have.
    """
    out = np.ones(len(trace), np.bool_)
    for channel in range(len(trace.channels)):
        rows = np.flatnonzero(trace.channel == channel)
        since_s = np.diff(trace.time_ns[rows]) / NANOSECONDS_PER_SECOND
        out[rows[1:]] = since_s > (1 + FREE_SHARE) * busy_s[rows[1:]]
    return out


@dataclass(frozen=True, eq=False)
class BlockBeats:
    """Intervals on the beat that end in each of j groups of frames.

    ``number`` and ``free`` count all, and those between two frames that found the bus free; ``slope_s`` is the fitted
    cycle, 0 where there is no beat; ``free_spread_s`` the standard deviation of the latter, 0 with fewer than two.
    """

    number: Ints
    slope_s: Floats
    free: Ints
    free_spread_s: Floats


def block_beats(found: Intervals, stream: Ints, begin: Ints, is_free: Bools) -> BlockBeats:
    """Measure the intervals on the beat of each group of frames.

    Parameters
    ----------
    found
        All intervals.
    stream, begin
        int64 (j,): stream of each group, and where it begins in the streams' rows.
    is_free
        Bool (m,): which frames of the streams found the bus free.
    """
    border = np.append(np.searchsorted(found.place, begin), len(found.place))
    beat_ns = (np.nan_to_num(found.cycle_s) * NANOSECONDS_PER_SECOND)[stream]
    slope_ns = fitted_cycles(found.length_ns, border, beat_ns, np.full(len(beat_ns), NEAR))
    beat_of_each_ns = np.repeat(beat_ns, np.diff(border))
    over_ns = found.length_ns - beat_of_each_ns
    kept = (np.abs(over_ns) <= NEAR * beat_of_each_ns) & (beat_of_each_ns > 0)
    free, free_spread_s = _spread(over_ns, kept & is_free[found.place] & is_free[found.place - 1], border)
    number = _sums(kept.astype(np.float64), border).astype(np.int64)
    return BlockBeats(number, np.nan_to_num(slope_ns) / NANOSECONDS_PER_SECOND, free, free_spread_s)


def _spread(over_ns: Floats, kept: Bools, border: Ints) -> tuple[Ints, Floats]:
    """Return number and standard deviation [s] of the kept intervals of each group."""
    count = _sums(kept.astype(np.float64), border)
    mean_ns = _sums(np.where(kept, over_ns, 0.0), border) / np.maximum(count, 1)
    square = _sums(np.where(kept, over_ns - np.repeat(mean_ns, np.diff(border)), 0.0) ** 2, border)
    spread_ns = np.where(count > 1, np.sqrt(np.maximum(square, 0) / np.maximum(count - 1, 1)), 0.0)
    return count.astype(np.int64), spread_ns / NANOSECONDS_PER_SECOND


def _sums(values: Floats, border: Ints) -> Floats:
    """Add up the values between each two borders."""
    return np.diff(np.append(0.0, np.cumsum(values))[border])
