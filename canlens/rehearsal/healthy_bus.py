"""Healthy bus: the frames that all nodes want to send → when each gets the bus, and the recording of them."""

from __future__ import annotations

import heapq
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.install import BIT_RATE
from canlens.trace import NANOSECONDS_PER_SECOND, Kind, Payload, Source, Trace
from canlens.wire import (
    FD_DLC,
    FD_LENGTH,
    INTERMISSION_BITS,
    arbitration_rank,
    data_rate_bits,
    exact_bits,
    frame_seconds,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Plan
    from canlens.rehearsal.batches import Batch
    from canlens.signals import Floats
    from canlens.trace import Bytes, Ints, Rows

PAIR = 2
"""Of two frames that come one after the other, the second one waits, whatever its priority."""
POSITION_BITS = 32
POSITIONS = (1 << POSITION_BITS) - 1
"""The lower bits of a key say which frame it is, the upper ones who wins."""


def arbitrate(release_ns: Ints, rank: Ints, busy_ns: Ints, *, gap_ns: int) -> Ints:
    """Send the frames over one bus.

    Parameters
    ----------
    release_ns
        int64 (n,): when each frame is ready [ns], in any order.
    rank
        int64 (n,): its :func:`~canlens.wire.arbitration.arbitration_rank`.
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


CHANNEL = "can0"
"""Where a plan names no channel."""
STAMP_NS = 1000
"""Resolution of the time stamps [ns]: candump writes microseconds."""
FIRST8 = 8
TAIL_BITS = 10
"""CRC delimiter, acknowledge field and end of frame: what breaks a frame strikes before them."""
SUSPEND_BITS = 8
"""Pause of an error-passive sender (Bosch CAN 2.0, 3.1.5)."""


def record_healthy(plan: Plan, batches: Sequence[Batch], start_ns: int) -> tuple[Trace, list[Floats]]:
    """Send all frames over one bus.

    Returns
    -------
    Trace
        In order of their ends.
    list of float64
        The end of each frame of each batch [s].
    """
    numbers = [len(batch.ready_s) for batch in batches]
    waiting = waiting_frames(plan, batches)
    bit_rate = plan.bus.bit_rate or BIT_RATE
    end_ns = arbitrate(
        waiting.time_ns,
        arbitration_rank(waiting.identifier, waiting.is_extended),
        busy_ns(plan, waiting, exact_bits(waiting)),
        gap_ns=INTERMISSION_BITS * NANOSECONDS_PER_SECOND // bit_rate,
    )
    order = np.argsort(end_ns, kind="stable")
    stamps = start_ns + end_ns[order] // STAMP_NS * STAMP_NS
    ends_s = np.split(end_ns / NANOSECONDS_PER_SECOND, np.cumsum(numbers)[:-1])
    return in_order(waiting, order, stamps), ends_s


def in_order(waiting: Trace, order: Rows, stamps: Ints) -> Trace:
    """Return the frames in the order in which they ended, with their stamps and line numbers."""
    ordered = waiting.where(order)
    return replace(ordered, time_ns=stamps, line=np.arange(1, len(order) + 1), origin_ns=None)


def busy_ns(plan: Plan, waiting: Trace, bits: Ints) -> Ints:
    """Return how long each frame holds the bus [ns]."""
    seconds = frame_seconds(
        bits,
        at_data_rate=data_rate_bits(waiting),
        bit_rate=plan.bus.bit_rate or BIT_RATE,
        data_bit_rate=plan.bus.data_bit_rate,
    )
    return np.rint(seconds * NANOSECONDS_PER_SECOND).astype(np.int64)


def waiting_frames(plan: Plan, batches: Sequence[Batch]) -> Trace:
    """Return all frames, batch after batch, as a trace in which ``time_ns`` is when each is ready to be sent."""
    numbers = [len(batch.ready_s) for batch in batches]
    total = sum(numbers)
    messages = [batch.message for batch in batches]
    is_fd = np.repeat(np.array([one.is_fd for one in messages], np.bool_), numbers)
    length = np.repeat(np.array([one.length for one in messages], np.uint8), numbers)
    ready_s = np.concatenate([np.zeros(0), *(batch.ready_s for batch in batches)])
    return Trace(
        time_ns=np.rint(ready_s * NANOSECONDS_PER_SECOND).astype(np.int64),
        segment=np.zeros(total, np.int32),
        channel=np.zeros(total, np.int16),
        identifier=np.repeat(np.array([one.identifier for one in messages], np.uint32), numbers),
        is_extended=np.repeat(np.array([one.is_extended for one in messages], np.bool_), numbers),
        kind=np.full(total, Kind.DATA, np.uint8),
        is_fd=is_fd,
        bit_rate_switch=is_fd & (plan.bus.data_bit_rate is not None),
        error_state_indicator=np.zeros(total, np.bool_),
        is_rx=np.ones(total, np.bool_),
        dlc=FD_DLC[length],
        payload=_payload(batches, length),
        line=np.arange(1, total + 1),
        channels=(plan.bus.channel or CHANNEL,),
        source=Source(stamp_resolution_ns=STAMP_NS),
    )


def _payload(batches: Sequence[Batch], length: Bytes) -> Payload:
    """Join the payloads of all batches."""
    first8 = np.zeros((len(length), FIRST8), np.uint8)
    long_rows = np.flatnonzero(length > FIRST8)
    long = (
        np.zeros((len(length), FD_LENGTH[-1]), np.uint8) if len(long_rows) else np.zeros((0, FD_LENGTH[-1]), np.uint8)
    )
    row = 0
    for batch in batches:
        rows = slice(row, row + len(batch.payload))
        width = batch.payload.shape[1]
        first8[rows, : min(width, FIRST8)] = batch.payload[:, :FIRST8]
        if width > FIRST8:
            long[rows, :width] = batch.payload
        row = rows.stop
    return Payload(first8, length, long_rows, long[long_rows] if len(long_rows) else long)
