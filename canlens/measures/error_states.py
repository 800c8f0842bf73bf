"""Error states: the time line of the recorder's CAN controller, from error records and from the lines between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.error_evidence import StateStep
from canlens.measures.error_words import told_states
from canlens.trace import NANOSECONDS_PER_SECOND
from canlens.wire import ControllerState, ErrorClass
from canlens.wire.error_classes import PASSIVE_COUNT, WARNING_COUNT

if TYPE_CHECKING:
    from canlens.error_evidence import NodeState
    from canlens.measures.error_records import ErrorRecords
    from canlens.measures.error_words import Told
    from canlens.trace import Ints, Trace

STATES: tuple[NodeState, ...] = ("active", "warning", "passive", "bus-off", "restarted")
ACTIVE, WARNING, PASSIVE, BUS_OFF, RESTARTED = range(5)
NOT_TOLD = -1
WARNS = ControllerState.RX_WARNING | ControllerState.TX_WARNING
IS_PASSIVE = ControllerState.RX_PASSIVE | ControllerState.TX_PASSIVE
MOST_STEPS = 10_000
"""Steps of the time line that are kept; a controller that changes more often has told its story by then."""


def state_steps(trace: Trace, records: ErrorRecords, *, channel: str | None = None) -> tuple[StateStep, ...]:
    """Follow the state of the recorder's controller.

    Parameters
    ----------
    trace
        Frames of one channel.
    records
        Its error records.
    channel
        Whose status lines count; None: all.

    Returns
    -------
    tuple of StateStep
        A step wherever the state changes. A record that tells a state is believed; one that tells only counters
        gives the state that follows from them, 96 and more being a warning and 128 and more error passive.
    """
    states = _states(records)
    told = np.flatnonzero(states != NOT_TOLD)
    steps = [_step(records, states, row) for row in told[_changes(states[told])][:MOST_STEPS]]
    steps += [_from_words(trace, each) for each in told_states(trace, channel)] if trace.remarks else []
    steps.sort(key=lambda each: each.line)
    kept: list[StateStep] = []
    for step in steps:
        if not kept or step.state != kept[-1].state:
            kept.append(step)
    return tuple(kept)


def _states(records: ErrorRecords) -> Ints:
    """Return the state that each record tells, as an index into :data:`STATES`, or :data:`NOT_TOLD`."""
    counters = records.detail[:, 6:8].max(axis=1, initial=0).astype(np.int64)
    by_count = np.select([counters >= PASSIVE_COUNT, counters >= WARNING_COUNT], [PASSIVE, WARNING], ACTIVE)
    is_controller = (records.classes & ErrorClass.CONTROLLER) != 0
    state = np.where(is_controller, records.detail[:, 1], 0)
    return np.select(
        [
            (records.classes & ErrorClass.BUS_OFF) != 0,
            (records.classes & ErrorClass.RESTARTED) != 0,
            (state & IS_PASSIVE) != 0,
            (state & WARNS) != 0,
            (state & ControllerState.ACTIVE) != 0,
            records.has_counters,
        ],
        [BUS_OFF, RESTARTED, PASSIVE, WARNING, ACTIVE, by_count],
        NOT_TOLD,
    ).astype(np.int64)


def _changes(states: Ints) -> Ints:
    """Return where a state differs from the one before; the first is a change."""
    return np.flatnonzero(np.append(True, states[1:] != states[:-1])) if len(states) else np.zeros(0, np.int64)


def _step(records: ErrorRecords, states: Ints, row: int) -> StateStep:
    """Return one record as a step."""
    has_counters = bool(records.has_counters[row])
    return StateStep(
        time_s=float(records.time_s[row]),
        line=int(records.line[row]),
        state=STATES[int(states[row])],
        tec=int(records.detail[row, 6]) if has_counters else None,
        rec=int(records.detail[row, 7]) if has_counters else None,
    )


def _from_words(trace: Trace, told: Told) -> StateStep:
    """Return a line between the frames as a step, its stamp kept between those of the rows around it."""
    at = int(np.searchsorted(trace.line, told.line))
    around_ns = trace.time_ns[max(at - 1, 0) : at + 1] - trace.start_ns
    first_ns, last_ns = (int(around_ns[0]), int(around_ns[-1])) if len(around_ns) else (0, 0)
    stamp_ns = told.stamp_ns - trace.start_ns if told.stamp_ns is not None else first_ns
    time_ns = min(stamp_ns, last_ns) if not at else min(max(stamp_ns, first_ns), max(first_ns, last_ns))
    return StateStep(time_ns / NANOSECONDS_PER_SECOND, told.line, told.state, told.tec, told.rec)
