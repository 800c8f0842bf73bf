"""Block beats: the cycle of each message, block by block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.beats import fitted_cycles
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.measures.intervals import Intervals
    from canlens.signals import Floats
    from canlens.trace import Ints

NEAR = 0.5
"""Intervals that are off the beat by no more than this share of it count for the cycle."""


@dataclass(frozen=True, eq=False)
class BlockBeats:
    """Intervals on the beat that end in each of j groups of frames.

    ``number`` counts them; ``slope_s`` is the fitted cycle, 0 where there is no beat.
    """

    number: Ints
    slope_s: Floats


def block_beats(found: Intervals, stream: Ints, begin: Ints) -> BlockBeats:
    """Measure the intervals on the beat of each group of frames.

    Parameters
    ----------
    found
        All intervals.
    stream, begin
        int64 (j,): stream of each group, and where it begins in the streams' rows.
    """
    border = np.append(np.searchsorted(found.place, begin), len(found.place))
    beat_ns = (np.nan_to_num(found.cycle_s) * NANOSECONDS_PER_SECOND)[stream]
    slope_ns = fitted_cycles(found.length_ns, border, beat_ns, np.full(len(beat_ns), NEAR))
    beat_of_each_ns = np.repeat(beat_ns, np.diff(border))
    over_ns = found.length_ns - beat_of_each_ns
    kept = (np.abs(over_ns) <= NEAR * beat_of_each_ns) & (beat_of_each_ns > 0)
    number = _sums(kept.astype(np.float64), border).astype(np.int64)
    return BlockBeats(number, np.nan_to_num(slope_ns) / NANOSECONDS_PER_SECOND)


def _sums(values: Floats, border: Ints) -> Floats:
    """Add up the values between each two borders."""
    return np.diff(np.append(0.0, np.cumsum(values))[border])
