"""Waiting: when each frame can have been ready to be sent, whether it waited for the bus or not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.wire import arbitration_rank

if TYPE_CHECKING:
    from canlens.trace import Bools, Ints, Rows, Trace

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
