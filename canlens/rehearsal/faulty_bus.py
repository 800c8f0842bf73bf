"""Faulty bus: the frames that all nodes want to send → the recording of a bus on which some of them break."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.arbitration import priority
from canlens.rehearsal.disturbance import Window, draw_breaks
from canlens.rehearsal.disturbed import NEVER, Waiting, send_disturbed
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.error_records import draw_recorder, records_of, with_records
from canlens.rehearsal.install import BIT_RATE
from canlens.rehearsal.recording import STAMP_NS, busy_ns, in_order, waiting_frames
from canlens.wire import exact_bits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.database import Message
    from canlens.plan import Plan
    from canlens.rehearsal.batches import Batch
    from canlens.rehearsal.disturbance import Disturbance
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.trace import Trace

TEAR = Window(-0.0005, 0.004, 0.35)
"""About the moment in which a contact opens or closes, while it bounces; our choice."""
BASE_HEADER, EXTENDED_HEADER = 15, 35
"""Bits in front of the DLC."""


def record_disturbed(
    plan: Plan,
    batches: Sequence[Batch],
    disturbance: Disturbance,
    courses: Mapping[str, OutputCourse],
    *,
    start_ns: int,
    end_s: float,
    seed: int,
) -> Trace:
    """Send all frames over one bus on which attempts break, and record it with its error records.

    Parameters
    ----------
    plan
        Its bit rate counts.
    batches
        Two of them may have the same identifier, from two nodes.
    disturbance
        What breaks frames.
    courses
        What the outputs did.
    start_ns, end_s
        Clock of the recorder at time 0 [ns], and when it stops [s].
    seed
        Of the rehearsal.
    """
    waiting = waiting_frames(plan, batches)
    bits = exact_bits(waiting)
    names = [sender_of(batch.message) for batch in batches]
    number = {name: place for place, name in enumerate(dict.fromkeys(names))}
    counts = [len(batch.ready_s) for batch in batches]
    senders = np.repeat(np.array([number[name] for name in names], np.int64), counts)
    ready_s = np.concatenate([np.zeros(0), *(batch.ready_s for batch in batches)])
    breaks = draw_breaks(
        disturbance,
        waiting,
        bits,
        ready_s,
        [name for name, count in zip(names, counts, strict=True) for _ in range(count)],
        Draws(seed, "broken attempts"),
    )
    traffic = send_disturbed(
        Waiting(
            waiting.time_ns,
            priority(waiting.identifier, waiting.is_extended),
            busy_ns(plan, waiting, bits),
            bits,
            senders,
            _twins(batches),
        ),
        breaks=breaks,
        windows=_windows(disturbance, courses, end_s),
        bit_rate=plan.bus.bit_rate or BIT_RATE,
        draws=Draws(seed, "error frames"),
    )
    order = np.argsort(traffic.end_ns, kind="stable")
    order = order[traffic.end_ns[order] != NEVER]
    good_ns = traffic.end_ns[order]
    trace = in_order(waiting, order, start_ns + good_ns // STAMP_NS * STAMP_NS)
    recorder = draw_recorder(Draws(seed, "recorder"))
    records = records_of(traffic.broken, waiting, bits, good_ns, recorder, Draws(seed, "error kinds"))
    return with_records(trace, records, start_ns=start_ns, stamp_ns=STAMP_NS)


def sender_of(message: Message) -> str:
    """Return the node that sends a message; one of its own where none is named."""
    return message.senders[0] if message.senders else f"node of {message.name}"


def _windows(disturbance: Disturbance, courses: Mapping[str, OutputCourse], end_s: float) -> list[Window]:
    """Return the times in which attempts break: while outputs are on, and where contacts open and close."""
    windows = list(disturbance.windows)
    for output, chance in disturbance.outputs.items():
        if output in courses:
            windows += [Window(start, stop, chance) for start, stop in courses[output].lit.spans(end_s)]
    for spans in disturbance.gaps.values():
        windows += [
            Window(time_s + TEAR.start_s, time_s + TEAR.end_s, TEAR.chance) for span in spans for time_s in span
        ]
    return windows


def _twins(batches: Sequence[Batch]) -> dict[int, tuple[int, ...]]:
    """Return the bits, up to the end of the data, of each frame whose identifier two nodes send."""
    keys = [(batch.message.identifier, batch.message.is_extended) for batch in batches]
    found: dict[int, tuple[int, ...]] = {}
    row = 0
    for batch, key in zip(batches, keys, strict=True):
        if keys.count(key) > 1:
            header = (0,) * (EXTENDED_HEADER if key[1] else BASE_HEADER)
            length = batch.payload.shape[1]
            code = tuple(length >> bit & 1 for bit in (3, 2, 1, 0))
            data = np.unpackbits(batch.payload, axis=1).tolist()
            found |= {row + place: (*header, *code, *one) for place, one in enumerate(data)}
        row += len(batch.ready_s)
    return found
