"""Families: frames of one identifier that a bit of their payload splits into two beats."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.beats import SPREAD, blurred_beat
from canlens.measures.combs import COVERED, FEWEST_FRAMES, MOST_WHOLE

if TYPE_CHECKING:
    from canlens.trace import Bools, Ints, Rows, Trace

MIXED_SHARE = 0.5
"""Frames of two senders come one among the other; a bit that changes more seldom, for so many frames of the smaller
family, is a value of one sender (our choice)."""
ALIKE = 0.005
"""Cycles that are whole multiples of each other within this share may be those of one sender that sends in turn."""
LONGEST_PATTERN = 64
PATTERN_SHARE = 0.97
"""A pattern of up to so many frames that fits so many of them is one sender's (our choice)."""
MOST_FRAMES = 4000
"""Frames that are looked at, from the middle of longer streams."""


def two_families(trace: Trace, rows: Rows, *, may_be_whole: bool = False) -> tuple[float, float] | None:
    """Look for a bit that splits frames into two families, each of which is on a beat though all together are not.

    The bit may be any of the first eight bytes, or whether a frame has the usual payload length.

    Parameters
    ----------
    trace
        The recording.
    rows
        intp (n,): rows of the frames of one identifier, in the order of time.
    may_be_whole
        Whether one cycle may be a whole multiple of the other, and the families follow each other in a pattern.

    Returns
    -------
    (float, float) or None
        Cycle of each family [ns], the shorter one first; None where no bit does so, or where one cycle is a whole
        multiple of the other, as one sender's may be, unless that may be.
    """
    rows = rows[max(0, (len(rows) - MOST_FRAMES) // 2) :][:MOST_FRAMES]
    if len(rows) < FEWEST_FRAMES:
        return None
    time_ns = trace.time_ns[rows]
    if may_be_whole and _beat(np.diff(time_ns)):
        return None
    bits = np.unpackbits(trace.payload.first8[rows], axis=1, bitorder="little").astype(np.bool_)
    length = trace.payload.length[rows]
    split = np.column_stack([length == np.bincount(length).argmax(), bits])
    least = FEWEST_FRAMES / 4
    ones = split.sum(axis=0)
    for column in np.flatnonzero((ones >= least) & (len(rows) - ones >= least)).tolist():
        cycles_ns = _beats(time_ns, split[:, column], may_be_whole=may_be_whole)
        if cycles_ns:
            return cycles_ns
    return None


def _beats(time_ns: Ints, member: Bools, *, may_be_whole: bool) -> tuple[float, float] | None:
    """Return the cycles of both families [ns], the shorter one first; None where they are not two beats."""
    fewer = min(int(member.sum()), int((~member).sum()))
    if np.count_nonzero(member[1:] != member[:-1]) < MIXED_SHARE * fewer:
        return None
    if not may_be_whole and _has_pattern(member):
        return None
    cycles_ns = []
    for which in (member, ~member):
        own = time_ns[which]
        cycle_ns = _beat(np.diff(own))
        if not cycle_ns or own[-1] - own[0] < COVERED * (time_ns[-1] - time_ns[0]):
            return None
        cycles_ns.append(cycle_ns)
    short, long = sorted(cycles_ns)
    if not may_be_whole and long / short < MOST_WHOLE and abs(long / short / round(long / short) - 1) < ALIKE:
        return None
    return short, long


def _has_pattern(member: Bools) -> bool:
    """Tell whether the families follow each other in a fixed pattern, as values of one sender that go round do."""
    reach = min(LONGEST_PATTERN, len(member) // 2)
    return any((member[step:] == member[:-step]).mean() >= PATTERN_SHARE for step in range(1, reach + 1))


def _beat(length_ns: Ints) -> float:
    """Return the beat of intervals [ns]; 0 where they keep none."""
    low, middle, high = np.quantile(length_ns, (0.1, 0.5, 0.9)).tolist()
    if middle > 0 and low >= (1 - SPREAD) * middle and high <= (1 + SPREAD) * middle:
        return float(length_ns[np.abs(length_ns - middle) <= SPREAD * middle].mean())
    return blurred_beat(length_ns)
