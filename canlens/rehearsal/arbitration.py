"""Arbitration: when each frame gets the bus, if several want it; one sender's turn after the other."""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.trace import Bools, Identifiers, Ints


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
    order = np.argsort(release_ns, kind="stable").tolist()
    ready, ranks, busy = release_ns.tolist(), rank.tolist(), busy_ns.tolist()
    end = np.zeros(len(order), np.int64)
    waiting: list[tuple[int, int, int]] = []
    free_ns = -(1 << 62)
    position = 0
    while position < len(order) or waiting:
        if not waiting:
            free_ns = max(free_ns, ready[order[position]])
        while position < len(order) and ready[order[position]] <= free_ns:
            frame = order[position]
            heapq.heappush(waiting, (ranks[frame], ready[frame], frame))
            position += 1
        frame = heapq.heappop(waiting)[2]
        end[frame] = free_ns + busy[frame]
        free_ns = int(end[frame]) + gap_ns
    return end
