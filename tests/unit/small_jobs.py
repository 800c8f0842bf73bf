"""Small jobs made in memory from a readable description: a plan, and the recording that such an install gives.

::

    job({"horn": [(2, 3), (5, 6)]}, {"siren": planned("horn", [(2.05, 3.05), (5.05, 6.05)])}, end_s=8)

The horn button is on from 2 s to 3 s and from 5 s to 6 s, the siren a little later. Every signal has a message of its
own: ``Horn.On``, ``SirenState.On``, ``SirenLevel.Percent``, ``SirenAmps.Amps``, ``SirenVolts.Volts``. Messages are sent
on the beat, without jitter: those of the controls first, those of the outputs ten milliseconds after them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens.checks import ALL
from canlens.checkup import check
from canlens.database import Database, Message, SignalDefinition
from canlens.measures.gathering import evidence as gather
from canlens.nouns.outputs import Track
from canlens.plan import (
    Bus,
    Condition,
    Control,
    Controller,
    Mark,
    Observation,
    Output,
    Plan,
    Readings,
    SignalReference,
    parse_rule,
)
from canlens.trace import COLUMNS, Kind, Payload, Trace

if TYPE_CHECKING:
    from canlens.checkup import Checkup
    from canlens.nouns.outputs import Evidence, OutputEvidence
    from canlens.results.check import OutputResult
    from canlens.results.finding import Finding

Span = tuple[float, float]
START_NS = 1_700_000_000 * 10**9
NS = 10**9
CYCLE_S = 0.05
OUTPUT_PHASE_S = 0.01
TENTH = 0.1
"""Scale of currents [A] and voltages [V]: one raw step."""


@dataclass(frozen=True)
class Wave:
    """What one signal does.

    Attributes
    ----------
    steps
        (time [s], raw value from then on); 0 before the first.
    cycle_s
        Its message comes this often [s]; None: at the start and on every step only; missing: as the job's messages.
    at_once
        Whether a step is also sent at once, between the beats.
    silent
        Spans [s] in which its message does not come.
    phase_s
        Time of the first beat [s]; missing: 0 for controls, 0.01 for what the controller sends.
    """

    steps: Sequence[tuple[float, int]]
    cycle_s: float | None = -1.0
    at_once: bool = False
    silent: Sequence[Span] = ()
    phase_s: float | None = None

    def value_at(self, time_ns: int) -> int:
        """Return the raw value at a time."""
        return next((raw for since_s, raw in reversed(self.steps) if _ns(since_s) <= time_ns), 0)

    def times_ns(self, cycle_s: float, phase_s: float, end_s: float) -> list[int]:
        """Return the times at which the message comes [ns]."""
        phase_s = self.phase_s if self.phase_s is not None else phase_s
        every_s = cycle_s if self.cycle_s is not None and self.cycle_s < 0 else self.cycle_s
        times = {_ns(phase_s)}
        if every_s is not None:
            times = set(range(_ns(phase_s), _ns(end_s) + 1, _ns(every_s)))
        if every_s is None or self.at_once:
            times |= {_ns(since_s) for since_s, _ in self.steps}
        mute = [(_ns(start), _ns(stop)) for start, stop in self.silent]
        return sorted(time for time in times if time <= _ns(end_s) and not any(a <= time < b for a, b in mute))


Shape = Wave | Sequence[Span]
"""A wave, or just the spans in which a signal is 1."""


@dataclass(frozen=True)
class Operated:
    """A control: what its signal does, and more of its plan than its name."""

    on: Shape | None
    noticed: Shape | None = None
    options: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Planned:
    """An output: its rule, what its command and other signals do, and its plan."""

    when: str
    on: Shape | None
    level: Wave | None
    current: Wave | None
    voltage: Wave | None
    options: dict[str, Any]


def operated(
    on: Shape | None,
    *,
    noticed: Shape | None = None,
    unknown: tuple[int, ...] = (),
    min_exercises: int | None = None,
    **how: Any,
) -> Operated:
    """Describe a control; ``on`` None: its message never comes. ``how``: on_values, on_raw, above, below."""
    return Operated(on, noticed, {"unknown": unknown, "min_exercises": min_exercises, **how})


def planned(
    when: str,
    on: Shape | None = None,
    *,
    level: Wave | None = None,
    current: Wave | None = None,
    voltage: Wave | None = None,
    **options: Any,
) -> Planned:
    """Describe an output; ``on`` None: nothing on the bus shows it. ``options`` are fields of the plan's output."""
    return Planned(when, on, level, current, voltage, {"within_s": 0.3, **options})


def wave(spans: Sequence[Span], *, on: int = 1, **more: Any) -> Wave:
    """Return a wave that is ``on`` in the spans and 0 outside."""
    return Wave([step for start, stop in spans for step in ((start, on), (stop, 0))], **more)


def presses(count: int, *, first_s: float = 2.0, hold_s: float = 1.0, every_s: float = 3.0) -> list[Span]:
    """Return equal exercises of a control."""
    starts = [round(first_s + every_s * number, 6) for number in range(count)]
    return [(start, round(start + hold_s, 6)) for start in starts]


def answering(spans: Sequence[Span], *, delay_s: float = 0.05, run_on_s: float = 0.0) -> list[Span]:
    """Return what an output does that follows these spans."""
    return [(round(start + delay_s, 6), round(stop + delay_s + run_on_s, 6)) for start, stop in spans]


def flashes(spans: Sequence[Span], hz: float) -> list[Span]:
    """Return the lit halves of a lamp that flashes in the spans."""
    lit = []
    for start, stop in spans:
        count = round((stop - start) * hz)
        lit += [(round(start + n / hz, 6), round(start + (n + 0.5) / hz, 6)) for n in range(count)]
    return lit


@dataclass(frozen=True, eq=False)
class Job:
    """A plan and its recording, and what was noted by hand."""

    plan: Plan
    trace: Trace
    marks: tuple[Mark, ...] = ()
    observed: tuple[Observation, ...] = ()
    readings: Readings | None = None

    def __repr__(self) -> str:
        """Return the plan's outputs, and what changes in the recording: time, message, payload."""
        told, last = (
            [f"{name}: {own.when}, {own.run_on_s}, {own.cut_after_s}" for name, own in self.plan.outputs.items()],
            dict[str, str](),
        )
        for line, time_s, payload in zip(self.trace.line, self.trace.time_s, self.trace.payload, strict=True):
            name, shown = self.message_of(int(line)), payload.hex()
            if last.get(name) != shown:
                told.append(f"{time_s:.4f} {name} {shown}")
            last[name] = shown
        return "\n".join(told)

    @property
    def evidence(self) -> Evidence:
        return gather(self.plan, self.trace, marks=self.marks, observed=self.observed, readings=self.readings)

    @property
    def checkup(self) -> Checkup:
        return check(self.plan, self.trace, marks=self.marks or None, observed=self.observed or None)

    def output(self, name: str) -> OutputEvidence:
        return self.evidence.outputs[name]

    def result(self, name: str) -> OutputResult:
        return self.checkup.result.outputs[name]

    def findings(self, check: str) -> list[Finding]:
        """Return what one check finds, put to the evidence by itself."""
        one = next(each for each in ALL if each.name == check)
        return list(one.find(self.evidence))

    def message_of(self, line: int) -> str:
        """Return the name of the message whose frame stands at a line of the log."""
        row = int(np.flatnonzero(self.trace.line == line)[0])
        message = self.plan.database.with_identifier(int(self.trace.identifier[row]), is_extended=False)
        assert message is not None
        return message.name

    def time_of(self, line: int) -> float:
        """Return the time of the frame at a line [s]."""
        return float(self.trace.time_s[self.trace.line == line][0])


def job(
    controls: Mapping[str, Shape | Operated | None],
    outputs: Mapping[str, Planned],
    *,
    end_s: float,
    cycle_s: float = CYCLE_S,
    declared: bool = True,
    node: str | None = "Box",
    min_exercises: int = 3,
    marks: Sequence[tuple[float, str]] = (),
    observed: Sequence[tuple[float, str, bool]] = (),
    start_ns: int = START_NS,
) -> Job:
    """Make a job.

    Parameters
    ----------
    controls, outputs
        By name; None for a control whose message never comes.
    end_s
        End of the recording [s]; nothing is sent later.
    cycle_s
        Messages come this often [s], unless their wave says otherwise.
    declared
        Whether the database declares the cycle times.
    node
        Node of the controller in the plan.
    min_exercises
        Of the plan.
    marks, observed
        (time [s from the first frame], label) and (time, output, on).
    start_ns
        Stamp of the first frame [ns].
    """
    bus = _Bus(end_s, cycle_s, declared=declared)
    own = {name: _control(bus, name, shape) for name, shape in controls.items()}
    made = {name: _output(bus, name, each, tuple(controls)) for name, each in outputs.items()}
    plan = Plan(
        title="a small job",
        file="small.toml",
        database=Database(messages=tuple(bus.messages), nodes=("Vehicle", "Box")),
        controls=own,
        outputs=made,
        bus=Bus(bit_rate=500_000),
        controller=Controller(node=node),
        min_exercises=min_exercises,
    )
    return Job(
        plan,
        bus.trace(start_ns),
        tuple(Mark(time_s, label, line=row) for row, (time_s, label) in enumerate(marks, 2)),
        tuple(Observation(time_s, name, on, line=row) for row, (time_s, name, on) in enumerate(observed, 2)),
    )


def without_frames(one: Job) -> Job:
    """Return the job with an empty recording."""
    return replace(one, trace=Trace.empty())


def without_message(one: Job, name: str) -> Job:
    """Return the job with a recording in which one message never came."""
    message = one.plan.database.message(name)
    assert message is not None
    return replace(one, trace=one.trace.where(one.trace.identifier != message.identifier))


def track_of(
    steps: Sequence[tuple[float, int]], *, end_s: float, cycle_s: float | None = None, first_line: int = 1
) -> Track:
    """Make a track from (time [s], state); with ``cycle_s`` its rows come on that beat, else changes come at once."""
    time_s = np.array([at_s for at_s, _ in steps], np.float64)
    before_s = np.concatenate(([-np.inf], time_s[:-1])) if len(time_s) else time_s
    rows_s = time_s
    if cycle_s is not None:
        rows_s = np.array(np.round(np.arange(time_s[0], end_s + cycle_s / 2, cycle_s), 9), np.float64)
        before_s = np.maximum(before_s, time_s - cycle_s)
    line = first_line + 10 * np.arange(len(time_s))
    state = np.array([state for _, state in steps], np.int8)
    since_s = time_s if cycle_s is None else before_s
    return Track(time_s, state, line, before_s, end_s, rows_s, cycle_s or 0.0, since_s)


class _Bus:
    """The messages of a job and what is sent under them."""

    def __init__(self, end_s: float, cycle_s: float, *, declared: bool) -> None:
        self.end_s = end_s
        self.cycle_s = cycle_s
        self.declared = declared
        self.messages: list[Message] = []
        self.sent: list[tuple[int, int, int]] = []

    def add(
        self, message: str, signal: str, shape: Shape | None, *, sender: str, scale: float = 1, unit: str = ""
    ) -> SignalReference:
        """Define a message with one signal, and send it unless its shape is None."""
        curve = shape if isinstance(shape, Wave) else wave(shape or ())
        every_s = self.cycle_s if curve.cycle_s is not None and curve.cycle_s < 0 else curve.cycle_s
        definition = SignalDefinition(signal, 0, 16, scale=scale, unit=unit)
        made = Message(
            message,
            0x100 + len(self.messages),
            is_extended=False,
            length=2,
            senders=(sender,),
            cycle_time_s=every_s if self.declared else None,
            signals=(definition,),
        )
        self.messages.append(made)
        if shape is not None:
            phase_s = 0.0 if sender == "Vehicle" else OUTPUT_PHASE_S
            for time_ns in curve.times_ns(self.cycle_s, phase_s, self.end_s):
                self.sent.append((time_ns, made.identifier, curve.value_at(time_ns)))
        return SignalReference(f"{message}.{signal}", made, definition)

    def trace(self, start_ns: int) -> Trace:
        """Return the recording, frames of equal stamp in the order of their messages."""
        sent = sorted(self.sent)
        columns: dict[str, Any] = {name: np.zeros(len(sent), dtype) for name, dtype in COLUMNS.items()}
        columns["time_ns"][:] = [start_ns + time_ns for time_ns, _, _ in sent]
        columns["identifier"][:] = [identifier for _, identifier, _ in sent]
        columns["kind"][:] = Kind.DATA
        columns["dlc"][:] = 2
        columns["is_rx"][:] = True
        columns["line"][:] = np.arange(len(sent)) + 1
        payload = Payload.of([raw.to_bytes(2, "little") for _, _, raw in sent])
        return Trace(**columns, payload=payload, channels=("can0",), origin_ns=start_ns)


def _control(bus: _Bus, name: str, shape: Shape | Operated | None) -> Control:
    """Define a control and send its message."""
    own = shape if isinstance(shape, Operated) else operated(shape)
    options = dict(own.options)
    min_exercises = options.pop("min_exercises")
    reference = bus.add(name.capitalize(), "On", own.on, sender="Vehicle")
    noticed = None
    if own.noticed is not None:
        noticed = Condition(bus.add(f"{name.capitalize()}Seen", "On", own.noticed, sender="Box"))
    return Control(name, Condition(reference, **options), noticed=noticed, min_exercises=min_exercises)


def _output(bus: _Bus, name: str, own: Planned, controls: tuple[str, ...]) -> Output:
    """Define an output and send its messages."""
    options = dict(own.options)
    title = name.capitalize()
    how = {key: options.pop(key) for key in ("unknown", "above", "below", "on_values") if key in options}
    if flash := options.pop("flash_when", None):
        options["flash_when"] = parse_rule(flash, controls)
    if own.on is not None:
        options["command"] = Condition(bus.add(f"{title}State", "On", own.on, sender="Box"), **how)
    if own.level is not None:
        options["level"] = bus.add(f"{title}Level", "Percent", own.level, sender="Box", unit="%")
    if own.current is not None:
        options["current"] = bus.add(f"{title}Amps", "Amps", own.current, sender="Box", scale=TENTH, unit="A")
    if own.voltage is not None:
        options["voltage"] = bus.add(f"{title}Volts", "Volts", own.voltage, sender="Box", scale=TENTH, unit="V")
    return Output(name, parse_rule(own.when, controls), **options)


def _ns(time_s: float) -> int:
    return round(time_s * NS)
