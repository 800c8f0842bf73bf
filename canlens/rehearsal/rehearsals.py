"""Rehearsals: a plan and a fault → the recording that such an install would give, with a known answer."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import TYPE_CHECKING

from canlens.errors import UsageError
from canlens.rehearsal.batches import foreign_messages
from canlens.rehearsal.bus_faults import BUS_FAULTS
from canlens.rehearsal.capture import captured
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.install import BIT_RATE, Install, install_of
from canlens.rehearsal.output_faults import OUTPUT_FAULTS
from canlens.rehearsal.person import draw_schedule, meter_readings, noted_marks, seen_outputs
from canlens.rehearsal.simulation import simulate
from canlens.rehearsal.situations import with_situations
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Mark, Observation, Plan, Readings
    from canlens.rehearsal.install import Fault, Subject
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.rehearsal.person import Schedule
    from canlens.results.finding import Scope
    from canlens.trace import Trace

FAULTS: dict[str, Fault] = {fault.cause: fault for fault in (*BUS_FAULTS, *OUTPUT_FAULTS)}
"""Every fault that can be rehearsed, by its name."""
START_S = 1_760_000_000
"""Clock of the recorder when it starts, if nothing else is asked [s since 1970]."""
HIGHEST_LOAD = 0.9
"""Above it a bus does not keep up."""


@dataclass(frozen=True)
class InjectedFault:
    """One fault that was built in.

    Attributes
    ----------
    cause, scope
        As in the catalogue of causes.
    subject
        Names of what is at fault, sorted; empty for the whole bus.
    detail
        What was changed, in one sentence.
    strength
        How strong it is, from 0, hardly to be seen, to 1, gross; some faults have only one.
    """

    cause: str
    scope: Scope
    subject: tuple[str, ...]
    detail: str
    strength: float = 1.0


@dataclass(frozen=True)
class Truth:
    """What the recording must show.

    Attributes
    ----------
    seed
        All that is drawn follows from it.
    faults
        What was built in; empty for a healthy install.
    rules
        Output -> the rule that it really follows; ``always`` and ``never`` for one that follows none.
    situations
        What else was the case, by name.
    """

    seed: int
    faults: tuple[InjectedFault, ...] = ()
    rules: dict[str, str] = field(default_factory=dict)
    situations: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """A recording that an install would give, with a known answer.

    Attributes
    ----------
    trace
        The recording; lines count from 1 as its candump text has them.
    marks
        What the person who operated the controls noted, in the clock of the recording.
    readings
        What the meter read before the recording.
    observed
        What eye and ear saw of the outputs that nothing on the bus shows.
    truth
        What is behind it.
    """

    trace: Trace
    marks: tuple[Mark, ...]
    readings: Readings
    observed: tuple[Observation, ...]
    truth: Truth


def rehearse(
    plan: Plan,
    *,
    fault: str | Sequence[str] | None = None,
    strength: float | Sequence[float] | None = None,
    situations: Sequence[str] = (),
    seed: int = 1,
    start_s: int = START_S,
    bus_load: float = 0.0,
) -> Rehearsal:
    """Make the recording that an install would give.

    Parameters
    ----------
    plan
        What the install is meant to do; its database says what is sent.
    fault
        Name of a cause, or several; ``cause:subject`` or ``cause:subject,subject`` chooses what it
        concerns, else it is drawn. None for an install without faults.
    strength
        How strong the fault is, from 0, hardly to be seen, to 1, gross: one number, or one for each fault;
        drawn if None.
    situations
        What else is the case; ``name:subject`` chooses what it concerns.
    seed
        All that is drawn follows from it: the same plan, fault and seed give the same bytes. Of one seed,
        a healthy and a faulty recording have the same exercises.
    start_s
        Clock of the recorder at the start [s].
    bus_load
        Messages that are in no DBC are added until the bus carries about this share of its time, 0 to 0.9.

    Returns
    -------
    Rehearsal
        The recording, marks, readings of the meter, observations, and the truth.

    Raises
    ------
    UsageError
        No such fault can be rehearsed, or this plan has nothing that it could concern.
    """
    if seed < 0:
        raise UsageError(f"seed {seed}: expected a whole number from 0 on.")
    if not 0.0 <= bus_load <= HIGHEST_LOAD:
        raise UsageError(f"bus load {bus_load:g}: expected a share from 0 to {HIGHEST_LOAD:g}.")
    schedule = draw_schedule(plan, Draws(seed, "schedule"))
    install = healthy_install(plan, schedule, bus_load=bus_load, draws=Draws(seed, "foreign messages"))
    install, faults = with_faults(with_situations(install, situations, seed=seed), fault, strength, seed=seed)
    return rehearse_install(install, faults, seed=seed, start_s=start_s)[0]


def healthy_install(plan: Plan, schedule: Schedule, *, bus_load: float, draws: Draws) -> Install:
    """Return an install that does all that its plan says, on a bus that carries about ``bus_load``."""
    bit_rate = plan.bus.bit_rate or BIT_RATE
    return install_of(plan, schedule, foreign_messages(plan.database, load=bus_load, bit_rate=bit_rate, draws=draws))


def rehearse_install(
    install: Install, faults: Sequence[InjectedFault], *, seed: int, start_s: int = START_S
) -> tuple[Rehearsal, dict[str, OutputCourse]]:
    """Record an install as it is; return the rehearsal and what each output did."""
    plan, schedule = install.plan, install.schedule
    start_ns = start_s * NANOSECONDS_PER_SECOND
    passed, courses = simulate(install, start_ns=start_ns, seed=seed)
    trace = captured(passed, install.capture, start_ns=start_ns, seed=seed)
    rules = {name: _rule_text(install, name) for name in plan.outputs}
    truth = Truth(seed, tuple(faults), rules, install.situations)
    rehearsal = Rehearsal(
        trace,
        noted_marks(schedule, start_s, Draws(seed, "marks")),
        meter_readings(install.meter, Draws(seed, "meter")),
        seen_outputs(plan, schedule, courses, start_s, Draws(seed, "eye")),
        truth,
    )
    return rehearsal, courses


def subjects_of(plan: Plan, cause: str, *, seed: int = 1) -> list[Subject]:
    """List all that a fault could be built into, as it is drawn where nobody chooses."""
    fault = _fault(cause)
    schedule = draw_schedule(plan, Draws(seed, "schedule"))
    install = healthy_install(plan, schedule, bus_load=0.0, draws=Draws(seed, "foreign messages"))
    return (fault.usual or fault.subjects)(install)


def _fault(cause: str) -> Fault:
    """Return the fault of that name."""
    fault = FAULTS.get(cause)
    if fault is None:
        close = get_close_matches(cause, FAULTS, n=3)
        raise UsageError(f"fault '{cause}': expected one of {', '.join(close or FAULTS)}.")
    return fault


def with_faults(
    install: Install,
    fault: str | Sequence[str] | None,
    strength: float | Sequence[float] | None,
    *,
    seed: int,
) -> tuple[Install, list[InjectedFault]]:
    """Build faults into an install, one after the other; arguments as for :func:`rehearse`."""
    wishes = [fault] if isinstance(fault, str) else list(fault or ())
    strengths = [strength] * len(wishes) if strength is None or isinstance(strength, int | float) else list(strength)
    if len(strengths) != len(wishes):
        raise UsageError(f"{len(strengths)} strengths for {len(wishes)} faults: expected one for all or one for each.")
    for one in strengths:
        if one is not None and not 0.0 <= one <= 1.0:
            raise UsageError(f"strength {one:g}: expected a number from 0 to 1.")
    faults: list[InjectedFault] = []
    for wish, one in zip(wishes, strengths, strict=True):
        install, built = build_fault(install, wish, one, before=faults, seed=seed)
        faults.append(built)
    return install, faults


def build_fault(
    install: Install, wish: str, strength: float | None, *, before: Sequence[InjectedFault], seed: int
) -> tuple[Install, InjectedFault]:
    """Build one fault into the install, away from those that are there already."""
    cause, _, names = wish.partition(":")
    fault = _fault(cause)
    draws = Draws(seed, f"fault {cause}")
    subject = _subject(install, fault, names, before, draws)
    if strength is None:
        strength = 1.0 - draws.uniform(0.0, 1.0)
    changed, detail = fault.build(install, subject, draws, strength)
    return changed, InjectedFault(cause, fault.scope, subject, detail, strength)


def _subject(install: Install, fault: Fault, names: str, before: Sequence[InjectedFault], draws: Draws) -> Subject:
    """Choose what a fault concerns: what was asked for, else one drawn of those without a fault so far."""
    possible = fault.subjects(install)
    if names:
        wanted = tuple(sorted(name.strip() for name in names.split(",")))
        if wanted not in possible:
            listed = "; ".join(",".join(one) for one in possible) or "nothing in this plan"
            raise UsageError(f"fault '{fault.cause}' cannot concern '{names}'. It can concern: {listed}.")
        return wanted
    taken = {name for one in before for name in one.subject}
    drawn = possible if fault.usual is None else fault.usual(install)
    free = [one for one in drawn if not taken & set(one)]
    if not free:
        raise UsageError(f"fault '{fault.cause}': nothing in this plan can have it. Choose another fault or plan.")
    return draws.choice(free)


def _rule_text(install: Install, name: str) -> str:
    """Return the rule that an output really follows."""
    model = install.outputs[name]
    if install.is_controller_silent or install.is_bus_dead:
        return "never"
    return str(model.rule) if model.stuck is None else ("always" if model.stuck else "never")
