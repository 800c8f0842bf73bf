"""Simulation: an install → what its controller sees, does and tells, and every frame on its bus, in order."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.batches import Batch, SignalSource, build_batch, foreign_sources
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.encoding import limits_of, meaning_of, to_raw, to_value, value_range
from canlens.rehearsal.faulty_bus import record_disturbed
from canlens.rehearsal.feed import draw_restarts, feed_of, load_of, measured_current, measured_supply, measured_voltage
from canlens.rehearsal.healthy_bus import STAMP_NS, record_healthy
from canlens.rehearsal.install import ON_THE_BUS, QUIET
from canlens.rehearsal.output_model import delayed, without
from canlens.rehearsal.recorder import lone_sender, only_errors
from canlens.rehearsal.timeline import Timeline, constant, from_spans
from canlens.trace import Source, Trace

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import numpy.typing as npt

    from canlens.database import Message, SignalDefinition
    from canlens.plan import Condition, SignalReference
    from canlens.rehearsal.install import Install
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.rehearsal.timeline import Spans
    from canlens.signals import Floats

NOTICE_S = (0.002, 0.012)
"""From a control's frame to the controller's own input bit [s]."""
TREMBLE_SHARE = 0.04
"""How far a measured value (a pressure, the daylight) trembles, as a share of its height above rest."""
TREMBLE_ROOM = 0.3
"""And at most as a share of its distance from the nearest limit, so that it never crosses it."""


def run_outputs(install: Install, seen: Mapping[str, Timeline], *, seed: int) -> tuple[dict[str, OutputCourse], Spans]:
    """Let every output follow the controls as the controller sees them.

    Returns
    -------
    dict
        Output -> what it did.
    Spans
        When the controller was dead, since its supply sagged.
    """
    end_s = install.schedule.end_s

    def run(name: str, dead: Spans) -> OutputCourse:
        return install.outputs[name].run(seen, end_s=end_s, draws=Draws(seed, f"output {name}"), dead=dead)

    dead: Spans = ()
    if install.sag is not None:
        lit = run(install.sag.output, ()).lit
        dead = draw_restarts(install.sag, lit.spans(end_s), Draws(seed, "restarts"))
    if install.dies_s is not None:
        dead = (*(span for span in dead if span[1] < install.dies_s), (install.dies_s, end_s + 1.0))
    return {name: without(run(name, dead), install.drops.get(name, ())) for name in install.outputs}, dead


def controller_sources(
    install: Install,
    courses: Mapping[str, OutputCourse],
    seen: Mapping[str, Timeline],
    running: Timeline,
    *,
    seed: int,
) -> dict[str, SignalSource]:
    """Return the sources of all signals with which the controller tells of itself, by path.

    Where one signal serves twice (a level that is also the command), the level decides, then current,
    voltage, command.
    """
    plan = install.plan
    loads = {
        name: load_of(output, install.outputs[name], courses[name], Draws(seed, f"load {name}"))
        for name, output in plan.outputs.items()
    }
    feed = feed_of(running, list(loads.values()), Draws(seed, "supply"))
    if install.sag is not None:
        feed = replace(feed, sagging=courses[install.sag.output].lit, sag_v=install.sag.drop_v)
    sources = _inputs(install, seen, seed)
    sources |= _commands(install, courses, seed)

    def tell(reference: SignalReference | None, value: Callable[[Floats], Floats], changes_s: Floats) -> None:
        if reference is not None:
            sources[reference.path] = _scaled(reference, value, changes_s)

    for name, output in plan.outputs.items():
        changes_s = courses[name].level.time_s
        tell(output.voltage, measured_voltage(feed, loads[name], Draws(seed, f"volts {name}")), changes_s)
        tell(output.current, measured_current(loads[name], Draws(seed, f"amps {name}")), changes_s)
        tell(output.level, courses[name].level.at, changes_s)
    tell(plan.controller.supply, measured_supply(feed, Draws(seed, "supply noise")), np.zeros(0))
    return sources


def _scaled(reference: SignalReference, value: Callable[[Floats], Floats], changes_s: Floats) -> SignalSource:
    return SignalSource(lambda time_s: to_raw(reference.definition, value(time_s)), changes_s)


def _inputs(install: Install, seen: Mapping[str, Timeline], seed: int) -> dict[str, SignalSource]:
    """Return the sources of the controller's own input bits."""
    noticed = {name: control.noticed for name, control in install.plan.controls.items() if control.noticed is not None}
    wanted = {
        name: from_spans(delayed(seen[name].spans(np.inf), NOTICE_S, Draws(seed, f"noticed {name}")))
        for name in noticed
    }
    return carried_by_signal(noticed, wanted, seed=seed)[0]


def _commands(install: Install, courses: Mapping[str, OutputCourse], seed: int) -> dict[str, SignalSource]:
    """Return the sources of the signals that tell the state of the outputs."""
    commands = {name: one.command for name, one in install.plan.outputs.items() if one.command is not None}
    return carried_by_signal(commands, {name: courses[name].told for name in commands}, seed=seed)[0]


def carried_by_signal(
    conditions: Mapping[str, Condition], wanted: Mapping[str, Timeline], *, seed: int
) -> tuple[dict[str, SignalSource], dict[str, Timeline]]:
    """Turn the states that conditions should show into raw values of their signals.

    Returns
    -------
    dict
        Path of each signal -> its source.
    dict
        Name of each condition -> the state that it really shows, 1 or 0.
    """
    by_path: dict[str, dict[str, Condition]] = {}
    for name, condition in conditions.items():
        by_path.setdefault(condition.reference.path, {})[name] = condition
    sources: dict[str, SignalSource] = {}
    true: dict[str, Timeline] = {}
    for path, sharing in by_path.items():
        definition = next(iter(sharing.values())).reference.definition
        raw, shown = meaning_of(definition, sharing).carry(wanted)
        sources[path] = _source(raw, definition, limits_of(sharing.values()), Draws(seed, f"value {path}"))
        true |= shown
    return sources, true


def _source(raw: Timeline, definition: SignalDefinition, limits: list[float], draws: Draws) -> SignalSource:
    """Return a source that jumps from one raw value to the next; one that is compared with limits trembles, too."""

    def value(time_s: Floats) -> npt.NDArray[np.generic]:
        picked = raw.at(time_s)
        if not limits:
            return picked if definition.is_float else picked.astype(np.int64)
        steady = to_value(definition, picked)
        room = np.min([np.abs(steady - limit) for limit in limits], axis=0)
        above_rest = np.abs(steady - value_range(definition, limits)[0])
        reach = np.minimum(TREMBLE_SHARE * above_rest, TREMBLE_ROOM * room)
        return to_raw(definition, steady + reach * draws.uniforms(-1.0, 1.0, len(time_s)))

    return SignalSource(value, raw.jumps().time_s)


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
    seen = _seen(install, vehicle, record_healthy(plan, vehicle, 0)[1], true)
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


def _control_sources(install: Install, seed: int) -> tuple[dict[str, SignalSource], dict[str, Timeline]]:
    """Return the sources of the controls' signals, and the true state of each control."""
    wanted = {
        name: constant(0.0) if name in install.dead_controls else _told(install, name, seed)
        for name in install.plan.controls
    }
    conditions = {name: one.condition for name, one in install.plan.controls.items()}
    sources, true = carried_by_signal(conditions, wanted, seed=seed)
    return sources | {path: _unplanned(spans) for path, spans in install.unplanned.items()}, true


def _told(install: Install, control: str, seed: int) -> Timeline:
    """Return the state of a control that the vehicle tells: as it is operated, through its wiring."""
    wanted, wiring = install.schedule.wanted(control), install.wiring_of(control)
    if wiring == ON_THE_BUS:
        return wanted
    spans = [(start, min(end, wiring.until_s)) for start, end in wanted.spans(np.inf) if start < wiring.until_s]
    if wiring.bounce_s:
        draws = Draws(seed, f"bounces {control}")
        spans = [part for start, end in spans for part in bounced(start, end, wiring.bounce_s, draws)]
    lead_s = wiring.lead_s or 0.0
    return from_spans([(start + lead_s, end + lead_s) for start, end in spans])


def bounced(start_s: float, end_s: float, bounce_s: float, draws: Draws) -> list[tuple[float, float]]:
    """Return what a contact does that bounces two or three times after it closed: spans in which it is closed."""
    edges = sorted(draws.uniforms(start_s, min(start_s + bounce_s, end_s), 2 * draws.integer(2, 3)).tolist())
    return list(zip([start_s, *edges[1::2]], [*edges[::2], end_s], strict=True))


def _unplanned(spans: Spans) -> SignalSource:
    """Return the source of a switch that the plan does not know."""
    line = from_spans(spans)
    return SignalSource(lambda time_s: line.at(time_s).astype(np.int64), line.time_s)


def _batches(
    install: Install,
    messages: Sequence[Message],
    sources: Mapping[str, SignalSource],
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
    install: Install, batches: Sequence[Batch], ends_s: Sequence[Floats], true: Mapping[str, Timeline]
) -> dict[str, Timeline]:
    """Return what the controller sees: each change at the end of the first frame that shows it.

    A control whose message is never sent is taken for off; one that is wired is seen at once.
    """
    arrivals = {batch.message.name: (batch, end_s) for batch, end_s in zip(batches, ends_s, strict=True)}
    seen = {path: from_spans(spans) for path, spans in install.unplanned.items()}
    for name, control in install.plan.controls.items():
        reference = control.condition.reference
        if (wiring := install.wiring_of(name)).lead_s is not None:
            seen[name] = install.schedule.wanted(name)
            continue
        if reference.message.name not in arrivals or not wiring.is_seen:
            seen[name] = constant(0.0)
            continue
        if control.wired:
            seen[name] = true[name]
            continue
        batch, end_s = arrivals[reference.message.name]
        rows = batch.carries(reference.definition.name)
        seen[name] = Timeline(end_s[rows], true[name].at(batch.ready_s[rows]), true[name].first).jumps()
    return seen
