"""Faults: small changes of a healthy install, by the names of the catalogue of causes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

from canlens.plan.rule import Rule
from canlens.rehearsal.needs import NO_CYCLE_S, status_interval_s
from canlens.rehearsal.output_model import Trip

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.findings import Scope
    from canlens.plan import Output
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.install import Install
    from canlens.rehearsal.output_model import OutputModel

Subject = tuple[str, ...]
"""Names of what a fault is built into, sorted."""

LATE = (1.5, 2.5)
"""A late answer, as a multiple of what the plan allows, and at least one status interval behind it."""
SHORTER = (0.35, 0.7)
"""A timer that differs, as a share of the planned one; shorter, so that its end is seen however soon the
bus sleeps."""
CLEARLY = 3.0
"""A timer or a level differs by at least this many tolerances."""
SLOWER = (0.4, 0.6)
"""A flashing that differs, as a share of the planned frequency."""


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
        Install, subject and random numbers -> the changed install, and what was changed, in a sentence.
    """

    cause: str
    scope: Scope
    subjects: Callable[[Install], list[Subject]]
    build: Callable[[Install, Subject, Draws], tuple[Install, str]]


def _told_outputs(install: Install) -> list[Output]:
    """Return the outputs whose state the bus shows."""
    return [output for output in install.plan.outputs.values() if output.command is not None]


def _outputs_with(wanted: Callable[[Output], bool]) -> Callable[[Install], list[Subject]]:
    return lambda install: [(output.name,) for output in _told_outputs(install) if wanted(output)]


def _changed(install: Install, name: str, **changes: object) -> Install:
    """Return the install with one output's model changed."""
    model: OutputModel = replace(install.outputs[name], **changes)  # type: ignore[arg-type]
    return replace(install, outputs={**install.outputs, name: model})


def _pairs(install: Install) -> list[Subject]:
    """Return the pairs of outputs with different rules."""
    return [
        (one.name, other.name) if one.name < other.name else (other.name, one.name)
        for one, other in combinations(_told_outputs(install), 2)
        if not one.when.same_as(other.when)
    ]


def _swap(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del draws
    one, other = subject
    function = {
        name: {key: getattr(install.outputs[name], key) for key in ("rule", "run_on_s", "cut_after_s")}
        for name in subject
    }
    swapped = _changed(_changed(install, one, **function[other]), other, **function[one])
    return swapped, f"{one} follows '{function[other]['rule']}' and {other} follows '{function[one]['rule']}'"


def _strangers(install: Install, output: Output) -> list[str]:
    """Return the controls that an output could follow by mistake."""
    return [name for name in install.plan.controls if name not in output.when.controls]


def _follow(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    control = draws.choice(_strangers(install, output))
    return _changed(install, output.name, rule=Rule.of(control)), f"{output.name} follows '{control}'"


def _never(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del draws
    return _changed(install, subject[0], stuck=0), f"{subject[0]} is never commanded"


def _always(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del draws
    return _changed(install, subject[0], stuck=1), f"{subject[0]} is on from the first moment to the last"


def _late(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    late_s = max(output.within_s * draws.uniform(*LATE), output.within_s + 2.0 * status_interval_s(output))
    changed = _changed(install, output.name, latency_s=(late_s, 1.05 * late_s))
    return changed, f"{output.name} answers after {late_s:.2f} s, planned within {output.within_s:g} s"


def _shorter(planned_s: float, tolerance_s: float, draws: Draws) -> float:
    """Draw a time that is clearly shorter than the planned one."""
    return max(0.0, min(planned_s * draws.uniform(*SHORTER), planned_s - CLEARLY * tolerance_s))


def _run_on(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    planned_s = output.run_on_s or 0.0
    time_s = _shorter(planned_s, output.run_on_tolerance_s, draws)
    changed = _changed(install, output.name, run_on_s=time_s)
    return changed, f"{output.name} runs on for {time_s:.1f} s, planned {planned_s:g} s"


def _cut_off(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    planned_s = output.cut_after_s or 0.0
    time_s = _shorter(planned_s, output.cut_after_tolerance_s, draws)
    changed = _changed(install, output.name, cut_after_s=time_s)
    return changed, f"{output.name} is cut off after {time_s:.1f} s, planned {planned_s:g} s"


def _level(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    """Lower the level by day or, where there is one, by night."""
    output = install.plan.outputs[subject[0]]
    model = install.outputs[output.name]
    times = [key for key in ("level_day", "level_night") if getattr(model, key) is not None]
    key = draws.choice(times)
    planned = float(getattr(model, key))
    level = max(1.0, planned - max(CLEARLY * output.level_tolerance, planned * draws.uniform(0.25, 0.6)))
    if planned - level <= output.level_tolerance:
        level = planned + CLEARLY * output.level_tolerance
    when = "by day" if key == "level_day" else "by night"
    return _changed(
        install, output.name, **{key: level}
    ), f"{output.name} is at {level:.0f} % {when}, planned {planned:g} %"


def _flash(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    planned_hz = output.flash_hz or 0.0
    flash_hz = planned_hz * draws.uniform(*SLOWER)
    changed = _changed(install, output.name, flash_hz=flash_hz)
    return changed, f"{output.name} flashes at {flash_hz:.2f} Hz, planned {planned_hz:g} Hz"


def _open(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del draws
    return _changed(install, subject[0], is_open=True), f"no current flows from {subject[0]}"


def _over(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    output = install.plan.outputs[subject[0]]
    message = output.current.message if output.current is not None else None
    seen_s = (message.cycle_time_s if message is not None else None) or NO_CYCLE_S
    after_s = max(draws.uniform(0.05, 0.4), 1.3 * seen_s)
    trip = Trip(after_s, draws.integer(0, 3), draws.uniform(0.4, 1.0), is_reported=draws.integer(0, 1) == 1)
    changed = _changed(install, output.name, trip=trip)
    return (
        changed,
        f"{output.name} draws too much and is switched off after {after_s:.2f} s, {trip.tries} new tries",
    )


def _operated(install: Install) -> list[Subject]:
    """Return the controls that an output rests on; not the ignition, without which nothing goes."""
    used = {name for output in _told_outputs(install) for name in output.when.controls}
    return [(name,) for name in install.plan.controls if name in used and name != install.plan.bus.awake_while]


def _dead_control(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del draws
    changed = replace(install, dead_controls=install.dead_controls | set(subject))
    return changed, f"the signal of {subject[0]} does not move"


def _cyclic(install: Install) -> list[Subject]:
    """Return the vehicle's cyclic messages that the plan needs, else all; not that of the ignition."""
    ignition = install.plan.controls.get(install.plan.bus.awake_while or "")
    kept = ignition.condition.reference.message.name if ignition is not None else ""
    cyclic = [one.name for one in install.vehicle_messages if one.cycle_time_s and one.name != kept]
    needed = {control.condition.reference.message.name for control in install.plan.controls.values()}
    return [(name,) for name in cyclic if name in needed] or [(name,) for name in cyclic]


def _missing(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del draws
    return replace(install, missing=install.missing | set(subject)), f"{subject[0]} is never sent"


def _silent(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del subject, draws
    return replace(install, is_controller_silent=True), "the controller sends nothing and switches nothing"


def _dead_bus(install: Install, subject: Subject, draws: Draws) -> tuple[Install, str]:
    del subject, draws
    return replace(install, is_bus_dead=True), "nobody sends anything"


def _bus(install: Install) -> list[Subject]:
    del install
    return [()]


def _flashing_shown(output: Output) -> bool:
    """Tell whether the output flashes, and slowly enough for its status message to show it."""
    return bool(output.flash_hz) and 2.0 * (output.flash_hz or 0.0) * status_interval_s(output) < 1.0


FAULTS: dict[str, Fault] = {
    fault.cause: fault
    for fault in (
        Fault("no-traffic", "bus", _bus, _dead_bus),
        Fault("message-missing", "bus", _cyclic, _missing),
        Fault("controller-silent", "controller", lambda one: [()] if one.controller_messages else [], _silent),
        Fault("control-never-changes", "control", _operated, _dead_control),
        Fault("outputs-swapped", "output", _pairs, _swap),
        Fault(
            "output-follows-other-control",
            "output",
            lambda install: [(one.name,) for one in _told_outputs(install) if _strangers(install, one)],
            _follow,
        ),
        Fault("output-not-commanded", "output", _outputs_with(lambda _: True), _never),
        Fault("output-always-on", "output", _outputs_with(lambda _: True), _always),
        Fault("answer-late", "output", _outputs_with(lambda _: True), _late),
        Fault("run-on-differs", "output", _outputs_with(lambda one: one.run_on_s is not None), _run_on),
        Fault("cut-off-differs", "output", _outputs_with(lambda one: one.cut_after_s is not None), _cut_off),
        Fault(
            "level-differs",
            "output",
            _outputs_with(lambda one: one.level is not None and one.level_day is not None),
            _level,
        ),
        Fault("flash-differs", "output", _outputs_with(_flashing_shown), _flash),
        Fault("load-open", "output", _outputs_with(lambda one: one.current is not None), _open),
        Fault(
            "load-over-current",
            "output",
            _outputs_with(lambda one: one.current is not None and (one.peak_a or one.continuous_a) is not None),
            _over,
        ),
    )
}
"""Every fault that can be rehearsed, by the name of its cause."""
