"""Gathering: Plan and Trace in, Evidence out; the one place that calls every measure, for a job and for a survey."""

from __future__ import annotations

from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import numpy as np

from canlens.errors import UsageError
from canlens.measures.bus_load.bit_rate import bit_rate_conflict
from canlens.measures.bus_load.load import WINDOW_S, bus_of, channel_loads
from canlens.measures.errors.attribution import attribute
from canlens.measures.errors.ledger import error_ledger, lone_sender
from canlens.measures.errors.records import error_records
from canlens.measures.meter import judged_readings, meter_and_log
from canlens.measures.outputs.answers import LONGEST_LEAD_S, answers, exercises, lead
from canlens.measures.outputs.hindrances import with_hindrances
from canlens.measures.outputs.observations import (
    HAND_NOTED_S,
    marks_offset,
    missed_marks,
    observations_of,
    observed_offset,
    plain_offset,
)
from canlens.measures.outputs.several import added_control, added_output
from canlens.measures.outputs.supply import rest, starting, supply
from canlens.measures.outputs.tracks import counted_invalid
from canlens.measures.outputs.whole import Recorded, in_step, output_evidence, with_rivals
from canlens.measures.quality import by_clock, by_one_clock, recording, written_once
from canlens.measures.traffic.definitions import definition_side
from canlens.measures.traffic.identifiers import matched_by_group
from canlens.measures.traffic.messages import message_side, rates
from canlens.nouns.bus import BusEvidence, BusResult
from canlens.nouns.outputs import ControlEvidence, Evidence
from canlens.plan.nouns import DEFAULT_WITHIN_S, REST
from canlens.plan.rule import ON
from canlens.signals import decode_signals
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from canlens.database import Database, Message
    from canlens.measures.bus_load.load import BusLoad, ChannelLoad
    from canlens.nouns.bus import Identity, RecordingResult
    from canlens.nouns.outputs import OutputEvidence, Track
    from canlens.plan import Bus, Control, Mark, Observation, Plan, Readings, SignalReference
    from canlens.signals import Floats, Signal
    from canlens.trace import Identifiers, Ints, Streams, Trace


# Side by side: work that shares nothing, done at the same time where that pays.


LONG = 300_000
"""Frames from which on threads pay: on fewer the calls are so short that handing the interpreter over costs more."""
THREADS = 1
"""Beside the main one. A second was no faster on two cores, and what both hold at a time adds up."""

_Arguments = ParamSpec("_Arguments")
_Result = TypeVar("_Result")


def workers(frames: int) -> Executor:
    """Return who does the work beside the main thread, for a recording of so many frames."""
    return ThreadPoolExecutor(THREADS) if frames >= LONG else _AtOnce()


class _AtOnce(Executor):
    """Does what it is given before it returns."""

    def submit(
        self, fn: Callable[_Arguments, _Result], /, *args: _Arguments.args, **kwargs: _Arguments.kwargs
    ) -> Future[_Result]:
        """Call the function; its result is there already, and what it raises is raised here."""
        done: Future[_Result] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


# Bus side: what a recording and the meter say of the bus itself, put together; the same for a job and for a survey.


def bus_side(
    trace: Trace,
    planned: Bus,
    *,
    database: Database,
    recording: RecordingResult,
    bus: BusResult,
    channel: str | None = None,
    outputs_on: Mapping[str, Floats] | None = None,
    readings: Readings | None = None,
) -> BusEvidence:
    """Put together what recording and meter say of the bus.

    Parameters
    ----------
    trace
        The whole recording.
    planned
        Bit rate and channel as given.
    database
        Tells which node sends what.
    recording, bus
        As measured already.
    channel
        The channel to look at; None: of several the one with most errors, and among equals the first.
    outputs_on
        float64 (k, 2) for each output: spans in which it was on [s].
    readings
        Of the meter.
    """
    name = channel or _worst_channel(trace)
    own = trace if name is None or len(trace.channels) <= 1 else trace.on_channel(name)
    bit_rate = bus.bit_rate
    ledger = error_ledger(own, channel=name, bit_rate=bit_rate)
    attribution = alone = None
    if ledger.frames:
        alone = lone_sender(own, error_records(own))
        attribution = attribute(own, senders=senders_of(database), outputs_on=outputs_on, bit_rate=bit_rate)
    frames = int(np.count_nonzero(own.kind != Kind.ERROR))
    judged = judged_readings(readings, bit_rate=bit_rate) if readings else ()
    return BusEvidence(
        recording=recording,
        bus=bus,
        frames=frames,
        errors=ledger,
        attribution=attribution,
        lone_sender=alone,
        bit_rate_conflict=bit_rate_conflict(own, planned.bit_rate),
        readings=judged,
        fused=meter_and_log(judged, ledger, attribution, frames=frames),
    )


def senders_of(database: Database) -> dict[Identity, str]:
    """Return the node that sends each identifier, of those that the database gives a sender."""
    return {(each.identifier, each.is_extended): each.senders[0] for each in database.messages if each.senders}


def on_spans(outputs: Mapping[str, OutputEvidence]) -> dict[str, Floats]:
    """Return for each output that the bus shows the spans in which it was on, float64 (k, 2) [s].

    It may have come on right after the row before the one that shows it. Outputs never seen apart share their spans.
    """
    tracks = {name: each.track for name, each in outputs.items() if each.track is not None and len(each.track.time_s)}
    spans: dict[str, Floats] = {}
    for name, track in tracks.items():
        is_on = track.state == ON
        stop_s = np.append(track.time_s[1:], track.end_s)
        start_s = np.maximum(track.before_s, track.time_s[0]) if track.slack_s else track.time_s
        spans[name] = np.column_stack([start_s[is_on], stop_s[is_on]])
    together = in_step(tracks, within_s={name: _within_s(outputs[name]) for name in tracks})
    return {name: np.concatenate([spans[each] for each in together[name]]) for name in tracks}


def _within_s(output: OutputEvidence) -> float:
    """Return the answer time of an output [s]."""
    return output.scenes[0].within_s if output.scenes else 0.0


def _worst_channel(trace: Trace) -> str | None:
    """Return the channel with most error records; None where there is only one."""
    if len(trace.channels) <= 1:
        return None
    errors = np.bincount(trace.channel[trace.kind == Kind.ERROR], minlength=len(trace.channels))
    return trace.channels[int(errors.argmax())]


# Gathering: Plan and Trace in, Evidence out; the one place that calls every measure.


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
    trace = by_one_clock(trace, plan.bus.clock_offset_s)
    chosen = written_once(on_channel(trace, wanted))
    plan, by_group = matched_by_group(plan, chosen)
    with workers(len(trace)) as beside:  # load, messages and judging share nothing; numpy lets two run at once
        load = beside.submit(bus_of, trace, plan.bus, chosen=wanted)
        rate = rates(chosen, plan.database, left_out={each.message.name for each in _references(plan)})
        looked_at = np.union1d(_identifiers(plan), rate.too_often)
        stretches = by_clock(chosen)
        longest = max(stretches, key=len)  # what comes how often, and when it ends, is not told across a step
        told = beside.submit(message_side, longest, plan.database, only=looked_at)
        parts = [_part(plan, each, marks, observed) for each in stretches]
        part = max(parts, key=lambda each: each.frames)
        controls = {name: added_control([each.controls[name] for each in parts]) for name in plan.controls}
        outputs = {name: added_output([each.outputs[name] for each in parts]) for name in plan.outputs}
        sagging = supply(plan, part.recorded, part.outputs)
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
            outputs_on=on_spans(part.outputs) if len(parts) == 1 else {},
            readings=readings,
        )
        intervals, quiet, _ = told.result()
    return Evidence(
        plan=plan,
        recording=described,
        bus=bus,
        buses=buses,
        frames=int((chosen.kind != Kind.ERROR).sum()),
        missing_messages=tuple(name for name in part.missing if all(name in each.missing for each in parts)),
        absent_messages=rate.absent,
        needed_messages=len({each.message.name for each in _references(plan)}),
        controller_seen=_controller_seen(plan, chosen),
        controls=controls,
        outputs=outputs,
        marks=tuple(marks),
        marks_offset_s=part.offset_s,
        readings=readings,
        supply=sagging,
        bus_evidence=replace(
            shown,
            intervals=intervals,
            quiet=rest(quiet, longest, plan.bus, controls=part.controls, outputs=part.outputs),
            definitions=definitions,
        ),
    )


@dataclass(frozen=True, eq=False)
class _Part:
    """What was measured on a part of a recording within which its clock ran on."""

    frames: int
    recorded: Recorded
    missing: tuple[str, ...]
    offset_s: float
    controls: dict[str, ControlEvidence]
    outputs: dict[str, OutputEvidence]


def _part(plan: Plan, trace: Trace, marks: Sequence[Mark], observed: Sequence[Observation]) -> _Part:
    """Measure controls and outputs on a part of a recording."""
    recorded, missing = _recorded(plan, trace)
    offset_s, marked = _marks(marks, recorded.controls, trace)
    recorded = replace(recorded, marked_s=_slots(marks, offset_s))
    seen_offset_s = observed_offset(plan, recorded.controls, observed, [plain_offset(observed, trace), offset_s])
    controls = {
        name: _control(plan, plan.controls[name], recorded, marked.get(name) if marks else None)
        for name in plan.controls
    }
    each_of = ((each, observations_of(observed, each.name)) for each in plan.outputs.values())
    outputs = {each.name: output_evidence(plan, each, recorded, own, offset_s=seen_offset_s) for each, own in each_of}
    judged = with_hindrances(plan, trace, with_rivals(plan, recorded.controls, outputs))
    return _Part(len(trace), recorded, missing, offset_s, controls, judged)


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
    tracks = {
        each.name: recorded.track(each.condition).led(LONGEST_LEAD_S if each.wired else 0.0)
        for each in plan.controls.values()
    }
    return replace(recorded, controls=tracks, starting_s=starting(plan, recorded)), missing


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
        yield from (each.reference for each in (control.condition, control.noticed) if each)
    for output in plan.outputs.values():
        if output.command:
            yield output.command.reference
        yield from (each for each in (output.level, output.current, output.voltage) if each)
    if plan.controller.supply:
        yield plan.controller.supply


def decoded(trace: Trace, references: Sequence[SignalReference]) -> tuple[dict[str, Signal], tuple[str, ...]]:
    """Decode the plan's signals and name the messages of which no frame came.

    Of several channels each message is read from one, so that a message passed on by a gateway is not seen twice: where
    its payload has the right length, where most of the plan's messages are, where most of its frames came. A message
    whose database holds on one channel only is read from that one.
    """
    messages: dict[str, Message] = {each.message.name: each.message for each in references}
    wanted = {each.path: (each.message, each.definition) for each in references}
    if len(trace.channels) <= 1 and not any(each.channel for each in messages.values()):
        signals = decode_signals(trace, list(wanted.values()))
    else:
        signals = {}
        parts = {index: trace.where(trace.channel == index) for index in range(len(trace.channels))}
        fits = {
            name: {index: _fit(part, message) for index, part in parts.items()} for name, message in messages.items()
        }
        at_home = {index: sum(each[index][0] for each in fits.values()) for index in parts}
        for name, message in messages.items():
            own = [pair for pair in wanted.values() if pair[0].name == name]
            there = fits[name]
            home = max(
                parts, key=lambda index: (there[index][0], at_home[index] * (there[index][1] > 0), there[index][1])
            )
            signals |= decode_signals(parts[home], own, channel=message.channel)
    seen = {path.partition(".")[0] for path, signal in signals.items() if len(signal)}
    missing = tuple(name for name in messages if name not in seen and not _frames_of(trace, messages[name]))
    gone = {path for path, (message, _) in wanted.items() if message.name in missing}
    return {path: signal for path, signal in signals.items() if path not in gone}, missing


def _fit(trace: Trace, message: Message) -> tuple[bool, int]:
    """Tell whether most frames under a message's identifier are as long as it says, and how many there are."""
    same = (trace.identifier == message.identifier) & (trace.is_extended == message.is_extended)
    same &= trace.kind == Kind.DATA
    frames, right = int(same.sum()), int((trace.payload_length[same] == message.length).sum())
    return 0 < frames < 2 * right, frames if message.channel is None else _frames_of(trace, message)


def _frames_of(trace: Trace, message: Message) -> int:
    """Count the data frames of a message."""
    same = (trace.identifier == message.identifier) & (trace.is_extended == message.is_extended)
    if message.channel is not None:
        same &= trace.channel == (trace.channels.index(message.channel) if message.channel in trace.channels else -1)
    return int((same & (trace.kind == Kind.DATA)).sum())


def _control(plan: Plan, control: Control, recorded: Recorded, marked: Floats | None) -> ControlEvidence:
    """Measure one control: its exercises, and whether the controller's own report followed them."""
    answer_s = [each.within_s for each in plan.outputs.values() if control.name in each.when.controls]
    apart_s = min(answer_s, default=DEFAULT_WITHIN_S)
    own, signal = recorded.controls[control.name], recorded.signal(control.condition.reference)
    noticed = None
    if control.noticed is not None and recorded.signal(control.noticed.reference) is not None:
        report = recorded.track(control.noticed)
        leads_s = lead(own, report, within_s=DEFAULT_WITHIN_S)
        found = answers(own.led(leads_s), report, within_s=DEFAULT_WITHIN_S)
        noticed = len(found.answered) if len(found.due) else None
    return ControlEvidence(
        name=control.name,
        track=own,
        message_seen=signal is not None,
        exercises=exercises(own, apart_s=apart_s),
        marked=marked,
        noticed=noticed,
        missed=0 if marked is None else missed_marks(marked, own.time_s[own.rises]),
        invalid=counted_invalid(signal, control.condition) if signal is not None else (),
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
    ends_ns = (trace.time_ns.min(), trace.time_ns.max()) if len(trace) else (0, 0)
    first_s, last_s = ((int(each) - trace.start_ns) / NANOSECONDS_PER_SECOND for each in ends_ns)
    first_s, last_s = first_s - HAND_NOTED_S, last_s + HAND_NOTED_S
    return offset_s, {name: times[(times >= first_s) & (times <= last_s)] for name, times in brought.items()}


def _slots(marks: Sequence[Mark], offset_s: float) -> Floats:
    """Return when each marked slot began [s]; none where no rest was marked, since then nothing tells of slots."""
    if not any(each.label == REST for each in marks):
        return np.zeros(0)
    return np.unique(np.array([each.time_s + offset_s for each in marks]))


# Surveying: a recording in, all that its bus shows out; the one place that calls every measure of a survey.


@dataclass(frozen=True, eq=False)
class Surveyed:
    """All that was measured of a bus.

    Attributes
    ----------
    evidence
        For checks and causes.
    loads
        Load of every channel in full, by name.
    streams
        The frames by channel and identifier.
    numbers
        int64 (n,): number of the stream of each row of the recording; -1 where it has none.
    """

    evidence: Evidence
    loads: dict[str, ChannelLoad]
    streams: Streams
    numbers: Ints

    def shares(self, load: BusLoad) -> Floats:
        """Split a load over the streams, float64 (g,); 0 for those of another channel."""
        return load.by_group(self.numbers)


def surveyed(trace: Trace, plan: Plan) -> Surveyed:
    """Measure the bus of one recording.

    Parameters
    ----------
    trace
        The recording.
    plan
        Of it only the bus and the database are used.

    Raises
    ------
    UsageError
        The recording has frames, but none on the wanted channel.
    """
    chosen = on_channel(trace, plan.bus.channel)
    plan, by_group = matched_by_group(plan, chosen)
    loads = channel_loads(trace, plan.bus)
    found, quiet, sorted_frames = message_side(chosen, plan.database)
    buses: dict[str, BusResult] = {name: load.shown for name, load in loads.items()}
    bus = buses.get(plan.bus.channel or "", next(iter(buses.values()), _unmeasured(plan)))
    described = recording(trace, plan.database)
    frames = int((chosen.kind != Kind.ERROR).sum())
    evidence = Evidence(
        plan=plan,
        recording=described,
        bus=bus,
        buses=buses,
        frames=frames,
        missing_messages=(),
        controller_seen=None,
        controls={},
        outputs={},
        bus_evidence=replace(
            bus_side(trace, plan.bus, database=plan.database, recording=described, bus=bus, channel=plan.bus.channel),
            intervals=found,
            definitions=definition_side(plan, chosen, by_group),
            quiet=quiet,
        ),
    )
    return Surveyed(evidence, loads, sorted_frames, _numbers(trace, chosen, sorted_frames))


def _numbers(trace: Trace, chosen: Trace, found: Streams) -> Ints:
    """Bring the numbers of the streams from the chosen channel's rows to those of the whole recording."""
    if chosen is trace:
        return found.number
    out = np.full(len(trace), -1, np.int64)
    out[trace.channel == chosen.channel[0]] = found.number
    return out


def _unmeasured(plan: Plan) -> BusResult:
    """Return the load of a recording without channels."""
    return BusResult(plan.bus.bit_rate, "given" if plan.bus.bit_rate else "unknown", None, None, WINDOW_S)
