"""Drawing: a seed → an install that nobody has seen before: vehicle, controller, plan, database and recording."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from canlens.database import Database
from canlens.errors import UsageError
from canlens.plan import Bus, Plan
from canlens.rehearsal.drawn_controls import IGNITION, draw_controls
from canlens.rehearsal.drawn_outputs import draw_outputs
from canlens.rehearsal.drawn_vehicle import Identifiers, draw_vehicle, fill_up
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.faulty_bus import cut_at, sender_of
from canlens.rehearsal.habits import draw_habit
from canlens.rehearsal.install import Install, install_of
from canlens.rehearsal.rehearsing import START_S, rehearse_install, with_faults
from canlens.rehearsal.schedule import draw_schedule
from canlens.rehearsal.standing import draw_standing
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.database import Message
    from canlens.plan import Readings
    from canlens.rehearsal.nouns import Rehearsal, Truth
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.rehearsal.schedule import Schedule
    from canlens.trace import Trace

NAMES = (
    "Skelder",
    "Ormsby",
    "Fenwick",
    "Larkrise",
    "Tarnhow",
    "Brackenfell",
    "Wythop",
    "Mossdale",
    "Harrowby",
    "Cold Ash",
)
KINDS = ("buggy", "carrier", "hauler", "trike", "tender", "sledge", "cart")
QUIET_AFTER_S = (8, 12, 15, 20, 25)
SPORADIC_SHARE = (0.0, 0.0, 0.0, 0.000002, 0.00002)
"""Attempts that break by chance on a bus without a fault; most short recordings of such a bus show none."""
SHORTEST_S = 5.0


@dataclass(frozen=True, eq=False)
class DrawnInstall:
    """An install that was drawn.

    Attributes
    ----------
    plan
        Its plan, with its database.
    rehearsal
        What was recorded, noted and measured, and the truth.
    nodes
        (identifier, is_extended) -> the node that sends it; all identifiers of the bus.
    courses
        Output -> what it did.
    """

    plan: Plan
    rehearsal: Rehearsal
    nodes: dict[tuple[int, bool], str]
    courses: dict[str, OutputCourse]


@dataclass(frozen=True, eq=False)
class DrawnBus:
    """A bus that was drawn and recorded while nobody operated anything in particular.

    Attributes
    ----------
    trace
        The recording.
    plan
        What the accessory controller on this bus is meant to do; ``plan.database`` declares cycle times and senders.
    readings
        What the meter showed.
    nodes
        (identifier, is_extended) -> the node that sends it; all identifiers of the bus.
    output_spans
        Output -> spans in which it was on [s], counted from ``start_ns``.
    ignition_off_s
        When the ignition went off [s], counted from ``start_ns``; None if it stayed on.
    start_ns
        Clock of the recorder when it started [ns].
    truth
        What is wrong.
    """

    trace: Trace
    plan: Plan
    readings: Readings
    nodes: dict[tuple[int, bool], str]
    output_spans: dict[str, tuple[tuple[float, float], ...]]
    ignition_off_s: float | None
    start_ns: int
    truth: Truth


def draw_install(
    seed: int,
    *,
    fault: str | Sequence[str] | None = None,
    strength: float | Sequence[float] | None = None,
    sporadic: float | None = None,
    blind: bool = False,
) -> DrawnInstall:
    """Draw an install and record its bring-up.

    Parameters
    ----------
    seed
        All that is drawn follows from it; a healthy and a faulty install of one seed are the same but for the fault.
    fault, strength
        As for :func:`~canlens.rehearsal.rehearsing.make_rehearsal`.
    sporadic
        Share of all attempts to send that break by chance; drawn if None, mostly 0.
    blind
        Whether nothing on the bus shows one of the outputs, so that it is judged from what the person saw.

    Raises
    ------
    UsageError
        This install has nothing that the fault could concern; another seed may have.
    """
    plan, hidden = draw_plan(seed)
    if blind:
        plan = _blinded(plan, Draws(seed, "blind output"))
    schedule = draw_schedule(plan, Draws(seed, "schedule"))
    install = _with_habits(plan, schedule, hidden, seed, sporadic)
    install, faults = with_faults(install, fault, strength, seed=seed)
    rehearsal, courses = rehearse_install(install, faults, seed=seed)
    return DrawnInstall(plan, rehearsal, _nodes(install), courses)


def draw_bus(
    seed: int,
    duration_s: float = 60.0,
    *,
    fault: str | Sequence[str] | None = None,
    strength: float | Sequence[float] | None = None,
    sporadic: float | None = None,
    sleeps: bool = False,
) -> DrawnBus:
    """Draw a bus and record it standing: the ignition is on, and only a few outputs are switched now and then.

    Parameters
    ----------
    seed
        All that is drawn follows from it.
    duration_s
        How long it is recorded [s].
    fault, strength, sporadic
        As for :func:`draw_install`. ``bus-stays-awake`` makes the bus sleep, or rather not.
    sleeps
        Whether the ignition goes off at about 40 % of the time.

    Raises
    ------
    UsageError
        The duration is too short, or this bus has nothing that the fault could concern.
    """
    if duration_s < SHORTEST_S:
        raise UsageError(f"duration {duration_s:g} s: expected {SHORTEST_S:g} s or more.")
    plan, hidden = draw_plan(seed)
    wishes = [fault] if isinstance(fault, str) else list(fault or ())
    sleeps = sleeps or any(wish.partition(":")[0] == "bus-stays-awake" for wish in wishes)
    schedule = draw_standing(plan, duration_s, Draws(seed, "standing"), sleeps=sleeps)
    install = _with_habits(plan, schedule, hidden, seed, sporadic)
    install, faults = with_faults(install, fault, strength, seed=seed)
    install = replace(install, schedule=replace(install.schedule, end_s=duration_s))
    rehearsal, courses = rehearse_install(install, faults, seed=seed)
    start_ns = START_S * NANOSECONDS_PER_SECOND
    ignition = [one.end_s for one in schedule.operations if one.control == IGNITION]
    return DrawnBus(
        cut_at(rehearsal.trace, duration_s, start_ns),
        plan,
        rehearsal.readings,
        _nodes(install),
        {name: tuple(course.lit.spans(duration_s)) for name, course in courses.items()},
        ignition[0] if sleeps else None,
        start_ns,
        rehearsal.truth,
    )


def draw_plan(seed: int) -> tuple[Plan, tuple[Message, ...]]:
    """Draw a vehicle with its controller; return the plan, and the messages that its database does not know."""
    draws = Draws(seed, "vehicle")
    vehicle = draw_vehicle(draws)
    identifiers = Identifiers(vehicle.extended_share, draws)
    controls, keys = draw_controls(vehicle, identifiers, draws)
    outputs, controller, told, controls = draw_outputs(controls, identifiers, draws)
    known, hidden = fill_up(vehicle, [*keys, *told], identifiers, draws)
    messages = tuple(draws.shuffled([*keys, *told, *known]))
    nodes = tuple(sorted({node for one in (*messages, *hidden) for node in one.senders}))
    plan = Plan(
        f"{draws.choice(NAMES)} {draws.choice(KINDS)}, {controller.node}",
        "",
        Database(messages, nodes, files=("drawn.dbc",)),
        controls,
        outputs,
        Bus(vehicle.bit_rate, None, "can0", IGNITION, float(draws.choice(QUIET_AFTER_S))),
        controller,
        draws.choice((3, 3, 3, 4)),
    )
    return plan, tuple(hidden)


def _blinded(plan: Plan, draws: Draws) -> Plan:
    """Return the plan of a controller that tells the bus nothing of one of its outputs."""
    name = draws.choice(list(plan.outputs))
    hidden = replace(plan.outputs[name], command=None, level=None, current=None, voltage=None)
    hidden = replace(hidden, level_day=None, level_night=None, night=None)
    return replace(plan, outputs={**plan.outputs, name: hidden})


def _with_habits(
    plan: Plan, schedule: Schedule, hidden: tuple[Message, ...], seed: int, sporadic: float | None
) -> Install:
    """Return the healthy install, each node with a clock and jitter of its own."""
    install = install_of(plan, schedule, hidden)
    share = Draws(seed, "sporadic errors").choice(SPORADIC_SHARE) if sporadic is None else sporadic
    return replace(
        install,
        habits={node: draw_habit(Draws(seed, f"node {node}")) for node in plan.database.nodes},
        disturbance=replace(install.disturbance, sporadic=share),
    )


def _nodes(install: Install) -> dict[tuple[int, bool], str]:
    """Return who sends each identifier; of two senders the one that the database knows."""
    return {
        (message.identifier, message.is_extended): sender_of(message)
        for message in (*install.doubles, *install.messages())
    }
