"""Install: vehicle and accessory controller as they really are – who sends how, what breaks frames – and faults."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.capture import COMPLETE, Capture
from canlens.rehearsal.output_model import OutputModel, model_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from canlens.database import Message
    from canlens.plan import Output, Plan
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.feed import Sag
    from canlens.rehearsal.person import Schedule
    from canlens.rehearsal.timeline import Spans
    from canlens.results.finding import Scope
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

BIT_RATE = 250_000
"""Where a plan names no bit rate [bit/s]."""
JITTER_S = 0.0003
"""Largest deviation of a single frame from its node's beat, where nothing else is said."""


@dataclass(frozen=True)
class Habit:
    """How one message is sent.

    Attributes
    ----------
    clock
        Relative error of its node's clock; None to draw one for the message alone.
    jitter_s
        Largest deviation of a frame from its beat [s].
    absent
        Spans in which its node has no contact: what it sends then reaches nobody.
    restarts
        Spans in which its node is dead; counters start anew after each.
    awake
        Further spans in which it is sent.
    is_first
        Whether it is the first that speaks in those.
    on_change
        Whether it is sent on every change as well, its cycle being a slow repetition.
    """

    clock: float | None = None
    jitter_s: float = JITTER_S
    absent: Spans = ()
    restarts: Spans = ()
    awake: Spans = ()
    is_first: bool = False
    on_change: bool = False

    def is_heard(self, time_s: Floats) -> Bools:
        """Tell which frames, by the time they are ready [s], reach the bus."""
        heard = np.ones(len(time_s), np.bool_)
        for start_s, end_s in (*self.absent, *self.restarts):
            heard &= (time_s < start_s) | (time_s >= end_s)
        return heard

    def age(self, time_s: Floats) -> Ints:
        """Count frames since the node's last restart; -1 for all before the first one."""
        ends = np.array([end_s for _, end_s in self.restarts])
        started = np.searchsorted(ends, time_s, side="right")
        first = np.searchsorted(started, started, side="left")
        since = np.arange(len(time_s)) - first
        return np.where(started > 0, since, -1)


USUAL = Habit()
"""What a node does of which nothing else is known."""


@dataclass(frozen=True)
class Window:
    """A time in which each attempt to send breaks with a chance."""

    start_s: float
    end_s: float
    chance: float


@dataclass(frozen=True)
class Disturbance:
    """What breaks frames.

    Attributes
    ----------
    sporadic
        Chance of any attempt to break.
    edges
        Share of broken attempts of a usual frame; one with more recessive-to-dominant edges breaks more often.
    senders
        Node -> chance of each of its own attempts to break.
    receivers
        Node -> chance of each attempt of all other nodes to break.
    outputs
        Output -> chance of any attempt to break while the output is on.
    gaps
        Node -> spans in which it has no contact; frames break at their ends.
    windows
        Further times in which attempts break, whoever sends.
    """

    sporadic: float = 0.0
    edges: float = 0.0
    senders: Mapping[str, float] = field(default_factory=dict)
    receivers: Mapping[str, float] = field(default_factory=dict)
    outputs: Mapping[str, float] = field(default_factory=dict)
    gaps: Mapping[str, Spans] = field(default_factory=dict)
    windows: tuple[Window, ...] = ()


QUIET = Disturbance()
"""Nothing at all."""


@dataclass(frozen=True)
class Wiring:
    """How a control reaches the controller and the bus.

    Attributes
    ----------
    lead_s
        The controller hangs on the button's wire too, and the bus tells of it so much later [s]; None: bus only.
    bounce_s
        For so long the contact bounces after it closed [s].
    is_seen
        Whether the controller takes any notice of it.
    until_s
        When the message ceases to follow the button [s].
    """

    lead_s: float | None = None
    bounce_s: float = 0.0
    is_seen: bool = True
    until_s: float = np.inf


ON_THE_BUS = Wiring()
"""A control that works."""


@dataclass(frozen=True)
class Install:
    """What a rehearsal simulates; a fault takes one and returns a changed one.

    Attributes
    ----------
    plan
        What the install is meant to do.
    schedule
        What the person does.
    outputs
        How each output really behaves.
    dead_controls
        Controls whose signal does not move, whatever the person does.
    missing
        Messages that are never sent.
    is_controller_silent
        Whether the controller sends nothing; it then switches nothing either.
    is_bus_dead
        Whether nobody sends anything.
    controller_messages, vehicle_messages
        Those of the plan's databases, by who sends them.
    foreign_messages
        Those that are in no database.
    habits
        Node -> how it sends; others as usual.
    ways
        Message -> how it is sent, where it differs from its node's habit: further times, or the first word.
    doubles
        Messages of other nodes under identifiers that are taken already.
    disturbance
        What breaks frames.
    sag
        How its supply sags; None for a good one.
    is_unacknowledged
        Whether one node is alone and nobody acknowledges its frames.
    is_rate_wrong
        Whether the recorder's bit rate is wrong.
    meter
        Name of a reading -> least and greatest value that the meter may show; others as on a healthy bus.
    wirings
        Control -> how it reaches controller and bus; others as they should.
    drops
        Output -> spans in which it drops out, whatever its rule says [s].
    unplanned
        Path of a signal that the plan does not name -> spans in which it is 1 [s]; rules may know it by its path.
    dies_s
        When the controller dies for good [s]; None if it does not.
    capture
        How the recorder takes it all down.
    situations
        What else is the case, by name.
    """

    plan: Plan
    schedule: Schedule
    outputs: dict[str, OutputModel]
    dead_controls: frozenset[str] = frozenset()
    missing: frozenset[str] = frozenset()
    is_controller_silent: bool = False
    is_bus_dead: bool = False
    controller_messages: tuple[Message, ...] = field(default=())
    vehicle_messages: tuple[Message, ...] = field(default=())
    foreign_messages: tuple[Message, ...] = field(default=())
    habits: dict[str, Habit] = field(default_factory=dict)
    ways: dict[str, Habit] = field(default_factory=dict)
    doubles: tuple[Message, ...] = field(default=())
    disturbance: Disturbance = QUIET
    meter: dict[str, tuple[float, float]] = field(default_factory=dict)
    sag: Sag | None = None
    is_unacknowledged: bool = False
    is_rate_wrong: bool = False
    wirings: dict[str, Wiring] = field(default_factory=dict)
    drops: dict[str, Spans] = field(default_factory=dict)
    unplanned: dict[str, Spans] = field(default_factory=dict)
    dies_s: float | None = None
    capture: Capture = COMPLETE
    situations: tuple[str, ...] = ()

    def wiring_of(self, control: str) -> Wiring:
        """Return how a control reaches controller and bus."""
        return self.wirings.get(control, ON_THE_BUS)

    def messages(self) -> list[Message]:
        """Return all messages, doubles left out."""
        return [*self.vehicle_messages, *self.foreign_messages, *self.controller_messages]

    def habit_of_node(self, node: str) -> Habit:
        """Return how a node sends."""
        return self.habits.get(node, USUAL)

    def habit_of(self, message: Message) -> Habit:
        """Return how a message is sent."""
        own = self.habit_of_node(message.senders[0]) if message.senders else USUAL
        way = self.ways.get(message.name)
        return own if way is None else replace(own, awake=way.awake, is_first=way.is_first, on_change=way.on_change)


def install_of(plan: Plan, schedule: Schedule, foreign: Sequence[Message]) -> Install:
    """Return an install that does all that its plan says, with messages that no database knows."""
    controller = _controller_messages(plan)
    return Install(
        plan,
        schedule,
        {name: model_of(output) for name, output in plan.outputs.items()},
        controller_messages=tuple(one for one in plan.database.messages if one.name in controller),
        vehicle_messages=tuple(one for one in plan.database.messages if one.name not in controller and one.length),
        foreign_messages=tuple(foreign),
    )


def _controller_messages(plan: Plan) -> set[str]:
    """Return the messages that the controller sends: those of its node, and those that tell of an output."""
    told = [
        reference
        for output in plan.outputs.values()
        for reference in (
            output.command.reference if output.command is not None else None,
            output.level,
            output.current,
            output.voltage,
        )
    ]
    told.append(plan.controller.supply)
    told += [one.noticed.reference for one in plan.controls.values() if one.noticed is not None]
    names = {reference.message.name for reference in told if reference is not None}
    if plan.controller.node is not None:
        names |= {one.name for one in plan.database.messages if plan.controller.node in one.senders}
    return names - {control.condition.reference.message.name for control in plan.controls.values()}


Subject = tuple[str, ...]
"""Names of what a fault is built into, sorted."""


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes
    ----------
    cause, scope
        As in the catalogue of causes.
    subjects
        Install -> all that it could be built into.
    build
        Install, subject, random numbers and strength (0, hardly to be seen, to 1, gross) -> the changed install, and
        what was changed, in a sentence.
    usual
        Install -> those of the subjects that are drawn where nobody chooses one; None for all.
    is_cause
        Whether it stands in the catalogue of causes; others are only rehearsed, as rivals of a cause.
    """

    cause: str
    scope: Scope
    subjects: Callable[[Install], list[Subject]]
    build: Callable[[Install, Subject, Draws, float], tuple[Install, str]]
    usual: Callable[[Install], list[Subject]] | None = None
    is_cause: bool = True


@dataclass(frozen=True)
class Extent:
    """How strong a fault is, from ``least`` at strength 0 to ``most`` at strength 1, finer at the weak end."""

    least: float
    most: float

    def at(self, strength: float) -> float:
        """Return the size at a strength from 0 to 1."""
        return self.least + (self.most - self.least) * strength * strength


def told_outputs(install: Install) -> list[Output]:
    """Return the outputs whose state the bus shows."""
    return [output for output in install.plan.outputs.values() if output.command is not None]


def outputs_with(wanted: Callable[[Output], bool]) -> Callable[[Install], list[Subject]]:
    """Return a function that lists the outputs which the bus shows and which are ``wanted``."""
    return lambda install: [(output.name,) for output in told_outputs(install) if wanted(output)]


def changed_output(install: Install, name: str, **changes: object) -> Install:
    """Return the install with one output's model changed."""
    model: OutputModel = replace(install.outputs[name], **changes)  # type: ignore[arg-type]
    return replace(install, outputs={**install.outputs, name: model})


def whole_bus(install: Install) -> list[Subject]:
    """Return the one subject of a fault that concerns the whole bus: nothing in particular."""
    del install
    return [()]
