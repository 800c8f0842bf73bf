"""Installs: a seed → an install that nobody has seen before: vehicle, controller, plan, database and recording."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from canlens.database import Database
from canlens.errors import UsageError
from canlens.plan import Bus, Plan
from canlens.rehearsal.batches import DRIFT
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.faulty_bus import sender_of
from canlens.rehearsal.install import Habit, Install, install_of
from canlens.rehearsal.needs import switched_on_by
from canlens.rehearsal.person import SLEEP_SHARE, Operation, Schedule, draw_schedule
from canlens.rehearsal.rehearsals import START_S, rehearse_install, with_faults
from canlens.rehearsal.situations import with_situations
from canlens.trace import NANOSECONDS_PER_SECOND
from tests.drawn.controls import IGNITION, draw_controls, draw_outputs
from tests.drawn.vehicle import Identifiers, draw_vehicle, fill_up

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.database import Message
    from canlens.plan import Readings
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.rehearsal.rehearsals import Rehearsal, Truth
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
    situations: Sequence[str] = (),
    planned: Callable[[Plan, Draws], Plan] | None = None,
) -> DrawnInstall:
    """Draw an install and record its bring-up.

    Parameters
    ----------
    seed
        All that is drawn follows from it; a healthy and a faulty install of one seed are the same but for the fault.
    fault, strength
        As for :func:`~canlens.rehearsal.rehearsals.rehearse`.
    sporadic
        Share of all attempts to send that break by chance; drawn if None, mostly 0.
    blind
        Whether nothing on the bus shows one of the outputs, so that it is judged from what the person saw.
    situations
        As for :func:`~canlens.rehearsal.rehearsals.rehearse`.
    planned
        Changes the plan before anything is recorded.

    Raises
    ------
    UsageError
        This install has nothing that the fault could concern; another seed may have.
    """
    plan, hidden = draw_plan(seed)
    if blind:
        plan = _blinded(plan, Draws(seed, "blind output"))
    if planned is not None:
        plan = planned(plan, Draws(seed, "changed plan"))
    schedule = draw_schedule(plan, Draws(seed, "schedule"))
    install = with_situations(_with_habits(plan, schedule, hidden, seed, sporadic), situations, seed=seed)
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


OFF_SHARE = 0.4
"""When the ignition goes off, as a share of the recording's time."""
HOLD_S = (2.0, 9.0)
PAUSE_S = (3.0, 14.0)
USUAL_S = 40.0
"""Times for a recording of this length or longer; they shrink with a shorter one."""
OPERATED = 2
"""Outputs that are switched now and then."""


def draw_standing(plan: Plan, duration_s: float, draws: Draws, *, sleeps: bool) -> Schedule:
    """Draw what happens around a standing vehicle.

    Parameters
    ----------
    plan
        One whose bus is awake while a control is on.
    duration_s
        How long it is recorded [s].
    draws
        Random numbers.
    sleeps
        Whether the ignition goes off on the way.
    """
    ignition = plan.bus.awake_while
    off_s = duration_s * OFF_SHARE if sleeps else duration_s + 1.0
    operations = [Operation(ignition, 0.0, off_s)] if ignition is not None else []
    switched = [names for name in draws.shuffled(list(plan.outputs)) if (names := _switches_of(plan, name))]
    for names in switched[:OPERATED]:
        operations += _now_and_then(names, min(off_s, duration_s), draws)
    allowed_s = plan.bus.quiet_after_s or 0.5 * duration_s
    sleep_s = min(allowed_s * draws.uniform(*SLEEP_SHARE), 0.2 * duration_s)
    return Schedule(
        tuple(sorted(operations, key=lambda one: (one.start_s, one.end_s))),
        (),
        ((0.0, min(off_s + sleep_s, duration_s)),),
        duration_s,
        is_asleep_at_end=sleeps,
        spare_s=max(allowed_s - sleep_s, 0.0) if sleeps else 0.0,
    )


def _switches_of(plan: Plan, output: str) -> tuple[str, ...]:
    """Return the controls that together, with the ignition on, switch an output on; none if it needs none."""
    base = {} if plan.bus.awake_while is None else {plan.bus.awake_while: True}
    return switched_on_by(plan.outputs[output].when, base) or ()


def _now_and_then(controls: tuple[str, ...], end_s: float, draws: Draws) -> list[Operation]:
    """Operate controls together at drawn times."""
    operations: list[Operation] = []
    shrunk = min(1.0, end_s / USUAL_S)
    now = shrunk * draws.uniform(*PAUSE_S)
    while now < end_s - 1.0:
        stop_s = min(now + shrunk * draws.uniform(*HOLD_S), end_s)
        operations += [Operation(control, now, stop_s) for control in controls]
        now = stop_s + shrunk * draws.uniform(*PAUSE_S)
    return operations


def cut_at(trace: Trace, end_s: float, start_ns: int) -> Trace:
    """Return the recording up to the moment in which the recorder stops."""
    return trace.where(trace.time_ns < start_ns + round(end_s * NANOSECONDS_PER_SECOND))


JITTERS_S = (0.00005, 0.002)
"""The same for drawn nodes: from a timer of its own to a program that comes round every few milliseconds."""


def draw_habit(draws: Draws) -> Habit:
    """Draw a node's clock and jitter."""
    low, high = JITTERS_S
    return Habit(draws.uniform(-DRIFT, DRIFT), low + (high - low) * draws.uniform(0.0, 1.0) ** 3)
