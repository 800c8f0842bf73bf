"""Install: the vehicle and its accessory controller as they really are, faults included."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from canlens.rehearsal.disturbance import QUIET, Disturbance
from canlens.rehearsal.foreign import foreign_messages
from canlens.rehearsal.habits import USUAL, Habit
from canlens.rehearsal.output_model import OutputModel, model_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.database import Message
    from canlens.plan import Plan
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.schedule import Schedule
    from canlens.rehearsal.supply import Sag

BIT_RATE = 250_000
"""Where a plan names no bit rate [bit/s]."""


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
        return own if way is None else replace(own, awake=way.awake, is_first=way.is_first)


def healthy_install(plan: Plan, schedule: Schedule, *, bus_load: float, draws: Draws) -> Install:
    """Return an install that does all that its plan says, on a bus that carries about ``bus_load``."""
    bit_rate = plan.bus.bit_rate or BIT_RATE
    return install_of(plan, schedule, foreign_messages(plan.database, load=bus_load, bit_rate=bit_rate, draws=draws))


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
