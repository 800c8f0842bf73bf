"""Situations: what real installs and recorders do besides faults, each by its name; several can be the case at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING

from canlens.errors import UsageError
from canlens.plan.rule import Name, Not, Rule
from canlens.rehearsal.capture import ClockStep
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.feed import Sag
from canlens.rehearsal.install import Habit, Window, changed_output, told_outputs
from canlens.rehearsal.needs import holds, switched_on_by
from canlens.rehearsal.person import Operation

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.plan import Control, Output
    from canlens.rehearsal.install import Install
    from canlens.rehearsal.timeline import Spans

BURST_S = 0.2
BURSTS_APART_S = (2.0, 12.0)
BATCH_S = (0.005, 0.03)
COARSE_S = (0.001, 0.01)
BACK_S = (-3600.0, -0.5)
FORWARD_S = (1.5, 3600.0)
MIDDLE = (0.35, 0.65)
"""What happens half-way happens at such a share of the recording."""
SHORT_LEAD_S = (0.0, 0.05)
LONG_LEAD_S = 0.14
BOUNCE_S = (0.005, 0.03)
HOVER_A = (0.075, 0.1)
HOVER_NOISE_A = (0.012, 0.022)
LAG_S = 0.4
HALF = (0.42, 0.55)
BREAK_S = (0.05, 0.5)
BREAKS_APART_S = (0.6, 2.5)
REST_S = (0.8, 3.0)
WORKS_S = (0.6, 2.5)
SAG_V = (1.5, 2.2)
ENGINE_NOISE = (0.001, 0.01)
SWITCHED_APART_S = (12.0, 30.0)
SWITCHED_S = (6.0, 14.0)
DOOR_AFTER_S = (4.0, 8.0)
DOOR_S = (3.0, 6.0)
"""Times, shares and currents that are drawn for a situation; our choice, from what workshops meet."""


@dataclass(frozen=True)
class Situation:
    """Something that is the case.

    Attributes
    ----------
    name
        What it is called.
    subjects
        Install -> outputs or controls that it could concern; the empty name where it concerns the whole.
    build
        Install, subject and random numbers -> the changed install.
    """

    name: str
    subjects: Callable[[Install], Sequence[str]]
    build: Callable[[Install, str, Draws], Install]


def with_situations(install: Install, wishes: Sequence[str], *, seed: int) -> Install:
    """Return an install in which all of this is the case.

    Parameters
    ----------
    install
        As it would be without.
    wishes
        Names of situations; ``name:subject`` chooses the output or control, else it is drawn.
    seed
        Of the rehearsal; every situation has random numbers of its own.

    Raises
    ------
    UsageError
        There is no such situation, or this install has nothing that it could concern.
    """
    for wish in wishes:
        name, _, subject = wish.partition(":")
        found = SITUATIONS.get(name)
        if found is None:
            close = get_close_matches(name, SITUATIONS, n=3)
            raise UsageError(f"situation '{name}': expected one of {', '.join(close or SITUATIONS)}.")
        possible = found.subjects(install)
        if not possible or (subject and subject not in possible):
            raise UsageError(f"situation '{wish}': nothing in this plan can have it. Choose another one or plan.")
        draws = Draws(seed, f"situation {name}")
        chosen = draws.choice(possible)
        chosen = subject or chosen
        told = f"{name}:{chosen}" if chosen else name
        install = replace(found.build(install, chosen, draws), situations=(*install.situations, told))
    return install


def _whole(install: Install) -> list[str]:
    del install
    return [""]


def _captured(install: Install, **changes: object) -> Install:
    return replace(install, capture=replace(install.capture, **changes))  # type: ignore[arg-type]


def _lost(share: float) -> Callable[[Install, str, Draws], Install]:
    return lambda install, _, __: _captured(install, lost=share)


def _bursts(install: Install, subject: str, draws: Draws) -> Install:
    del subject
    starts = _times(BURSTS_APART_S, install.schedule.end_s, draws)
    return _captured(install, gaps=tuple((start, start + BURST_S) for start in starts))


def _times(apart_s: tuple[float, float], end_s: float, draws: Draws) -> list[float]:
    """Draw times so far apart, up to the end."""
    times = [draws.uniform(*apart_s)]
    while times[-1] < end_s:
        times.append(times[-1] + draws.uniform(*apart_s))
    return times[:-1]


def _batches(install: Install, subject: str, draws: Draws) -> Install:
    del subject
    return _captured(install, batch_s=draws.uniform(*BATCH_S))


def _coarse(install: Install, subject: str, draws: Draws) -> Install:
    del subject
    return _captured(install, stamp_s=draws.choice(COARSE_S))


def _twice(install: Install, subject: str, draws: Draws) -> Install:
    del subject, draws
    return _captured(install, is_twice=True)


def _clock(by_s: tuple[float, float] | None) -> Callable[[Install, str, Draws], Install]:
    def build(install: Install, subject: str, draws: Draws) -> Install:
        del subject
        at_s = _halfway(install, draws)
        return _captured(install, steps=(ClockStep(at_s, None if by_s is None else draws.choice(by_s)),))

    return build


def _halfway(install: Install, draws: Draws) -> float:
    return install.schedule.end_s * draws.uniform(*MIDDLE)


def _buttons(install: Install) -> list[str]:
    """Return the controls that an output rests on and that are no switch of the ignition."""
    used = {name for output in told_outputs(install) for name in output.when.controls}
    return [name for name in install.plan.controls if name in used and name != install.plan.bus.awake_while]


def _alone(install: Install) -> list[str]:
    """Return the buttons whose signal no other control shares."""
    paths = [one.condition.reference.path for one in install.plan.controls.values()]
    return [
        name for name in _buttons(install) if paths.count(install.plan.controls[name].condition.reference.path) == 1
    ]


def _wired(install: Install, name: str, **changes: object) -> Install:
    """Return the install with another wiring of a control."""
    changed = replace(install.wiring_of(name), **changes)  # type: ignore[arg-type]
    return replace(install, wirings={**install.wirings, name: changed})


def _short_lead(install: Install, subject: str, draws: Draws) -> Install:
    return _wired(install, subject, lead_s=draws.uniform(*SHORT_LEAD_S))


def _long_lead(install: Install, subject: str, draws: Draws) -> Install:
    del draws
    changed = _wired(install, subject, lead_s=LONG_LEAD_S)
    return _sent_on_change(changed, install.plan.controls[subject])


def _sent_on_change(install: Install, control: Control) -> Install:
    """Return the install in which a control's message is sent on every change too."""
    message = control.condition.reference.message.name
    way = replace(install.ways.get(message, Habit()), on_change=True)
    return replace(install, ways={**install.ways, message: way})


def _on_change(install: Install, subject: str, draws: Draws) -> Install:
    """Send a control on every change too; its cycle is a slow repetition if the database says so."""
    del draws
    return _sent_on_change(install, install.plan.controls[subject])


def _chatter(install: Install, subject: str, draws: Draws) -> Install:
    changed = _wired(install, subject, bounce_s=draws.uniform(*BOUNCE_S))
    return _sent_on_change(changed, install.plan.controls[subject])


def _unseen(install: Install, subject: str, draws: Draws) -> Install:
    del draws
    return _wired(install, subject, is_seen=False)


def _pressed_once(install: Install, subject: str, draws: Draws) -> Install:
    """Let the person operate a control once only, the first time after all is switched on."""
    del draws
    schedule = install.schedule
    own = [one for one in schedule.operations if one.control == subject]
    running = [one for one in schedule.operations if one.control == install.plan.bus.awake_while]
    kept = [one for one in own if any(on.start_s < one.start_s < on.end_s for on in running)][:1] or own[:1]
    operations = tuple(one for one in schedule.operations if one.control != subject or one in kept)
    return replace(install, schedule=replace(schedule, operations=operations))


def _gateway(install: Install, subject: str, draws: Draws) -> Install:
    return _wired(install, subject, until_s=_halfway(install, draws))


def _dies(install: Install, subject: str, draws: Draws) -> Install:
    del subject
    return replace(install, dies_s=_halfway(install, draws))


def _unset(install: Install, subject: str, draws: Draws) -> Install:
    del subject, draws
    return replace(install, outputs={name: replace(one, stuck=0) for name, one in install.outputs.items()})


def _outputs(wanted: Callable[[Output], bool]) -> Callable[[Install], list[str]]:
    return lambda install: [one.name for one in told_outputs(install) if wanted(one)]


def _tells_current(output: Output) -> bool:
    return output.current is not None


def _odd_load(install: Install, name: str, **changes: object) -> Install:
    """Return the install with something odd about an output's load."""
    return changed_output(install, name, way=replace(install.outputs[name].way, **changes))  # type: ignore[arg-type]


def _hovers(install: Install, subject: str, draws: Draws) -> Install:
    changed = changed_output(install, subject, load_a=draws.uniform(*HOVER_A))
    return _odd_load(changed, subject, noise_a=draws.uniform(*HOVER_NOISE_A))


def _lags(install: Install, subject: str, draws: Draws) -> Install:
    del draws
    return _odd_load(install, subject, lag_s=LAG_S)


def _half(install: Install, subject: str, draws: Draws) -> Install:
    return changed_output(install, subject, load_a=install.outputs[subject].load_a * draws.uniform(*HALF))


def _loose(install: Install, subject: str, draws: Draws) -> Install:
    return _odd_load(install, subject, rests=_spans(BREAKS_APART_S, BREAK_S, install.schedule.end_s, draws))


def _self_switching(install: Install, subject: str, draws: Draws) -> Install:
    return _odd_load(install, subject, rests=_spans(WORKS_S, REST_S, install.schedule.end_s, draws))


def _drops(install: Install, subject: str, draws: Draws) -> Install:
    spans = _spans(BREAKS_APART_S, BREAK_S, install.schedule.end_s, draws)
    return replace(install, drops={**install.drops, subject: spans})


def _spans(apart_s: tuple[float, float], long_s: tuple[float, float], end_s: float, draws: Draws) -> Spans:
    """Draw spans, one after the other."""
    found, now = [], draws.uniform(*apart_s)
    while now < end_s:
        stop_s = now + draws.uniform(*long_s)
        found.append((now, stop_s))
        now = stop_s + draws.uniform(*apart_s)
    return tuple(found)


def _not_fed(install: Install, subject: str, draws: Draws) -> Install:
    del draws
    return _odd_load(install, subject, is_fed=False)


def _sags(install: Install, subject: str, draws: Draws) -> Install:
    lowest_v = install.plan.controller.supply_min_v or 0.0
    drop_v = max(draws.uniform(*SAG_V), 14.3 - lowest_v + 0.4) if lowest_v else draws.uniform(*SAG_V)
    return replace(install, sag=Sag(subject, drop_v, 0.5, 0.0))


def _watched(install: Install) -> list[str]:
    """Return the outputs that could pull a supply down which the bus tells of."""
    return [one.name for one in told_outputs(install)] if install.plan.controller.supply is not None else []


def _several(install: Install) -> list[str]:
    """Return the outputs that would work with the ignition off, too, if their rule did not forbid it."""
    ignition = str(install.plan.bus.awake_while)
    return [
        one.name
        for one in told_outputs(install)
        if ignition in one.when.controls
        and len(one.when.controls) > 1
        and switched_on_by(one.when, {ignition: False}) is None
        and not holds(one.when, {ignition: True})
    ]


def _never_tried(install: Install, subject: str, draws: Draws) -> Install:
    """Let the box ignore the ignition, and let nobody operate anything while it is off."""
    del draws
    ignition = str(install.plan.bus.awake_while)
    own = install.plan.outputs[subject].when.with_fixed(ignition, state=1)
    on = [(one.start_s, one.end_s) for one in install.schedule.operations if one.control == ignition]
    kept = tuple(
        one
        for one in install.schedule.operations
        if one.control == ignition or any(start <= one.start_s and one.end_s <= end for start, end in on)
    )
    changed = replace(install, schedule=replace(install.schedule, operations=kept))
    return changed_output(changed, subject, rule=own)


def _switches(install: Install) -> list[str]:
    """Return the paths of one-bit signals of the vehicle that the plan has no use for."""
    used = {one.condition.reference.path for one in install.plan.controls.values()}
    paths = [
        f"{message.name}.{signal.name}"
        for message in install.vehicle_messages
        for signal in message.signals
        if signal.length == 1 and message.cycle_time_s and signal.multiplexer is None
    ]
    return [path for path in paths if path not in used] if _outputs(lambda _: True)(install) else []


def _extra(install: Install, subject: str, draws: Draws) -> Install:
    """Let an output work only while a switch is off that the plan does not know."""
    output = draws.choice([one.name for one in told_outputs(install)])
    spans = _spans(SWITCHED_APART_S, SWITCHED_S, install.schedule.end_s, draws)
    rule = install.outputs[output].rule.and_also(Rule.saying(Not(Name(subject))))
    changed = replace(install, unplanned={**install.unplanned, subject: spans})
    return changed_output(changed, output, rule=rule)


def _engine(install: Install, subject: str, draws: Draws) -> Install:
    """Let frames break while the ignition is on: the engine runs."""
    del subject
    share = draws.uniform(*ENGINE_NOISE)
    running = [one for one in install.schedule.operations if one.control == install.plan.bus.awake_while]
    windows = tuple(Window(one.start_s, one.end_s, share) for one in running)
    return replace(install, disturbance=replace(install.disturbance, windows=windows))


def _sleeps(install: Install) -> list[str]:
    return [""] if install.schedule.is_asleep_at_end and install.plan.bus.awake_while else []


def _door(install: Install, subject: str, draws: Draws) -> Install:
    """Let somebody touch a control when the bus has slept for a while, and let that wake it."""
    del subject
    schedule = install.schedule
    allowed_s = install.plan.bus.quiet_after_s or 0.0
    start_s = schedule.end_s + max(schedule.spare_s, 0.1 * allowed_s) + draws.uniform(*DOOR_AFTER_S)
    stop_s = start_s + draws.uniform(*DOOR_S)
    end_s = stop_s + draws.uniform(*DOOR_AFTER_S)
    touched = draws.choice([name for name in install.plan.controls if name != install.plan.bus.awake_while])
    return replace(
        install,
        schedule=replace(
            schedule,
            operations=(*schedule.operations, Operation(touched, start_s, stop_s)),
            awake=(*schedule.awake, (start_s, end_s)),
            end_s=end_s + 2.0,
        ),
    )


def _running_on(install: Install) -> list[str]:
    return [one.name for one in told_outputs(install) if one.run_on_s is not None and one.run_on_s > 1.0]


def _cut_in_run_on(*, first: bool) -> Callable[[Install, str, Draws], Install]:
    """Begin the recording in the run-on of an output's first operation, or end it in that of its last one."""

    def build(install: Install, subject: str, draws: Draws) -> Install:
        output = install.plan.outputs[subject]
        own = [one for one in install.schedule.operations if one.control in output.when.controls]
        own = [one for one in own if one.control != install.plan.bus.awake_while] or own
        last_s = (own[0] if first else own[-1]).end_s
        cut_s = last_s + 0.3 + draws.uniform(0.2, 0.7) * ((output.run_on_s or 0.0) - 0.5)
        before_s, after_s = install.capture.span or (0.0, install.schedule.end_s + 10.0)
        return _captured(install, span=(cut_s, after_s) if first else (before_s, cut_s))

    return build


ALL: tuple[Situation, ...] = (
    Situation("loses-1-percent", _whole, _lost(0.01)),
    Situation("loses-5-percent", _whole, _lost(0.05)),
    Situation("loses-bursts", _whole, _bursts),
    Situation("stamps-in-batches", _whole, _batches),
    Situation("stamps-coarse", _whole, _coarse),
    Situation("written-twice", _whole, _twice),
    Situation("clock-back", _whole, _clock(BACK_S)),
    Situation("clock-restart", _whole, _clock(None)),
    Situation("clock-forward", _whole, _clock(FORWARD_S)),
    Situation("wired", _alone, _short_lead),
    Situation("wired-long-before", _alone, _long_lead),
    Situation("chatters", _alone, _chatter),
    Situation("pressed-once", _alone, _pressed_once),
    Situation("sent-on-change", _buttons, _on_change),
    Situation("control-unseen", _buttons, _unseen),
    Situation("gateway-asleep", _buttons, _gateway),
    Situation("controller-dies", _whole, _dies),
    Situation("configuration-lost", _whole, _unset),
    Situation("current-hovers", _outputs(_tells_current), _hovers),
    Situation("current-lags", _outputs(_tells_current), _lags),
    Situation("half-load", _outputs(_tells_current), _half),
    Situation("load-loose", _outputs(_tells_current), _loose),
    Situation("load-switches-itself", _outputs(_tells_current), _self_switching),
    Situation("output-drops", _outputs(lambda _: True), _drops),
    Situation("output-not-fed", _outputs(lambda one: one.current is not None and one.voltage is not None), _not_fed),
    Situation("supply-sags", _watched, _sags),
    Situation("condition-never-tried", _several, _never_tried),
    Situation("extra-condition", _switches, _extra),
    Situation("engine-noise", _sleeps, _engine),
    Situation("door-wakes", _sleeps, _door),
    Situation("begins-in-run-on", _running_on, _cut_in_run_on(first=True)),
    Situation("ends-in-run-on", _running_on, _cut_in_run_on(first=False)),
)
SITUATIONS: dict[str, Situation] = {one.name: one for one in ALL}
"""All situations by name."""
