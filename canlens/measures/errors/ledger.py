"""Ledger: episodes, states and every error record of a recording in order; a sender that nobody acknowledges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.errors.broken_frames import episode_starts, episodes
from canlens.measures.errors.records import (
    ALL_NAMED,
    ErrorRecords,
    broken_frames,
    counted_errors,
    error_records,
    told_states,
    traffic_of,
)
from canlens.nouns.bus import ErrorLedger, LoneSender, StateStep
from canlens.trace import Kind
from canlens.wire import ControllerState, ErrorClass, describe_error
from canlens.wire.error_classes import CLASS_KEYS, PASSIVE_COUNT, WARNING_COUNT
from canlens.wording import counted

if TYPE_CHECKING:
    from canlens.nouns.bus import NodeState, Recorded
    from canlens.trace import Bools, Ints, Trace


# Error states: the time line of the recorder's CAN controller, from error records and from the lines between them.


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
    steps += told_states(trace, channel)
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


# Error ledger: every error record of a recording, in words and in order.


UNSPECIFIED = "unspecified"


def errors_recorded(trace: Trace) -> tuple[Recorded, str]:
    """Tell whether the recorder kept errors, and how that can be known.

    Returns
    -------
    str
        ``yes``, ``no`` (the format has no place for them) or ``unknown``.
    str
        Why, as a sentence.
    """
    number = int(np.count_nonzero(trace.kind == Kind.ERROR))
    if number:
        return "yes", f"It holds {counted(number, 'error record')}."
    kept = counted_errors(trace) if trace.remarks else None
    if kept is not None:
        return "yes", f"The recorder's own statistics count {kept} error frames."
    if not trace.source.can_hold_errors:
        return "no", f"A recording in the {trace.source.format} format has no place for error frames."
    if trace.source.format == "candump":
        return "unknown", "No error records; candump writes them only when it is asked to."
    return "unknown", "No error records; the recording does not say whether the recorder would have kept any."


def error_ledger(trace: Trace, *, channel: str | None = None, bit_rate: float | None = None) -> ErrorLedger:
    """Sort every error record of a recording by what it says.

    Parameters
    ----------
    trace
        The recording.
    channel
        Name of the channel to look at; None: all records, taken as one bus.
    bit_rate
        Nominal bit rate [bit/s]; None: inferred where it is needed.

    Returns
    -------
    ErrorLedger
    """
    recorded, because = errors_recorded(trace)
    own = trace if channel is None or trace.channels == (channel,) else trace.on_channel(channel)
    records = error_records(own)
    good = len(own) - len(records)
    steps = state_steps(own, records, channel=channel) if len(records) or trace.remarks else ()
    if not len(records):
        return ErrorLedger(0, good, recorded, because, classes=_no_classes(), states=steps)
    traffic = traffic_of(own, bit_rate=bit_rate)
    broken = broken_frames(records)
    classes, places, details = _counts(records)
    return ErrorLedger(
        frames=len(records),
        good_frames=good,
        recorded=recorded,
        recorded_because=because,
        classes=classes,
        places=places,
        details=details,
        states=steps,
        episodes=episodes(traffic, broken, episode_starts(traffic, broken)),
        time_s=records.time_s,
        line=records.line,
    )


def _no_classes() -> dict[str, int]:
    """Return every name of a class, none of them seen."""
    return {**dict.fromkeys(CLASS_KEYS.values(), 0), UNSPECIFIED: 0}


def _counts(records: ErrorRecords) -> tuple[dict[str, int], dict[str, int], dict[str, int]]:
    """Count classes by name, and places and details in words."""
    classes, places, details = _no_classes(), dict[str, int](), dict[str, int]()
    detail = records.detail.copy()
    detail[:, [0, 5, 6, 7]] = (
        0  # the bit at which arbitration was lost and the counters make each record unlike the rest
    )
    columns = np.column_stack([records.classes.astype(">u4").view(np.uint8).reshape(-1, 4), detail])
    kinds, numbers = np.unique(columns, axis=0, return_counts=True)
    for kind, number in zip(kinds, numbers.tolist(), strict=True):
        bits = int.from_bytes(kind[:4].tobytes(), "big")
        record = describe_error(bits, kind[4:].tobytes())
        names = [name for bit, name in CLASS_KEYS.items() if bits & bit] if bits & ALL_NAMED else [UNSPECIFIED]
        for name in names:
            classes[name] += number
        if record.place:
            places[record.place] = places.get(record.place, 0) + number
        for words in (*record.controller, *record.protocol, *record.transceiver):
            details[words] = details.get(words, 0) + number
    return classes, _most_first(places), _most_first(details)


def _most_first(counts: dict[str, int]) -> dict[str, int]:
    """Sort counts, the greatest first."""
    return dict(sorted(counts.items(), key=lambda each: (-each[1], each[0])))


# Lone sender: one frame sent again and again because nobody acknowledges it.
#
# References
# ----------
# Bosch CAN Specification 2.0 (1991), part A 7, rule 3, exception 1, and its note: with only one node on line the
# sender gets no acknowledgement, repeats the frame and becomes error passive, but not bus-off for that reason.


FEWEST_RECORDS = 16
"""A sender to which nobody answers is error passive after 16 tries (8 counts each, 128 in all); fewer may be a node
that woke up before the others."""
ACKNOWLEDGE_PLACES = (0x19, 0x1B)
"""Acknowledge slot and its delimiter (SJA1000, table 21)."""
LEAST_SHARE = 0.9
"""So many of the errors must be missing acknowledgements; a bus with other errors has another fault."""


def lone_sender(trace: Trace, records: ErrorRecords) -> LoneSender | None:
    """Find a sender to which nobody answers.

    Parameters
    ----------
    trace
        All records of one channel.
    records
        Its error records.

    Returns
    -------
    LoneSender
        None unless there are :data:`FEWEST_RECORDS` missing acknowledgements, hardly another error, and no frames but
        those of one identifier.
    """
    missing = _unacknowledged(records)
    number = int(missing.sum())
    if number < FEWEST_RECORDS or number < LEAST_SHARE * len(broken_frames(records)):
        return None
    is_frame = trace.kind != Kind.ERROR
    identities = np.unique(
        trace.identifier[is_frame].astype(np.int64) | trace.is_extended[is_frame].astype(np.int64) << 29
    )
    if len(identities) > 1:
        return None
    alone = int(identities[0]) if len(identities) else None
    gaps_s = np.diff(records.time_s[missing])
    told = records.has_counters & missing
    return LoneSender(
        identifier=alone & (1 << 29) - 1 if alone is not None else None,
        is_extended=alone is not None and bool(alone >> 29),
        records=number,
        interval_s=float(np.median(gaps_s)),
        tec=int(records.detail[told, 6].max()) if told.any() else None,
        line=int(records.line[missing][0]),
        last_line=int(records.line[missing][-1]),
    )


def _unacknowledged(records: ErrorRecords) -> Bools:
    """Tell which records say that an acknowledgement was missing."""
    said: Bools = (records.classes & ErrorClass.NO_ACKNOWLEDGE) != 0
    placed: Bools = ((records.classes & ErrorClass.PROTOCOL) != 0) & np.isin(records.detail[:, 3], ACKNOWLEDGE_PLACES)
    return said | placed
