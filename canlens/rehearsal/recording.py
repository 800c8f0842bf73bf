"""Recording: the frames that all nodes want to send → those that get over one bus, as the recorder writes them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.payload import Payload
from canlens.rehearsal.arbitration import arbitrate, priority
from canlens.rehearsal.install import BIT_RATE
from canlens.trace import NANOSECONDS_PER_SECOND, Kind, Source, Trace
from canlens.wire import FD_DLC, FD_LENGTH, INTERMISSION_BITS, data_rate_bits, exact_bits, frame_seconds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Plan
    from canlens.rehearsal.batches import Batch
    from canlens.signals import Floats
    from canlens.trace import Bytes, Ints, Rows

CHANNEL = "can0"
"""Where a plan names no channel."""
STAMP_NS = 1000
"""Resolution of the time stamps [ns]: candump writes microseconds."""
FIRST8 = 8


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
        priority(waiting.identifier, waiting.is_extended),
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
