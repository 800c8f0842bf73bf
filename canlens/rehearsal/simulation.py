"""Simulation: an install → every frame on its bus, in the order in which they end."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.rehearsal.batches import Batch, build_batch
from canlens.rehearsal.controller import carried_by_signal, controller_sources, run_outputs
from canlens.rehearsal.disturbance import QUIET
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.faulty_bus import record_disturbed
from canlens.rehearsal.foreign import foreign_sources
from canlens.rehearsal.lone import lone_sender, only_errors
from canlens.rehearsal.recording import STAMP_NS, record_healthy
from canlens.rehearsal.timeline import Timeline, constant
from canlens.trace import Source, Trace

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.database import Message
    from canlens.plan import Plan
    from canlens.rehearsal import background
    from canlens.rehearsal.habits import Spans
    from canlens.rehearsal.install import Install
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.signals import Floats


def simulate(install: Install, *, start_ns: int, seed: int) -> tuple[Trace, dict[str, OutputCourse]]:
    """Record the bus of an install, and tell what its outputs did.

    Parameters
    ----------
    install
        Who sends what, and what follows what.
    start_ns
        Clock at the moment in which the recorder starts [ns].
    seed
        Of the rehearsal.

    Returns
    -------
    Trace
        One channel, each frame stamped at its end, in microseconds.
    dict
        Output -> what it did; empty where no controller works.
    """
    plan = install.plan
    if install.is_bus_dead:
        return Trace.empty(source=Source(stamp_resolution_ns=STAMP_NS)), {}
    if install.is_rate_wrong:
        return only_errors(plan, install.schedule.awake, start_ns=start_ns, draws=Draws(seed, "wrong rate")), {}
    sources, true = _control_sources(install, seed)
    running = true.get(plan.bus.awake_while or "", constant(1.0))
    foreign = [*install.foreign_messages, *install.doubles]
    switches = foreign_sources(foreign, end_s=install.schedule.end_s, draws=Draws(seed, "foreign switches"))
    vehicle = _batches(install, [*install.vehicle_messages, *foreign], sources | switches, running, seed)
    if install.is_unacknowledged:
        end_s = install.schedule.end_s
        return lone_sender(plan, vehicle, start_ns=start_ns, end_s=end_s, draws=Draws(seed, "lone sender")), {}
    if install.is_controller_silent:
        return _recorded(install, vehicle, {}, start_ns, seed), {}
    seen = _seen(plan, vehicle, record_healthy(plan, vehicle, 0)[1], true)
    courses, dead = run_outputs(install, seen, seed=seed)
    sources |= controller_sources(install, courses, seen, running, seed=seed)
    controller = _batches(install, install.controller_messages, sources, running, seed, dead=dead)
    return _recorded(install, [*vehicle, *controller], courses, start_ns, seed), courses


def _recorded(
    install: Install, batches: Sequence[Batch], courses: Mapping[str, OutputCourse], start_ns: int, seed: int
) -> Trace:
    """Send the frames over the bus as it is."""
    if install.disturbance == QUIET and not install.doubles:
        return record_healthy(install.plan, batches, start_ns)[0]
    return record_disturbed(
        install.plan,
        batches,
        install.disturbance,
        courses,
        start_ns=start_ns,
        end_s=install.schedule.end_s,
        seed=seed,
    )


def _control_sources(install: Install, seed: int) -> tuple[dict[str, background.Source], dict[str, Timeline]]:
    """Return the sources of the controls' signals, and the true state of each control."""
    wanted = {
        name: constant(0.0) if name in install.dead_controls else install.schedule.wanted(name)
        for name in install.plan.controls
    }
    conditions = {name: one.condition for name, one in install.plan.controls.items()}
    return carried_by_signal(conditions, wanted, seed=seed)


def _batches(
    install: Install,
    messages: Sequence[Message],
    sources: Mapping[str, background.Source],
    running: Timeline,
    seed: int,
    *,
    dead: Spans = (),
) -> list[Batch]:
    """Make the frames of all messages that are sent at all."""
    return [
        build_batch(
            message,
            sources,
            awake=install.schedule.awake,
            running=running,
            seed=seed,
            habit=replace(install.habit_of(message), restarts=dead),
        )
        for message in messages
        if message.name not in install.missing
    ]


def _seen(
    plan: Plan, batches: Sequence[Batch], ends_s: Sequence[Floats], true: Mapping[str, Timeline]
) -> dict[str, Timeline]:
    """Return what the controller sees: each change at the end of the first frame that shows it.

    A control whose message is never sent is taken for off.
    """
    arrivals = {batch.message.name: (batch, end_s) for batch, end_s in zip(batches, ends_s, strict=True)}
    seen = {}
    for name, control in plan.controls.items():
        reference = control.condition.reference
        if reference.message.name not in arrivals:
            seen[name] = constant(0.0)
            continue
        batch, end_s = arrivals[reference.message.name]
        rows = batch.carries(reference.definition.name)
        seen[name] = Timeline(end_s[rows], true[name].at(batch.ready_s[rows]), true[name].first).jumps()
    return seen
