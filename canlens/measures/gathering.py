"""Gathering: Plan and Trace in, Evidence out; the one place that calls every measure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.errors import UsageError
from canlens.evidence import ControlEvidence, Evidence, Steps
from canlens.measures.answers import answers
from canlens.measures.bus import bus_of
from canlens.measures.bus_side import bus_side, on_spans
from canlens.measures.clock import HAND_NOTED_S, marks_offset
from canlens.measures.definitions import definition_side
from canlens.measures.messages import message_side
from canlens.measures.observations import OBSERVED_S
from canlens.measures.outputs import output_evidence
from canlens.measures.parameter_groups import matched_by_group
from canlens.measures.quality import recording
from canlens.measures.rates import rates
from canlens.measures.recorded import Recorded
from canlens.measures.rest import rest
from canlens.measures.side_by_side import workers
from canlens.measures.supply import supply
from canlens.measures.tracks import rule_track
from canlens.plan.nouns import DEFAULT_WITHIN_S, REST
from canlens.plan.rule import OFF, ON
from canlens.signals import decode_signals
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canlens.database import Message
    from canlens.evidence import Track
    from canlens.plan import Control, Mark, Observation, Plan, Readings, SignalReference
    from canlens.signals import Floats, Signal
    from canlens.trace import Identifiers, Trace


def evidence(
    plan: Plan,
    trace: Trace,
    *,
    marks: Sequence[Mark] = (),
    readings: Readings | None = None,
    observed: Sequence[Observation] = (),
    channel: str | None = None,
) -> Evidence:
    """Measure all that the plan asks of one recording.

    Parameters
    ----------
    plan
        What the install is meant to do.
    trace
        The recording.
    marks, readings, observed
        What the person did, what the meter read, what eye or ear saw.
    channel
        Name of the channel to judge; None: the plan's, or each message on the channel that carries most of it.

    Raises
    ------
    UsageError
        The recording has frames, but none on the wanted channel.
    """
    wanted = channel if channel is not None else plan.bus.channel
    chosen = on_channel(trace, wanted)
    plan, by_group = matched_by_group(plan, chosen)
    with workers(len(trace)) as beside:  # load, messages and judging share nothing; numpy lets two run at once
        load = beside.submit(bus_of, trace, plan.bus, chosen=wanted)
        rate = rates(chosen, plan.database, left_out={each.message.name for each in _references(plan)})
        looked_at = np.union1d(_identifiers(plan), rate.too_often)
        told = beside.submit(message_side, chosen, plan.database, only=looked_at)
        recorded, missing = _recorded(plan, chosen)
        offset_s, marked = _marks(marks, recorded.controls, chosen)
        recorded = replace(recorded, marked_s=_slots(marks, offset_s))
        seen_offset_s = _observed_offset(plan, recorded, observed, [_plain_offset(observed, chosen), offset_s])
        controls = {
            name: _control(plan.controls[name], recorded, marked.get(name) if marks else None) for name in plan.controls
        }
        outputs = {
            name: output_evidence(plan, output, recorded, _of(observed, name), offset_s=seen_offset_s)
            for name, output in plan.outputs.items()
        }
        sagging = supply(plan, recorded, outputs)
        definitions = definition_side(plan, chosen, by_group)
        shortest_s = min((each.within_s for each in plan.outputs.values()), default=None)
        described = recording(trace, plan.database, within_s=shortest_s)
        bus, buses = load.result()
        shown = bus_side(
            trace,
            plan.bus,
            database=plan.database,
            recording=described,
            bus=bus,
            channel=wanted,
            outputs_on=on_spans(outputs),
            readings=readings,
        )
        intervals, quiet, _ = told.result()
    return Evidence(
        plan=plan,
        recording=described,
        bus=bus,
        buses=buses,
        frames=int((chosen.kind != Kind.ERROR).sum()),
        missing_messages=missing,
        absent_messages=rate.absent,
        controller_seen=_controller_seen(plan, chosen),
        controls=controls,
        outputs=outputs,
        marks=tuple(marks),
        marks_offset_s=offset_s,
        readings=readings,
        supply=sagging,
        bus_evidence=replace(
            shown,
            intervals=intervals,
            quiet=rest(quiet, chosen, plan.bus, controls=controls, outputs=outputs),
            definitions=definitions,
        ),
    )


def _identifiers(plan: Plan) -> Identifiers:
    """Return the identifiers of all messages that the plan needs or the controller sends, uint32."""
    needed = {each.message.identifier for each in _references(plan)}
    if plan.controller.node is not None:
        needed |= {each.identifier for each in plan.database.messages if plan.controller.node in each.senders}
    return np.array(sorted(needed), np.uint32)


def _recorded(plan: Plan, trace: Trace) -> tuple[Recorded, tuple[str, ...]]:
    """Decode the plan's signals and follow its controls; the second value names the messages that never came."""
    end_s = (int(trace.time_ns.max()) - trace.start_ns) / NANOSECONDS_PER_SECOND if len(trace) else 0.0
    signals, missing = decoded(trace, tuple(_references(plan)))
    recorded = Recorded(signals, end_s)
    tracks = {each.name: recorded.track(each.condition) for each in plan.controls.values()}
    return replace(recorded, controls=tracks), missing


def _of(observed: Sequence[Observation], output: str) -> tuple[Observation, ...]:
    """Return the observations of one output."""
    return tuple(each for each in observed if each.output == output)


def on_channel(trace: Trace, name: str | None) -> Trace:
    """Return the frames of one channel, or all where none is asked for; refuse a channel that is not there."""
    if name is None or not len(trace) or trace.channels == (name,):
        return trace
    if name not in trace.channels:
        there = ", ".join(filter(None, trace.channels))
        rest = f"it has {there}. Name one of these with --channel, or leave" if there else "it names none. Leave"
        raise UsageError(
            f"{trace.source.file}: no channel {name!r} in this recording; {rest} the channel out of the plan."
        )
    return trace.on_channel(name)


def _references(plan: Plan) -> Iterable[SignalReference]:
    """List every signal that the plan names."""
    for control in plan.controls.values():
        yield control.condition.reference
        if control.noticed:
            yield control.noticed.reference
    for output in plan.outputs.values():
        if output.command:
            yield output.command.reference
        yield from (each for each in (output.level, output.current, output.voltage) if each)
    if plan.controller.supply:
        yield plan.controller.supply


def decoded(trace: Trace, references: Sequence[SignalReference]) -> tuple[dict[str, Signal], tuple[str, ...]]:
    """Decode the plan's signals and name the messages of which no frame came.

    Of several channels each message is read from the one that carries most of its frames, so that a message passed
    on by a gateway is not seen twice; a message whose database holds on one channel only is read from that one.
    """
    messages: dict[str, Message] = {each.message.name: each.message for each in references}
    wanted = {each.path: (each.message, each.definition) for each in references}
    if len(trace.channels) <= 1 and not any(each.channel for each in messages.values()):
        signals = decode_signals(trace, list(wanted.values()))
    else:
        signals = {}
        parts = {index: trace.where(trace.channel == index) for index in range(len(trace.channels))}
        for name, message in messages.items():
            own = [pair for pair in wanted.values() if pair[0].name == name]
            home = max(parts, key=lambda index: _frames_of(parts[index], message))
            signals |= decode_signals(parts[home], own, channel=message.channel)
    seen = {path.partition(".")[0] for path, signal in signals.items() if len(signal)}
    missing = tuple(name for name in messages if name not in seen and not _frames_of(trace, messages[name]))
    gone = {path for path, (message, _) in wanted.items() if message.name in missing}
    return {path: signal for path, signal in signals.items() if path not in gone}, missing


def _frames_of(trace: Trace, message: Message) -> int:
    """Count the data frames of a message."""
    same = (trace.identifier == message.identifier) & (trace.is_extended == message.is_extended)
    if message.channel is not None:
        same &= trace.channel == (trace.channels.index(message.channel) if message.channel in trace.channels else -1)
    return int((same & (trace.kind == Kind.DATA)).sum())


def _control(control: Control, recorded: Recorded, marked: Floats | None) -> ControlEvidence:
    """Measure one control: its exercises, and whether the controller's own report followed them."""
    own = recorded.controls[control.name]
    noticed = None
    if control.noticed is not None and recorded.signal(control.noticed.reference) is not None:
        report = recorded.track(control.noticed)
        found = answers(own, report, within_s=DEFAULT_WITHIN_S)
        noticed = len(found.answered) if len(found.due) else None
    return ControlEvidence(
        name=control.name,
        track=own,
        message_seen=recorded.signal(control.condition.reference) is not None,
        exercises=Steps.of(own, own.rises),
        marked=marked,
        noticed=noticed,
    )


def _controller_seen(plan: Plan, trace: Trace) -> bool | None:
    """Tell whether any message of the controller's node came; None where none is named, or it sends none."""
    if plan.controller.node is None:
        return None
    own = [each for each in plan.database.messages if plan.controller.node in each.senders]
    if not own:
        return None
    return any(_frames_of(trace, each) for each in own)


def _marks(marks: Sequence[Mark], tracks: Mapping[str, Track], trace: Trace) -> tuple[float, dict[str, Floats]]:
    """Bring the marks to the log's seconds: the offset, and each control's marked times inside the recording."""
    names = dict.fromkeys(each.label for each in marks if each.label != REST)
    written = {name: np.array([each.time_s for each in marks if each.label == name]) for name in names}
    edges = {name: one.time_s[one.rises] for name, one in tracks.items()}
    offset_s = marks_offset(
        written, edges, start_s=trace.start_ns / NANOSECONDS_PER_SECOND, duration_s=trace.duration_s
    )
    brought = {name: np.sort(times + offset_s) for name, times in written.items()}
    first_s, last_s = -HAND_NOTED_S, trace.duration_s + HAND_NOTED_S
    return offset_s, {name: times[(times >= first_s) & (times <= last_s)] for name, times in brought.items()}


def _slots(marks: Sequence[Mark], offset_s: float) -> Floats:
    """Return when each marked slot began [s]; none where no rest was marked, since then nothing tells of slots."""
    if not any(each.label == REST for each in marks):
        return np.zeros(0)
    return np.unique(np.array([each.time_s + offset_s for each in marks]))


def _plain_offset(observed: Sequence[Observation], trace: Trace) -> float:
    """Tell by where they lie whether observations bear the log's own stamps or count from its first frame [s]."""
    written = {"": np.array([each.time_s for each in observed])} if observed else {}
    return marks_offset(written, {}, start_s=trace.start_ns / NANOSECONDS_PER_SECOND, duration_s=trace.duration_s)


def _observed_offset(plan: Plan, recorded: Recorded, observed: Sequence[Observation], offsets_s: list[float]) -> float:
    """Choose what to add to the times of observations [s]: the first of those with which most agree."""

    def agreeing(offset_s: float) -> int:
        count = 0
        for name, output in plan.outputs.items():
            own = _of(observed, name)
            rule = rule_track(output.when, recorded.controls)
            for state in (OFF, ON):
                time_s = np.array([each.time_s for each in own if each.on == bool(state)]) + offset_s
                count += int(rule.ever(state, time_s - OBSERVED_S, time_s + OBSERVED_S).sum())
        return count

    return max(offsets_s, key=agreeing)
