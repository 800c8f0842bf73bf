"""Person: what the one who tries the install operates, and what is written down beside the recording."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.nouns import REST, Mark, Observation, Reading, Readings
from canlens.rehearsal.needs import Combination, Need, combinations_of, combinations_while_off, need_of, sensitive_to
from canlens.rehearsal.timeline import Timeline, from_spans

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.plan import Plan
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.output_model import OutputCourse

LEAD_IN_S = (1.5, 3.0)
SPREAD_S = 0.8
"""Holds and pauses are drawn up to this much longer than they must be."""
PAIRS = 3
"""Pairs of controls that have nothing to do with each other and are held together all the same."""
SLEEP_S = (6.0, 9.0)
"""How long a bus stays awake after the ignition, where a plan says nothing."""
SLEEP_SHARE = (0.6, 0.9)
"""The same as a share of what the plan allows."""


@dataclass(frozen=True)
class Operation:
    """One operation of a control, from ``start_s`` to ``end_s``."""

    control: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Schedule:
    """All that the person does.

    Attributes
    ----------
    operations
        By start.
    rests
        Slots (start, end) in which nothing is touched [s].
    awake
        Spans in which the bus is awake (start, end) [s].
    end_s
        When the recorder stops [s].
    is_asleep_at_end
        Whether the bus falls asleep at the end, since the ignition is off.
    spare_s
        What is left, when it falls asleep, of the time that the plan allows it to stay awake [s].
    """

    operations: tuple[Operation, ...]
    rests: tuple[tuple[float, float], ...]
    awake: tuple[tuple[float, float], ...]
    end_s: float
    is_asleep_at_end: bool = False
    spare_s: float = 0.0

    def wanted(self, control: str) -> Timeline:
        """Return when a control is operated: 1 or 0."""
        return from_spans([(one.start_s, one.end_s) for one in self.operations if one.control == control])


def draw_schedule(plan: Plan, draws: Draws) -> Schedule:
    """Draw a complete exercise of a plan: every rule, timer, level and flashing is seen at work.

    A plan whose ``awake_while`` names no control has no ignition phases; its bus is awake from the first
    to the last moment.
    """
    return _Exercises(plan, draws).draw()


class _Exercises:
    """The schedule as it grows; ``now`` is the time up to which it is drawn."""

    def __init__(self, plan: Plan, draws: Draws) -> None:
        self.plan = plan
        self.draws = draws
        self.ignition = plan.bus.awake_while
        self.needs = {name: need_of(plan, name) for name in plan.controls}
        self.others = draws.shuffled([name for name in plan.controls if name != self.ignition])
        self.operations: list[Operation] = []
        self.rests: list[tuple[float, float]] = []
        self.now = draws.uniform(*LEAD_IN_S)

    def draw(self) -> Schedule:
        if self.ignition is None:
            self.exercise_all({})
            end_s = self.now + max((need.pause_s for need in self.needs.values()), default=0.0)
            return self.finished([(0.0, end_s)], end_s)
        need = self.needs[self.ignition]
        sleep_s = self.sleep_s(need)
        self.with_ignition_off()
        for _ in range(need.times - 1):
            self.operate(self.ignition, need.hold_s)
            self.wait(need.pause_s)
        start_s = self.now
        self.wait(2.0)
        self.exercise_all({self.ignition: True})
        self.now = max(self.now, start_s + need.long_s + self.draws.uniform(0.0, SPREAD_S))
        self.operations.append(Operation(self.ignition, start_s, self.now))
        spare_s = max((self.plan.bus.quiet_after_s or sleep_s) - sleep_s, 0.0)
        return replace(self.finished(self.awake(sleep_s), self.now + sleep_s), is_asleep_at_end=True, spare_s=spare_s)

    def sleep_s(self, need: Need) -> float:
        """Draw how long the bus stays awake after the ignition; long enough for the run-ons, if allowed."""
        allowed = self.plan.bus.quiet_after_s
        if allowed is None:
            return need.pause_s + self.draws.uniform(*SLEEP_S)
        drawn = allowed * self.draws.uniform(*SLEEP_SHARE)
        return max(drawn, min(need.pause_s, allowed * SLEEP_SHARE[1]))

    def with_ignition_off(self) -> None:
        """Operate every other control once; often and one time long if it works with the ignition off only."""
        for name in self.others:
            rules = [output.when for output in self.plan.outputs.values() if name in output.when.controls]
            base = {str(self.ignition): True}
            only_off = any(sensitive_to(rule, name, base) is None for rule in rules)
            for turn in range(self.needs[name].times if only_off else 1):
                self.operate(name, self.needs[name].long_s if only_off and not turn else self.needs[name].hold_s)
                self.wait(self.needs[name].pause_s)
        for combination in combinations_while_off(self.plan, str(self.ignition)):
            self.combine(combination)

    def exercise_all(self, base: dict[str, bool]) -> None:
        """Control by control, then what must be held together, then some unrelated pairs."""
        for name in self.others:
            self.exercise(name)
            self.rest()
        for combination in combinations_of(self.plan, base):
            self.combine(combination)
        for _ in range(PAIRS if len(self.others) > 1 else 0):
            one, other = self.draws.shuffled(self.others)[:2]
            self.combine(Combination((one,), other, 1))

    def exercise(self, name: str) -> None:
        """Operate one control several times, one of them long."""
        need = self.needs[name]
        longest = self.draws.integer(0, need.times - 1)
        for turn in range(need.times):
            self.operate(name, need.long_s if turn == longest else need.hold_s)
            self.wait(need.pause_s)

    def combine(self, combination: Combination) -> None:
        """Hold some controls and operate another meanwhile; let go in the order of touching."""
        held_from = []
        names = combination.held
        need = self.needs[combination.operated]
        hold_s = max(need.hold_s, *(self.needs[name].hold_s for name in names))
        for name in names:
            held_from.append((name, self.now))
            self.wait(hold_s)
        for turn in range(combination.times):
            is_last = turn == combination.times - 1
            self.operate(combination.operated, need.long_s if is_last and self.is_slow(combination) else hold_s)
            self.wait(max(hold_s, need.pause_s))
        for name, start_s in held_from:
            self.operations.append(Operation(name, start_s, self.now))
            self.wait(hold_s)
        self.wait(max(self.needs[name].pause_s for name in (*names, combination.operated)) - hold_s)

    def is_slow(self, combination: Combination) -> bool:
        """Tell whether an output of these controls has a timer, level or flashing that wants a long hold."""
        names = {*combination.held, combination.operated}
        return any(
            names
            & {
                *output.when.controls,
                output.night,
                *(output.flash_when.controls if output.flash_when else ()),
            }
            and (output.cut_after_s is not None or output.flash_when is not None or output.night is not None)
            for output in self.plan.outputs.values()
        )

    def operate(self, name: str, hold_s: float) -> None:
        start_s = self.now
        self.wait(hold_s)
        self.operations.append(Operation(name, start_s, self.now))

    def wait(self, least_s: float) -> None:
        self.now += max(least_s, 0.0) + self.draws.uniform(0.0, SPREAD_S)

    def rest(self) -> None:
        start_s = self.now
        self.wait(1.5)
        self.rests.append((start_s, self.now))

    def awake(self, sleep_s: float) -> list[tuple[float, float]]:
        """Return when the bus is awake: from the start to the first ignition, and ``sleep_s`` after each."""
        ignitions = [one for one in self.operations if one.control == self.ignition]
        spans: list[tuple[float, float]] = []
        for start_s, end_s in [
            (0.0, ignitions[0].start_s),
            *((one.start_s, one.end_s + sleep_s) for one in ignitions),
        ]:
            if spans and start_s <= spans[-1][1]:
                spans[-1] = (spans[-1][0], end_s)
            else:
                spans.append((start_s, end_s))
        return spans

    def finished(self, awake: list[tuple[float, float]], end_s: float) -> Schedule:
        operations = sorted(self.operations, key=lambda one: (one.start_s, one.end_s))
        return Schedule(tuple(operations), tuple(self.rests), tuple(awake), end_s)


HAND_S = (-0.15, 0.35)
"""How far off a person notes the time of an operation [s]."""
EYE_S = (0.05, 0.45)
"""How late a person notes what an output did [s]."""
BLINK_PERIODS = 1.3
"""Pauses of a flashing output shorter than this many planned periods are taken for its flashing."""
TERMINATED_OHM = (58.5, 61.5)
"""Two 120 Ω terminators side by side, with the meter's error."""


def noted_marks(schedule: Schedule, start_s: float, draws: Draws) -> tuple[Mark, ...]:
    """Return what the person noted, by time."""
    noted = [(one.start_s, one.end_s, one.control) for one in schedule.operations]
    noted += [(begin_s, end_s, REST) for begin_s, end_s in schedule.rests]
    return tuple(
        Mark(
            round(start_s + begin_s + draws.uniform(*HAND_S), 2),
            label,
            round(start_s + end_s + draws.uniform(*HAND_S), 2),
        )
        for begin_s, end_s, label in sorted(noted)
    )


def meter_readings(meter: Mapping[str, tuple[float, float]], draws: Draws) -> Readings:
    """Return what the meter shows.

    Parameters
    ----------
    meter
        Name of a reading -> least and greatest value, where a fault changes it; with its own noise.
    draws
        Random numbers.
    """
    values = {
        "h_l_ohm": round(draws.uniform(*TERMINATED_OHM), 1),
        "battery_v": round(draws.uniform(12.4, 12.7), 2),
        "ground_drop_v": round(draws.uniform(0.02, 0.12), 2),
    }
    values |= {name: round(draws.uniform(*ends), 2) for name, ends in meter.items()}
    return Readings(values={name: Reading(name, value) for name, value in values.items()})


def seen_outputs(
    plan: Plan, schedule: Schedule, courses: Mapping[str, OutputCourse], start_s: float, draws: Draws
) -> tuple[Observation, ...]:
    """Return what eye and ear saw of the outputs that nothing on the bus shows, by time.

    The person notes each change, and looks once while a control of the output's rule is operated, so that it is
    also noted where nothing happened.
    """
    seen = []
    for name, output in plan.outputs.items():
        if output.command is not None:
            continue
        blink_s = BLINK_PERIODS / output.flash_hz if output.flash_hz else 0.0
        spans = courses[name].lit.spans(schedule.end_s) if name in courses else []
        lit = _without_blinks(spans, blink_s)
        changes_s = [float(time) for time in lit.time_s if 0.0 < time < schedule.end_s]
        looks_s = [
            draws.uniform(0.6 * one.start_s + 0.4 * one.end_s, 0.4 * one.start_s + 0.6 * one.end_s)
            for one in schedule.operations
            if one.control in output.when.controls
        ]
        for time_s in (0.0, *changes_s, *looks_s):
            on = bool(lit.at(np.array([time_s]))[0])
            late_s = draws.uniform(*EYE_S) if time_s in changes_s else 0.0
            seen.append(Observation(round(start_s + time_s + late_s, 2), name, on))
    return tuple(sorted(seen, key=lambda one: (one.time_s, one.output)))


def _without_blinks(spans: list[tuple[float, float]], blink_s: float) -> Timeline:
    """Return 1 inside the spans, with pauses shorter than ``blink_s`` filled."""
    joined: list[tuple[float, float]] = []
    for start_s, stop_s in spans:
        if joined and start_s - joined[-1][1] < blink_s:
            joined[-1] = (joined[-1][0], stop_s)
        else:
            joined.append((start_s, stop_s))
    return from_spans(joined)
