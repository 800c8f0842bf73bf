"""Recorder: what an adapter writes of errors – between good frames, and on a bus on which nothing gets through."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from canlens.rehearsal.healthy_bus import CHANNEL, STAMP_NS, SUSPEND_BITS, TAIL_BITS, in_order, waiting_frames
from canlens.rehearsal.install import BIT_RATE
from canlens.trace import COLUMNS, NANOSECONDS_PER_SECOND, Kind, Payload, Source, Trace
from canlens.wire import INTERMISSION_BITS, exact_bits
from canlens.wire.error_classes import PASSIVE_COUNT, WARNING_COUNT, ControllerState, ErrorClass, ProtocolError
from canlens.wire.lengths import FOOTER_BITS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Plan
    from canlens.rehearsal.batches import Batch
    from canlens.rehearsal.draws import Draws
    from canlens.trace import Ints

BASE_FIELDS = ((1, 0x03), (9, 0x02), (12, 0x06), (13, 0x0C), (14, 0x05), (15, 0x09), (19, 0x0B))
"""First bit behind each field of a base frame, and the code of the field."""
EXTENDED_FIELDS = (
    (1, 0x03),
    (9, 0x02),
    (12, 0x06),
    (13, 0x04),
    (14, 0x05),
    (19, 0x07),
    (27, 0x0F),
    (32, 0x0E),
    (33, 0x0C),
    (34, 0x0D),
    (35, 0x09),
    (39, 0x0B),
)
PAYLOAD, CRC, CRC_DELIMITER = 0x0A, 0x08, 0x18
CRC_BITS = 15
BIT_SHARE = 0.1
"""How many errors a receiver reports as bit errors (in its acknowledge bit or its own flag); our choice."""
HIGHEST_RECEIVE_COUNT = 127
"""A passive receiver's counter is set back to this by the next good frame."""


@dataclass(frozen=True)
class Recorder:
    """What the recorder tells of errors.

    Attributes
    ----------
    tells_place, tells_counters
        Whether its records name the place in the frame, and give its own error counters.
    flags_counters
        Whether a record with counters says so in its class bits; older drivers don't.
    tells_states
        Whether it writes a record when its own state changes.
    """

    tells_place: bool = True
    tells_counters: bool = True
    flags_counters: bool = True
    tells_states: bool = True


@dataclass(frozen=True)
class ErrorRow:
    """One record: its time [ns], class bits and eight bytes."""

    time_ns: int
    classes: int
    detail: bytes


def draw_recorder(draws: Draws) -> Recorder:
    """Draw what a recorder tells."""
    one, two, three, four = draws.uniforms(0.0, 1.0, 4).tolist()
    return Recorder(one < 0.8, two < 0.85, three < 0.6, four < 0.7)  # noqa: PLR2004 – our choice of habits


def place_of(cut: int, *, is_extended: bool, bits: int) -> int:
    """Return the code of the field in which a frame broke.

    Parameters
    ----------
    cut
        Bits that were sent of it.
    is_extended
        Its form.
    bits
        Its length on the wire. Stuff bits before the payload are not counted, so that a place near the border of
        two fields may be called by the earlier one's neighbour.
    """
    for end, code in EXTENDED_FIELDS if is_extended else BASE_FIELDS:
        if cut < end:
            return code
    delimiter = bits - FOOTER_BITS - 1
    if cut >= delimiter:
        return CRC_DELIMITER
    return CRC if cut >= delimiter - CRC_BITS else PAYLOAD


def records_of(
    broken: Sequence[tuple[int, int, int]], frames: Trace, bits: Ints, good_ns: Ints, recorder: Recorder, draws: Draws
) -> list[ErrorRow]:
    """Return the records of broken attempts, as a receiver that only listens writes them.

    Parameters
    ----------
    broken
        Row, bits sent, and time [ns] of each, by time.
    frames, bits
        The frames of those rows, and their lengths on the wire.
    good_ns
        int64 (k,): ends of all good frames [ns], ascending; each lowers the receive error counter by one.
    recorder
        What it tells.
    draws
        Random numbers.
    """
    is_extended = frames.is_extended
    good = np.searchsorted(good_ns, [time for _, _, time in broken]).tolist()
    counter, before, records = 0, 0, []
    for (row, cut, time_ns), received in zip(broken, good, strict=True):
        lowered = received - before
        if lowered:
            counter = max(0, min(counter, HIGHEST_RECEIVE_COUNT + 1) - lowered)
        before, old = received, counter
        counter = min(counter + 1, 255)
        place = place_of(cut, is_extended=bool(is_extended[row]), bits=int(bits[row]))
        kind = ProtocolError.FORM if place == CRC_DELIMITER else ProtocolError.STUFF
        if draws.uniform(0.0, 1.0) < BIT_SHARE:
            kind = ProtocolError.BIT
        classes = int(ErrorClass.PROTOCOL | ErrorClass.BUS_ERROR)
        detail = bytearray(8)
        detail[2], detail[3] = int(kind), place if recorder.tells_place else 0
        if recorder.tells_counters:
            detail[7] = counter
            classes |= int(ErrorClass.COUNTERS) if recorder.flags_counters else 0
        records.append(ErrorRow(time_ns, classes, bytes(detail)))
        state = _state(old, counter)
        if state and recorder.tells_states:
            records.append(ErrorRow(time_ns, int(ErrorClass.CONTROLLER), bytes([0, state, 0, 0, 0, 0, 0, counter])))
    return records


def _state(old: int, new: int) -> int:
    """Return the state that a receiver's counter has just reached; 0 for none."""
    if old < WARNING_COUNT <= new:
        return int(ControllerState.RX_WARNING)
    return int(ControllerState.RX_PASSIVE) if old < PASSIVE_COUNT <= new else 0


def with_records(trace: Trace, records: Sequence[ErrorRow], *, start_ns: int, stamp_ns: int) -> Trace:
    """Return a recording with its error records in their places; stamps of records count from 0.

    Parameters
    ----------
    trace
        The good frames by time; its stamps count from ``start_ns``.
    records
        By time.
    start_ns
        Clock of the recorder at time 0 [ns].
    stamp_ns
        Resolution of the stamps [ns].
    """
    if not records:
        return trace
    number = len(records)
    columns: dict[str, Any] = {name: np.zeros(number, dtype) for name, dtype in COLUMNS.items()}
    stamps = np.array([one.time_ns for one in records], np.int64)
    columns["time_ns"] = start_ns + stamps // stamp_ns * stamp_ns
    columns["identifier"] = np.array([one.classes for one in records], np.uint32)
    columns["kind"][:] = Kind.ERROR
    columns["is_rx"][:] = True
    columns["dlc"][:] = 8
    joined: dict[str, Any] = {name: np.concatenate([getattr(trace, name), columns[name]]) for name in COLUMNS}
    order = np.argsort(joined["time_ns"], kind="stable")
    sorted_columns: dict[str, Any] = {name: column[order] for name, column in joined.items()}
    sorted_columns["line"] = np.arange(1, len(order) + 1)
    detail = np.frombuffer(b"".join(one.detail for one in records), np.uint8).reshape(-1, 8)
    return Trace(
        **sorted_columns,
        payload=_payload(trace.payload, detail)[order],
        channels=trace.channels or (CHANNEL,),
        source=trace.source,
    )


def _payload(frames: Payload, detail: np.typing.NDArray[np.uint8]) -> Payload:
    """Join the payloads of frames and records."""
    return Payload(
        np.concatenate([frames.first8, detail]),
        np.concatenate([frames.length, np.full(len(detail), 8, np.uint8)]),
        frames.long_rows,
        frames.long,
    )


Witness = Literal["sender", "counting sender", "listener"]

ACTIVE_TRIES = 16
"""Broken attempts from zero to error passive: 16 x 8 = 128."""
UNHEARD_BITS = 1 + 1 + 6 + 8 + INTERMISSION_BITS
"""Behind the CRC of a frame that nobody acknowledges: delimiter, slot, error flag, its delimiter, intermission."""
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
    bits = int(exact_bits(frame)[0]) - TAIL_BITS + UNHEARD_BITS
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
    return replace(empty, channels=(plan.bus.channel or CHANNEL,))
