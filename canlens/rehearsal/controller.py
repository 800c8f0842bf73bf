"""The accessory controller: what it sees of the controls, what its outputs do, what it tells the bus."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.background import Source
from canlens.rehearsal.conditions import limits_of, meaning_of, value_range
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.encoding import to_raw, to_value
from canlens.rehearsal.loads import feed_of, load_of, measured_current, measured_supply, measured_voltage
from canlens.rehearsal.output_model import delayed
from canlens.rehearsal.supply import draw_restarts
from canlens.rehearsal.timeline import Timeline, from_spans

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy.typing as npt

    from canlens.database import SignalDefinition
    from canlens.plan import Condition, SignalReference
    from canlens.rehearsal.habits import Spans
    from canlens.rehearsal.install import Install
    from canlens.rehearsal.output_model import OutputCourse
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
    return {name: run(name, dead) for name in install.outputs}, dead


def controller_sources(
    install: Install,
    courses: Mapping[str, OutputCourse],
    seen: Mapping[str, Timeline],
    running: Timeline,
    *,
    seed: int,
) -> dict[str, Source]:
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


def _scaled(reference: SignalReference, value: Callable[[Floats], Floats], changes_s: Floats) -> Source:
    return Source(lambda time_s: to_raw(reference.definition, value(time_s)), changes_s)


def _inputs(install: Install, seen: Mapping[str, Timeline], seed: int) -> dict[str, Source]:
    """Return the sources of the controller's own input bits."""
    noticed = {name: control.noticed for name, control in install.plan.controls.items() if control.noticed is not None}
    wanted = {
        name: from_spans(delayed(seen[name].spans(np.inf), NOTICE_S, Draws(seed, f"noticed {name}")))
        for name in noticed
    }
    return carried_by_signal(noticed, wanted, seed=seed)[0]


def _commands(install: Install, courses: Mapping[str, OutputCourse], seed: int) -> dict[str, Source]:
    """Return the sources of the signals that tell the state of the outputs."""
    commands = {name: one.command for name, one in install.plan.outputs.items() if one.command is not None}
    return carried_by_signal(commands, {name: courses[name].told for name in commands}, seed=seed)[0]


def carried_by_signal(
    conditions: Mapping[str, Condition], wanted: Mapping[str, Timeline], *, seed: int
) -> tuple[dict[str, Source], dict[str, Timeline]]:
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
    sources: dict[str, Source] = {}
    true: dict[str, Timeline] = {}
    for path, sharing in by_path.items():
        definition = next(iter(sharing.values())).reference.definition
        raw, shown = meaning_of(definition, sharing).carry(wanted)
        sources[path] = _source(raw, definition, limits_of(sharing.values()), Draws(seed, f"value {path}"))
        true |= shown
    return sources, true


def _source(raw: Timeline, definition: SignalDefinition, limits: list[float], draws: Draws) -> Source:
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

    return Source(value, raw.jumps().time_s)
