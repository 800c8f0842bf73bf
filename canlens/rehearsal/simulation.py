"""Simulation: an install → every frame on its bus, in the order in which they end."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.arbitration import arbitrate, priority
from canlens.rehearsal.batches import Batch, build_batch
from canlens.rehearsal.controller import carried_by_signal, controller_sources, run_outputs
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.foreign import foreign_sources
from canlens.rehearsal.install import BIT_RATE
from canlens.rehearsal.timeline import Timeline, constant
from canlens.trace import NANOSECONDS_PER_SECOND, Kind, Payload, Source, Trace
from canlens.wire import FD_DLC, FD_LENGTH, INTERMISSION_BITS, data_rate_bits, exact_bits, frame_seconds

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.database import Message
    from canlens.plan import Plan
    from canlens.rehearsal import background
    from canlens.rehearsal.install import Install
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.signals import Floats
    from canlens.trace import Bytes, Ints, Rows

CHANNEL = "can0"
"""Where a plan names no channel."""
STAMP_NS = 1000
"""Resolution of the time stamps [ns]: candump writes microseconds."""
FIRST8 = 8


def simulate(install: Install, *, start_ns: int, seed: int) -> tuple[Trace, dict[str, OutputCourse]]:
    """Record the bus of an install, and tell what its outputs did.

    Parameters
    ----------
    install
        Who sends what, and what follows what.
    start_ns
        Clock at the moment in which the recorder starts [ns].
    seed
        Of the rehearsal.

    Returns
    -------
    Trace
        One channel, each frame stamped at its end, in microseconds.
    dict
        Output -> what it did; empty where no controller works.
    """
    plan = install.plan
    if install.is_bus_dead:
        return Trace.empty(source=Source(stamp_resolution_ns=STAMP_NS)), {}
    sources, true = _control_sources(install, seed)
    running = true.get(plan.bus.awake_while or "", constant(1.0))
    foreign = install.foreign_messages
    switches = foreign_sources(foreign, end_s=install.schedule.end_s, draws=Draws(seed, "foreign switches"))
    vehicle = _batches(install, [*install.vehicle_messages, *foreign], sources | switches, running, seed)
    if install.is_controller_silent:
        return _record(plan, vehicle, start_ns)[0], {}
    seen = _seen(plan, vehicle, _record(plan, vehicle, 0)[1], true)
    courses = run_outputs(install, seen, seed=seed)
    sources |= controller_sources(install, courses, seen, running, seed=seed)
    controller = _batches(install, install.controller_messages, sources, running, seed)
    return _record(plan, [*vehicle, *controller], start_ns)[0], courses


def _control_sources(install: Install, seed: int) -> tuple[dict[str, background.Source], dict[str, Timeline]]:
    """Return the sources of the controls' signals, and the true state of each control."""
    wanted = {
        name: constant(0.0) if name in install.dead_controls else install.schedule.wanted(name)
        for name in install.plan.controls
    }
    conditions = {name: one.condition for name, one in install.plan.controls.items()}
    return carried_by_signal(conditions, wanted, seed=seed)


def _batches(
    install: Install,
    messages: Sequence[Message],
    sources: Mapping[str, background.Source],
    running: Timeline,
    seed: int,
) -> list[Batch]:
    """Make the frames of all messages that are sent at all."""
    return [
        build_batch(message, sources, awake=install.schedule.awake, running=running, seed=seed)
        for message in messages
        if message.name not in install.missing
    ]


def _seen(
    plan: Plan, batches: Sequence[Batch], ends_s: Sequence[Floats], true: Mapping[str, Timeline]
) -> dict[str, Timeline]:
    """Return what the controller sees: each change at the end of the first frame that shows it.

    A control whose message is never sent is taken for off.
    """
    arrivals = {batch.message.name: (batch, end_s) for batch, end_s in zip(batches, ends_s, strict=True)}
    seen = {}
    for name, control in plan.controls.items():
        reference = control.condition.reference
        if reference.message.name not in arrivals:
            seen[name] = constant(0.0)
            continue
        batch, end_s = arrivals[reference.message.name]
        rows = batch.carries(reference.definition.name)
        seen[name] = Timeline(end_s[rows], true[name].at(batch.ready_s[rows]), true[name].first).jumps()
    return seen


def _record(plan: Plan, batches: Sequence[Batch], start_ns: int) -> tuple[Trace, list[Floats]]:
    """Send all frames over one bus.

    Returns
    -------
    Trace
        In order of their ends.
    list of float64
        The end of each frame of each batch [s].
    """
    numbers = [len(batch.ready_s) for batch in batches]
    waiting = _in_order_of_batches(plan, batches, numbers)
    bit_rate = plan.bus.bit_rate or BIT_RATE
    seconds = frame_seconds(
        exact_bits(waiting),
        at_data_rate=data_rate_bits(waiting),
        bit_rate=bit_rate,
        data_bit_rate=plan.bus.data_bit_rate,
    )
    end_ns = arbitrate(
        waiting.time_ns,
        priority(waiting.identifier, waiting.is_extended),
        np.rint(seconds * NANOSECONDS_PER_SECOND).astype(np.int64),
        gap_ns=INTERMISSION_BITS * NANOSECONDS_PER_SECOND // bit_rate,
    )
    order = np.argsort(end_ns, kind="stable")
    stamps = start_ns + end_ns[order] // STAMP_NS * STAMP_NS
    ends_s = np.split(end_ns / NANOSECONDS_PER_SECOND, np.cumsum(numbers)[:-1])
    return _sorted(waiting, order, stamps), ends_s


def _sorted(waiting: Trace, order: Rows, stamps: Ints) -> Trace:
    """Return the frames in the order in which they ended, with their stamps and line numbers."""
    ordered = waiting.where(order)
    return replace(ordered, time_ns=stamps, line=np.arange(1, len(order) + 1), origin_ns=None)


def _in_order_of_batches(plan: Plan, batches: Sequence[Batch], numbers: list[int]) -> Trace:
    """Return all frames as a trace in which ``time_ns`` is when each is ready to be sent."""
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
