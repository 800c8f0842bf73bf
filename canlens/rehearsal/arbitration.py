"""Arbitration: when each frame gets the bus, if several want it; one sender's turn after the other."""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.trace import Bools, Identifiers, Ints, Rows

PAIR = 2
"""Of two frames that come one after the other, the second one waits, whatever its priority."""
POSITION_BITS = 32
POSITIONS = (1 << POSITION_BITS) - 1
"""The lower bits of a key say which frame it is, the upper ones who wins."""


def priority(identifier: Identifiers, is_extended: Bools) -> Ints:
    """Return the order in which identifiers win the bus; the smallest wins.

    Bits are compared as they are sent, a dominant 0 wins: first the 11 bits that both formats have in
    front, then the base format wins with its dominant IDE bit, then the other 18 bits of the extended
    format.

    References
    ----------
    Bosch CAN Specification 2.0 (1991), part B, 3.2.1 Data frame: arbitration field, SRR and IDE bit.
    """
    wide = identifier.astype(np.int64)
    return np.where(is_extended, (wide >> 18) << 19 | 1 << 18 | wide & 0x3FFFF, wide << 19)


def arbitrate(release_ns: Ints, rank: Ints, busy_ns: Ints, *, gap_ns: int) -> Ints:
    """Send the frames over one bus.

    Parameters
    ----------
    release_ns
        int64 (n,): when each frame is ready [ns], in any order.
    rank
        int64 (n,): its :func:`priority`.
    busy_ns
        int64 (n,): how long it takes, start of frame to end of frame [ns].
    gap_ns
        Intermission after each frame [ns].

    Returns
    -------
    int64 (n,)
        End of each frame [ns]. No two frames overlap; a free bus goes at once to the first that is ready,
        a busy one next to the frame of the highest priority that waits.

    Examples
    --------
    >>> now, soon = np.array([0, 10, 20]), np.array([5, 7, 6])
    >>> arbitrate(now, soon, np.array([100, 100, 100]), gap_ns=3).tolist()
    [100, 306, 203]
    """
    order = np.argsort(release_ns, kind="stable")
    ready, busy = release_ns[order], busy_ns[order]
    start, first = busy_periods(ready, busy, gap_ns=gap_ns)
    end = start + busy
    last = np.append(first[1:], len(ready))
    size = last - first
    second = np.minimum(first + 1, len(ready) - 1)
    crowded = np.flatnonzero((size > PAIR) | (size == PAIR) & (ready[second] == ready[first]))
    keys = rank[order].astype(np.int64) << POSITION_BITS | np.arange(len(ready))
    served = _serve(ready.tolist(), busy.tolist(), keys.tolist(), (first[crowded], last[crowded]), gap_ns)
    rows = np.array([row for row, _ in served], np.intp)
    end[rows] = np.array([time for _, time in served], np.int64)
    sent = np.empty_like(end)
    sent[order] = end
    return sent


def busy_periods(ready_ns: Ints, busy_ns: Ints, *, gap_ns: int) -> tuple[Ints, Rows]:
    """Cut frames into the stretches in which the bus is never free; whoever waits, these are the same.

    Parameters
    ----------
    ready_ns, busy_ns, gap_ns
        As for :func:`arbitrate`; the frames by the time at which they are ready.

    Returns
    -------
    int64 (n,)
        When each frame would start if they were served in turn [ns].
    intp (k,)
        First frame of each stretch.
    """
    before = np.cumsum(busy_ns + gap_ns) - (busy_ns + gap_ns)
    start: Ints = before + np.maximum.accumulate(ready_ns - before) if len(ready_ns) else ready_ns
    is_first = np.ones(len(ready_ns), np.bool_)
    is_first[1:] = (start[1:] == ready_ns[1:]) & (ready_ns[1:] > ready_ns[:-1])
    return start, np.flatnonzero(is_first)


def _serve(
    ready: list[int], busy: list[int], keys: list[int], periods: tuple[Rows, Rows], gap_ns: int
) -> list[tuple[int, int]]:
    """Serve the frames of some stretches in the order in which they win; return each with its end."""
    served: list[tuple[int, int]] = []
    push, pop = heapq.heappush, heapq.heappop
    for first, last in zip(periods[0].tolist(), periods[1].tolist(), strict=True):
        waiting: list[int] = []
        free, position = ready[first], first
        for _ in range(last - first):
            while position < last and ready[position] <= free:
                push(waiting, keys[position])
                position += 1
            row = pop(waiting) & POSITIONS
            free += busy[row]
            served.append((row, free))
            free += gap_ns
    return served
