"""Schedule: when the person operates which control, drawn anew for every rehearsal.

The order is the trade's: once each with the ignition off, ignition on, control by control several times
with pauses of irregular length and one long hold, then what must be held together, then ignition off
until the bus sleeps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from canlens.rehearsal.needs import Combination, Need, combinations_of, need_of, sensitive_to
from canlens.rehearsal.timeline import Timeline, from_spans

if TYPE_CHECKING:
    from canlens.plan import Plan
    from canlens.rehearsal.draws import Draws

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
    return _Drawing(plan, draws).draw()


class _Drawing:
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
