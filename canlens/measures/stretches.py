"""Stretches: runs of rows in which nothing changes, and the median of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.rule import ON

if TYPE_CHECKING:
    from canlens.evidence import Track
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints


def steady(track: Track, state: int, time_s: Floats, settle_s: float) -> Bools:
    """Tell at which times the track has surely been in a state for at least ``settle_s`` [s].

    A state that is only seen at rows is sure from its first row to its last one; where changes are sent at once, to the
    next change.

    Parameters
    ----------
    track, state
        What must have held.
    time_s
        float64 (n,): ascending [s].
    settle_s
        For how long [s].

    Returns
    -------
    bool (n,)
    """
    held = np.flatnonzero(track.state == state)
    next_s = track.before_s[1:] if track.slack_s else track.time_s[1:]
    ends_s = np.append(next_s, np.inf)
    return _inside(time_s, track.time_s[held] + settle_s, ends_s[held])


def calm(flashing: Track | None, time_s: Floats, settle_s: float) -> Bools:
    """Tell at which times the output has not been flashing for at least ``settle_s`` [s]; as :func:`steady`."""
    if flashing is None:
        return np.ones(len(time_s), bool)
    on = np.flatnonzero(flashing.state == ON)
    ends_s = np.append(flashing.time_s[1:], np.inf)
    return ~_inside(time_s, flashing.time_s[on], ends_s[on] + settle_s)


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Return start and stop (exclusive) of each run of true rows."""
    edge = np.diff(np.concatenate(([False], mask, [False])).astype(np.int8))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)


def medians(value: Floats, starts: Ints, stops: Ints) -> Floats:
    """Return the median of each run of rows; values that are no numbers do not count, a run without numbers gives nan.

    Examples
    --------
    >>> medians(np.array([1.0, 9.0, 2.0, 4.0]), np.array([0, 2]), np.array([2, 4])).tolist()
    [5.0, 3.0]
    """
    lengths = stops - starts
    run = np.repeat(np.arange(len(starts)), lengths)
    row = np.arange(len(run)) - np.repeat(np.cumsum(lengths) - lengths, lengths) + np.repeat(starts, lengths)
    known = ~np.isnan(value[row])
    numbers, run = value[row][known], run[known]
    ordered = numbers[np.lexsort((numbers, run))]
    count = np.bincount(run, minlength=len(starts))
    first = np.cumsum(count) - count
    if not len(ordered):
        return np.full(len(starts), np.nan)
    low = ordered[np.minimum(first + np.maximum(count - 1, 0) // 2, len(ordered) - 1)]
    high = ordered[np.minimum(first + count // 2, len(ordered) - 1)]
    return np.where(count > 0, (low + high) / 2, np.nan)


def _inside(time_s: Floats, begin_s: Floats, end_s: Floats) -> Bools:
    """Tell which of the ascending times lie in any span [begin, end); spans may overlap."""
    first = np.searchsorted(time_s, begin_s, "left")
    last = np.maximum(np.searchsorted(time_s, end_s, "left"), first)
    depth = np.zeros(len(time_s) + 1, np.int64)
    np.add.at(depth, first, 1)
    np.add.at(depth, last, -1)
    inside: Bools = np.cumsum(depth[:-1]) > 0
    return inside
