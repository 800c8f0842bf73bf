"""What each control must be put through so that a recording can prove the outputs of a plan."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.nouns import timer_tolerance_s

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canlens.plan import Condition, Output, Plan, Rule

MARGIN_S = 0.35
"""Added to the least time a state must last."""
TIMER_MARGIN_S = 1.5
"""Added to a timer and its tolerance, so that its end is well inside."""
LONG_S = 4.0
"""A long hold, where no timer asks for more."""
FLASHES = 6
"""Flashes that a hold should show."""
DEFAULT_EXERCISES = 3
NO_CYCLE_S = 0.1
"""Interval assumed of a message that declares none."""


@dataclass(frozen=True)
class Need:
    """How one control is exercised.

    Attributes
    ----------
    times
        Exercises.
    hold_s
        Shortest time a state must last [s], on and off alike.
    long_s
        The long hold [s].
    pause_s
        Pause after each exercise, long enough for a run-on to end [s]: an output that is still on cannot answer.
    """

    times: int
    hold_s: float
    long_s: float
    pause_s: float


@dataclass(frozen=True)
class Combination:
    """Controls that are held while another one is operated.

    Attributes
    ----------
    held, operated
        Names of controls.
    times
        Exercises of ``operated``.
    """

    held: tuple[str, ...]
    operated: str
    times: int


def outputs_of(plan: Plan, control: str) -> list[Output]:
    """Return the outputs that a control has to do with."""
    return [output for output in plan.outputs.values() if control in controls_of(output)]


def controls_of(output: Output) -> list[str]:
    """Return all controls of an output, each once: of its rule, of its night level, of its flashing."""
    flashing = output.flash_when.controls if output.flash_when is not None else ()
    night = (output.night,) if output.night is not None else ()
    return list(dict.fromkeys([*output.when.controls, *night, *flashing]))


def need_of(plan: Plan, control: str) -> Need:
    """Return how often and how long a control must be operated."""
    outputs = outputs_of(plan, control)
    ruled = [output for output in outputs if control in output.when.controls]
    times = [presses_needed(plan, output, control) for output in outputs]
    own_s = interval_s(plan.controls[control].condition)
    slowest_s = max((output.settles_s + status_interval_s(output) for output in outputs), default=0.6)
    flashing = [
        (FLASHES + 1) / output.flash_hz
        for output in outputs
        if output.flash_hz and output.flash_when is not None and control in output.flash_when.controls
    ]
    cuts = [
        one.cut_after_s + one.cut_after_tolerance_s + TIMER_MARGIN_S for one in ruled if one.cut_after_s is not None
    ]
    runs = [one.run_on_s + one.run_on_tolerance_s + TIMER_MARGIN_S for one in ruled if one.run_on_s is not None]
    runs += [
        each_s + timer_tolerance_s(each_s) + TIMER_MARGIN_S
        for one in ruled
        for each_s in (one.pulse_s, one.min_on_s, one.off_within_s, one.soft_s)
        if each_s is not None
    ]
    hold_s = slowest_s + own_s + MARGIN_S
    return Need(
        times=max(times, default=DEFAULT_EXERCISES),
        hold_s=hold_s,
        long_s=max([LONG_S, *flashing, *cuts]),
        pause_s=max([hold_s, *runs]),
    )


def presses_needed(plan: Plan, output: Output, control: str) -> int:
    """Return how often a control must be operated: in pairs where it toggles the output, the second press for off."""
    needed = plan.exercises_needed(output, control)
    return 2 * needed if output.latch and control in output.when.controls else needed


def combinations_of(plan: Plan, base: Mapping[str, bool]) -> list[Combination]:
    """List what to hold while another control is operated, so that every part of every rule works.

    Parameters
    ----------
    plan
        The install.
    base
        Controls that hold a state of their own meanwhile, the ignition.
    """
    found: dict[tuple[tuple[str, ...], str], Combination] = {}
    for output in plan.outputs.values():
        for one in (*_within_the_rule(plan, output, base), *_beside_the_rule(output, base)):
            key = (one.held, one.operated)
            if one.held and (key not in found or found[key].times < one.times):
                found[key] = one
    return list(found.values())


def combinations_while_off(plan: Plan, ignition: str) -> list[Combination]:
    """List what to hold, the ignition off, while a control is operated that matters in some rule only then."""
    found: dict[tuple[tuple[str, ...], str], Combination] = {}
    for output in plan.outputs.values():
        for control in output.when.controls:
            if control != ignition and sensitive_to(output.when, control, {ignition: True}) is None:
                helpers = sensitive_to(output.when, control, {ignition: False})
                if helpers:
                    found[helpers, control] = Combination(helpers, control, 1)
    return list(found.values())


def _within_the_rule(plan: Plan, output: Output, base: Mapping[str, bool]) -> Iterable[Combination]:
    """Hold what lets each control change the rule; hold each pair together once."""
    for control in output.when.controls:
        if control in base:
            continue
        helpers = sensitive_to(output.when, control, base)
        if helpers:
            yield Combination(helpers, control, presses_needed(plan, output, control))
    free = [name for name in output.when.controls if name not in base]
    for one, other in combinations(free, 2):
        yield Combination((one,), other, 1)
        yield Combination((other,), one, 1)


def _beside_the_rule(output: Output, base: Mapping[str, bool]) -> Iterable[Combination]:
    """Hold the rule on while night and flashing come and go, and flash by night."""
    lit = switched_on_by(output.when, base)
    if lit is None:
        return
    night = (output.night,) if output.night is not None and output.night not in base else ()
    flashing = output.flash_when.controls if output.flash_when is not None else ()
    for control in (*night, *(name for name in flashing if name not in base)):
        yield Combination(tuple(name for name in lit if name != control), control, 1)
    for control in flashing:
        if night and control not in base:
            yield Combination(tuple(dict.fromkeys([*lit, *night])), control, 1)


def sensitive_to(rule: Rule, control: str, base: Mapping[str, bool]) -> tuple[str, ...] | None:
    """Return the fewest others that must be on for ``control`` to change the rule; None if it never can."""
    others = [name for name in rule.controls if name != control and name not in base]
    for size in range(len(others) + 1):
        for held in combinations(others, size):
            on = {**base, **dict.fromkeys(held, True)}
            if holds(rule, {**on, control: True}) != holds(rule, {**on, control: False}):
                return held
    return None


def switched_on_by(rule: Rule, base: Mapping[str, bool]) -> tuple[str, ...] | None:
    """Return the fewest controls that must be on so that the rule is; None if it cannot be."""
    others = [name for name in rule.controls if name not in base]
    for size in range(len(others) + 1):
        for held in combinations(others, size):
            if holds(rule, {**base, **dict.fromkeys(held, True)}):
                return held
    return None


def holds(rule: Rule, on: Mapping[str, bool]) -> bool:
    """Tell whether a rule is on with these controls on and all others off."""
    states = {name: np.array([on.get(name, False)], np.int8) for name in rule.controls}
    return bool(rule.evaluate(states)[0] == 1)


def status_interval_s(output: Output) -> float:
    """Return the declared interval of the message that tells of an output [s]."""
    if output.command is not None:
        return interval_s(output.command)
    return NO_CYCLE_S


def interval_s(condition: Condition) -> float:
    """Return the declared interval of the message a condition rests on [s]."""
    return condition.reference.message.cycle_time_s or NO_CYCLE_S
