"""Output faults: small changes of controls, controller and outputs, by the names of the catalogue of causes."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

from canlens.plan.rule import Rule
from canlens.rehearsal.install import Fault, changed_output, outputs_with, told_outputs
from canlens.rehearsal.needs import NO_CYCLE_S, status_interval_s
from canlens.rehearsal.output_model import FULL_LEVEL, Trip

if TYPE_CHECKING:
    from canlens.plan import Output
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.install import Install, Subject

LATE = (1.5, 2.5)
"""A late answer, as a multiple of what the plan allows, and at least one status interval behind it."""
SHORTER = (0.7, 0.35)
LONGER = (1.25, 1.8)
"""A timer that differs, as a share of the planned one."""
CLEARLY = 3.0
"""A timer or a level differs by at least this many tolerances."""
SLOWER = (0.65, 0.35)
FASTER = (1.4, 2.2)
"""A flashing that differs, as a share of the planned frequency."""
DIMMER = (0.15, 0.6)
"""How far a level is off, as a share of the planned one."""
LEAST_LEVEL = 4.0
FLASHES_SHOWN = 0.8
"""A flashing is shown while half a period lasts longer than a status interval, with some room."""


def _pairs(install: Install) -> list[Subject]:
    """Return the pairs of outputs with different rules."""
    return [
        (one.name, other.name) if one.name < other.name else (other.name, one.name)
        for one, other in combinations(told_outputs(install), 2)
        if not one.when.same_as(other.when)
    ]


def _swap(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws, strength
    one, other = subject
    function = {
        name: {key: getattr(install.outputs[name], key) for key in ("rule", "run_on_s", "cut_after_s")}
        for name in subject
    }
    swapped = changed_output(changed_output(install, one, **function[other]), other, **function[one])
    return swapped, f"{one} follows '{function[other]['rule']}' and {other} follows '{function[one]['rule']}'"


def _strangers(install: Install, output: Output) -> list[str]:
    """Return the controls that an output could follow by mistake."""
    return [name for name in install.plan.controls if name not in output.when.controls]


def _follow(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del strength
    output = install.plan.outputs[subject[0]]
    control = draws.choice(_strangers(install, output))
    return changed_output(install, output.name, rule=Rule.of(control)), f"{output.name} follows '{control}'"


def _never(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws, strength
    return changed_output(install, subject[0], stuck=0), f"{subject[0]} is never commanded"


def _always(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws, strength
    return changed_output(install, subject[0], stuck=1), f"{subject[0]} is on from the first moment to the last"


def _late(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws
    output = install.plan.outputs[subject[0]]
    late_s = max(output.within_s * _between(LATE, strength), output.within_s + 2.0 * status_interval_s(output))
    changed = changed_output(install, output.name, latency_s=(late_s, 1.05 * late_s))
    return changed, f"{output.name} answers after {late_s:.2f} s, planned within {output.within_s:g} s"


def _between(ends: tuple[float, float], strength: float) -> float:
    return ends[0] + (ends[1] - ends[0]) * strength


def _other_time(planned_s: float, tolerance_s: float, strength: float, draws: Draws) -> float:
    """Draw a time that is clearly shorter or longer than the planned one."""
    if draws.integer(0, 1) == 0:
        return max(planned_s * _between(LONGER, strength), planned_s + CLEARLY * tolerance_s)
    return max(0.0, min(planned_s * _between(SHORTER, strength), planned_s - CLEARLY * tolerance_s))


def _run_on(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    planned_s = output.run_on_s or 0.0
    time_s = _other_time(planned_s, output.run_on_tolerance_s, strength, draws)
    changed = changed_output(install, output.name, run_on_s=time_s)
    return changed, f"{output.name} runs on for {time_s:.1f} s, planned {planned_s:g} s"


def _cut_off(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    planned_s = output.cut_after_s or 0.0
    time_s = _other_time(planned_s, output.cut_after_tolerance_s, strength, draws)
    changed = changed_output(install, output.name, cut_after_s=time_s)
    return changed, f"{output.name} is cut off after {time_s:.1f} s, planned {planned_s:g} s"


def _level(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    """Change the level by day or, where there is one, by night: lower it or, where there is room, raise it."""
    output = install.plan.outputs[subject[0]]
    model = install.outputs[output.name]
    times = [key for key in ("level_day", "level_night") if getattr(model, key) is not None]
    key = draws.choice(times)
    planned = float(getattr(model, key))
    step = max(CLEARLY * output.level_tolerance, planned * _between(DIMMER, strength))
    low, high = planned - step, planned + step
    if high <= FULL_LEVEL and (low < LEAST_LEVEL or draws.integer(0, 1)):
        level = high
    else:
        level = low if low >= LEAST_LEVEL else max(LEAST_LEVEL, planned - CLEARLY * output.level_tolerance)
    when = "by day" if key == "level_day" else "by night"
    return changed_output(
        install, output.name, **{key: level}
    ), f"{output.name} is at {level:.0f} % {when}, planned {planned:g} %"


def _flash(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    """Let it flash slower, or faster if its status message still shows that."""
    output = install.plan.outputs[subject[0]]
    planned_hz = output.flash_hz or 0.0
    flash_hz = planned_hz * _between(SLOWER, strength)
    faster_hz = planned_hz * _between(FASTER, strength)
    if draws.integer(0, 1) and _is_shown(faster_hz, output):
        flash_hz = faster_hz
    changed = changed_output(install, output.name, flash_hz=flash_hz)
    return changed, f"{output.name} flashes at {flash_hz:.2f} Hz, planned {planned_hz:g} Hz"


def _open(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws, strength
    return changed_output(install, subject[0], is_open=True), f"no current flows from {subject[0]}"


def _over(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del strength
    output = install.plan.outputs[subject[0]]
    message = output.current.message if output.current is not None else None
    seen_s = (message.cycle_time_s if message is not None else None) or NO_CYCLE_S
    after_s = max(draws.uniform(0.05, 0.4), 1.3 * seen_s)
    trip = Trip(after_s, draws.integer(0, 3), draws.uniform(0.4, 1.0), is_reported=draws.integer(0, 1) == 1)
    changed = changed_output(install, output.name, trip=trip)
    return (
        changed,
        f"{output.name} draws too much and is switched off after {after_s:.2f} s, {trip.tries} new tries",
    )


def _operated(install: Install) -> list[Subject]:
    """Return the controls that an output rests on; not the ignition, without which nothing goes."""
    used = {name for output in told_outputs(install) for name in output.when.controls}
    return [(name,) for name in install.plan.controls if name in used and name != install.plan.bus.awake_while]


def _dead_control(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws, strength
    changed = replace(install, dead_controls=install.dead_controls | set(subject))
    return changed, f"the signal of {subject[0]} does not move"


def _cyclic(install: Install) -> list[Subject]:
    """Return the vehicle's cyclic messages that the plan needs, else all; not that of the ignition."""
    ignition = install.plan.controls.get(install.plan.bus.awake_while or "")
    kept = ignition.condition.reference.message.name if ignition is not None else ""
    cyclic = [one.name for one in install.vehicle_messages if one.cycle_time_s and one.name != kept]
    needed = {control.condition.reference.message.name for control in install.plan.controls.values()}
    return [(name,) for name in cyclic if name in needed] or [(name,) for name in cyclic]


def _missing(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws, strength
    return replace(install, missing=install.missing | set(subject)), f"{subject[0]} is never sent"


def _silent(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del subject, draws, strength
    return replace(install, is_controller_silent=True), "the controller sends nothing and switches nothing"


def _flashing_shown(output: Output) -> bool:
    """Tell whether the output flashes, and slowly enough for its status message to show it."""
    return bool(output.flash_hz) and _is_shown(output.flash_hz or 0.0, output)


def _is_shown(flash_hz: float, output: Output) -> bool:
    """Tell whether an output's status message is fast enough for a flashing."""
    return 2.0 * flash_hz * status_interval_s(output) < FLASHES_SHOWN


OUTPUT_FAULTS: tuple[Fault, ...] = (
    Fault("message-missing", "bus", _cyclic, _missing),
    Fault("controller-silent", "controller", lambda one: [()] if one.controller_messages else [], _silent),
    Fault("control-never-changes", "control", _operated, _dead_control),
    Fault("outputs-swapped", "output", _pairs, _swap),
    Fault(
        "output-follows-other-control",
        "output",
        lambda install: [(one.name,) for one in told_outputs(install) if _strangers(install, one)],
        _follow,
    ),
    Fault("output-not-commanded", "output", outputs_with(lambda _: True), _never),
    Fault("output-always-on", "output", outputs_with(lambda _: True), _always),
    Fault("answer-late", "output", outputs_with(lambda _: True), _late),
    Fault("run-on-differs", "output", outputs_with(lambda one: one.run_on_s is not None), _run_on),
    Fault("cut-off-differs", "output", outputs_with(lambda one: one.cut_after_s is not None), _cut_off),
    Fault(
        "level-differs",
        "output",
        outputs_with(lambda one: one.level is not None and one.level_day is not None),
        _level,
    ),
    Fault("flash-differs", "output", outputs_with(_flashing_shown), _flash),
    Fault("load-open", "output", outputs_with(lambda one: one.current is not None), _open),
    Fault(
        "load-over-current",
        "output",
        outputs_with(lambda one: one.current is not None and (one.peak_a or one.continuous_a) is not None),
        _over,
    ),
)
"""Faults of controls, controller and outputs."""
