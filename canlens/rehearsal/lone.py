"""Lone: recordings of a bus on which nothing gets through – nobody acknowledges, or the recorder's bit rate is wrong.

References
----------
Bosch CAN Specification 2.0 (1991), part A 8 and its note on start-up: a sender that is alone gets no acknowledge,
repeats its frame for ever and becomes error passive, but does not leave the bus.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.rehearsal.error_records import ErrorRow, with_records
from canlens.rehearsal.install import BIT_RATE
from canlens.rehearsal.recording import STAMP_NS, in_order, waiting_frames
from canlens.trace import NANOSECONDS_PER_SECOND, Source, Trace
from canlens.wire import INTERMISSION_BITS, exact_bits
from canlens.wire.error_classes import PASSIVE_COUNT, ControllerState, ErrorClass, ProtocolError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Plan
    from canlens.rehearsal.batches import Batch
    from canlens.rehearsal.draws import Draws

Witness = Literal["sender", "counting sender", "listener"]

ACTIVE_TRIES = 16
"""Broken attempts from zero to error passive: 16 x 8 = 128."""
FOOTER_BITS = 10
"""CRC delimiter, acknowledge slot and delimiter, end of frame, as :func:`exact_bits` counts them."""
UNHEARD_BITS = 1 + 1 + 6 + 8 + INTERMISSION_BITS
"""Behind the CRC of a frame that nobody acknowledges: delimiter, slot, error flag, its delimiter, intermission."""
SUSPEND_BITS = 8
PASSIVE_TEC = 136
"""Where a lone sender's counter stays: it grows no more once the node is error passive."""
LONGEST_S = 12.0
"""A listener's recording of a lone sender is stopped by then: it shows one frame, thousands of times."""
APART_S = (0.002, 0.02)
"""An adapter reports no more errors than one in such a time; our choice."""
GARBAGE_PLACES = (0x02, 0x02, 0x03, 0x06, 0x07, 0x0A, 0x0C, 0x0F)
GARBAGE_KINDS = (ProtocolError.STUFF, ProtocolError.STUFF, ProtocolError.FORM, ProtocolError.BIT)
ACKNOWLEDGE_SLOT, ACKNOWLEDGE_DELIMITER = 0x19, 0x1B


def lone_sender(plan: Plan, batches: Sequence[Batch], *, start_ns: int, end_s: float, draws: Draws) -> Trace:
    """Record one node that repeats its first frame since nobody acknowledges it.

    Parameters
    ----------
    plan
        Its bit rate counts.
    batches
        What the nodes would send; one of those that speak early is alone.
    start_ns, end_s
        Clock of the recorder at time 0 [ns], and when it stops [s].
    draws
        Random numbers; they also decide who tells of it: the sender's own adapter, or a listener.
    """
    early = sorted((batch for batch in batches if len(batch.ready_s)), key=lambda one: float(one.ready_s[0]))[:5]
    batch = draws.choice(early)
    first = replace(batch, ready_s=batch.ready_s[:1], payload=batch.payload[:1])
    frame = waiting_frames(plan, [first])
    bit_ns = NANOSECONDS_PER_SECOND / (plan.bus.bit_rate or BIT_RATE)
    bits = int(exact_bits(frame)[0]) - FOOTER_BITS + UNHEARD_BITS
    began_ns = int(frame.time_ns[0])
    ends = began_ns + np.cumsum(np.full(ACTIVE_TRIES, round(bits * bit_ns), np.int64))
    period_ns = round((bits + SUSPEND_BITS) * bit_ns)
    who: Witness = draws.choice(("sender", "counting sender", "listener"))
    if who == "listener":
        return _heard(frame, ends, period_ns, round(min(end_s, LONGEST_S) * NANOSECONDS_PER_SECOND), start_ns)
    apart_ns = max(1, round(draws.uniform(*APART_S) * NANOSECONDS_PER_SECOND / period_ns)) * period_ns
    later = np.arange(int(ends[-1]) + apart_ns, round(end_s * NANOSECONDS_PER_SECOND), apart_ns)
    counts = [min(8 * tries, PASSIVE_COUNT) for tries in range(1, ACTIVE_TRIES + 1)] + [PASSIVE_TEC] * len(later)
    place = ACKNOWLEDGE_SLOT if who == "counting sender" else 0
    flags = ErrorClass.COUNTERS if who == "counting sender" else ErrorClass(0)
    classes = ErrorClass.NO_ACKNOWLEDGE | (ErrorClass.PROTOCOL | ErrorClass.BUS_ERROR if place else ErrorClass(0))
    rows = [
        ErrorRow(int(time), int(classes | flags), bytes([0, 0, 0, place, 0, 0, count, 0]))
        for time, count in zip(np.concatenate([ends, later]).tolist(), counts, strict=True)
    ]
    return with_records(_nothing(plan), rows, start_ns=start_ns, stamp_ns=STAMP_NS)


def _heard(frame: Trace, active_ns: np.typing.NDArray[np.int64], period_ns: int, end_ns: int, start_ns: int) -> Trace:
    """Return what a listener hears: errors at the acknowledge, and then, error flags being passive, the frame."""
    later = np.arange(int(active_ns[-1]) + period_ns, end_ns, period_ns)
    rows = np.zeros(len(later), np.intp)
    trace = in_order(frame, rows, start_ns + later // STAMP_NS * STAMP_NS)
    detail = bytes([0, 0, int(ProtocolError.FORM), ACKNOWLEDGE_DELIMITER, 0, 0, 0, 0])
    classes = int(ErrorClass.PROTOCOL | ErrorClass.BUS_ERROR)
    records = [ErrorRow(int(time), classes, detail) for time in active_ns.tolist()]
    return with_records(trace, records, start_ns=start_ns, stamp_ns=STAMP_NS)


def only_errors(plan: Plan, awake: Sequence[tuple[float, float]], *, start_ns: int, draws: Draws) -> Trace:
    """Record a bus with a recorder whose bit rate is wrong: errors early in every frame, and nothing else.

    Parameters
    ----------
    plan
        Its channel counts.
    awake
        When the bus carries anything [s].
    start_ns
        Clock of the recorder at time 0 [ns].
    draws
        Random numbers.
    """
    apart_s = draws.uniform(*APART_S)
    classes = int(ErrorClass.PROTOCOL | ErrorClass.BUS_ERROR)
    rows: list[ErrorRow] = []
    count = 0
    for begin_s, end_s in awake:
        now = begin_s + draws.uniform(0.001, 0.02)
        while now < end_s:
            time_ns, count = round(now * NANOSECONDS_PER_SECOND), min(count + 1, PASSIVE_COUNT)
            kind, place = draws.choice(GARBAGE_KINDS), draws.choice(GARBAGE_PLACES)
            rows.append(ErrorRow(time_ns, classes, bytes([0, 0, int(kind), place, 0, 0, 0, count])))
            if count == PASSIVE_COUNT and len(rows) == PASSIVE_COUNT:
                state = int(ControllerState.RX_PASSIVE)
                rows.append(ErrorRow(time_ns, int(ErrorClass.CONTROLLER), bytes([0, state, 0, 0, 0, 0, 0, count])))
            now += apart_s * draws.uniform(0.6, 1.4)
    return with_records(_nothing(plan), rows, start_ns=start_ns, stamp_ns=STAMP_NS)


def _nothing(plan: Plan) -> Trace:
    """Return a recording without frames."""
    empty = Trace.empty(source=Source(stamp_resolution_ns=STAMP_NS))
    return replace(empty, channels=(plan.bus.channel or "can0",))
