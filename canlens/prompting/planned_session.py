"""Planned session: a plan → all that must be done so that a recording can prove its outputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.errors import UsageError
from canlens.prompting.counting import Size, chance_if_all_answer, rests_for, size_for
from canlens.prompting.free_session import (
    AGAIN_WHY,
    CHANCE,
    DRAWN_WHY,
    HAND_S,
    HOLD_STEPS_S,
    LEAD_IN_S,
    SETTLE_S,
    SLOT_S,
    add_slots,
    draw_labels,
)
from canlens.prompting.session import READY_S, ControlNote, Session, SessionTimeline, Tally
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.needs import (
    combinations_of,
    combinations_while_off,
    controls_of,
    need_of,
    outputs_of,
    sensitive_to,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canlens.plan import Condition, Control, Plan
    from canlens.rehearsal.needs import Combination, Need


# Control notes: what a person must know of a plan's controls to operate them.


def control_note(plan: Plan, control: Control) -> ControlNote:
    """Return what is to be known of one control."""
    ruled = [output for output in outputs_of(plan, control.name) if control.name in output.when.controls]
    items = [output.safety for output in ruled if output.safety is not None]
    return ControlNote(
        control.name,
        meaning_of(control.condition),
        outputs=tuple(output.name for output in ruled),
        watch=tuple(output.name for output in ruled if output.command is None and output.level is None),
        safety=items[0] if items else None,
    )


def meaning_of(condition: Condition) -> str:
    """Say when a signal counts as on."""
    unit = f" {condition.reference.definition.unit}" if condition.reference.definition.unit else ""
    table = condition.reference.definition.table
    values = [*(str(table[raw]) for raw in condition.on_raw), *(f"{value:g}{unit}" for value in condition.on_values)]
    limits = [
        f"{word} {limit:g}{unit}"
        for word, limit in (("above", condition.above), ("below", condition.below))
        if limit is not None
    ]
    said = " or ".join(values) or " and ".join(limits) or "not 0"
    return f"on while {condition.reference.path} is {said}"


# Gray walk: every combination of a few controls, one change at a time.


MOST_CONTROLS = 4
"""Four controls have sixteen combinations; more of them nobody holds with two hands."""
WALKS = 2
"""Each combination is reached this often, the second time from another side."""


def gray_walk(controls: Sequence[str]) -> list[tuple[str, bool]]:
    """Return the changes that lead once through all combinations and back: a control, and whether it goes on.

    Parameters
    ----------
    controls
        The first one changes most often.

    References
    ----------
    The reflected binary code of F. Gray, US patent 2 632 058: neighbours differ in one bit, the last and first too.

    Examples
    --------
    >>> gray_walk(["a", "b"])
    [('a', True), ('b', True), ('a', False), ('b', False)]
    """
    if not controls:
        return []
    changes, on = [], dict.fromkeys(controls, False)
    for number in range(1, 1 << len(controls)):
        changed = controls[(number & -number).bit_length() - 1]
        on[changed] = not on[changed]
        changes.append((changed, on[changed]))
    return [*changes, (controls[-1], False)]


def walked_groups(groups: Iterable[Sequence[str]]) -> list[tuple[str, ...]]:
    """Return the groups of two to four controls that are not part of another one, each once."""
    known = list(dict.fromkeys(tuple(group) for group in groups if 1 < len(group) <= MOST_CONTROLS))
    return [
        group
        for number, group in enumerate(known)
        if not any(
            set(group) < set(other) or (set(group) == set(other) and place < number)
            for place, other in enumerate(known)
        )
    ]


# Combining: what a session holds together, so that rules of several controls, night and flashing are seen.


def wanted_walks(plan: Plan, base: Mapping[str, bool]) -> list[tuple[str, ...]]:
    """Return the groups of controls of which every combination is wanted: those of one rule, what stays on left out."""
    rules = [output.when.controls for output in plan.outputs.values()]
    return walked_groups([tuple(name for name in controls if name not in base) for controls in rules])


def wanted_combinations(plan: Plan, base: Mapping[str, bool], walks: Sequence[tuple[str, ...]]) -> list[Combination]:
    """Return what must be held together and is in no walk, and what must come more often than a walk shows it."""
    return [
        one
        for one in combinations_of(plan, base)
        if one.times > 1 or not any({*one.held, one.operated} <= set(group) for group in walks)
    ]


def add_walk(timeline: SessionTimeline, group: Sequence[str], needs: Mapping[str, Need], *, spare_s: float) -> None:
    """Add every combination of a few controls, one change at a time; twice, in another order.

    Parameters
    ----------
    timeline
        Grows.
    group
        The controls.
    needs
        How long each state must last.
    spare_s
        Added to each of those times [s].
    """
    timeline.begin(
        f"Every combination of {' and '.join(group)}",
        "One change at a time; keep holding what the sheet says.",
    )
    hold_s = max(needs[name].hold_s for name in group) + spare_s
    pause_s = max(needs[name].pause_s for name in group) + spare_s
    for walk in range(WALKS):
        for name, on in gray_walk(group[::-1] if walk % 2 else group):
            if on:
                timeline.hold(name, after_s=hold_s)
            else:
                timeline.release(name, after_s=max(hold_s, pause_s))


def add_combination(
    timeline: SessionTimeline, one: Combination, needs: Mapping[str, Need], plan: Plan, *, spare_s: float
) -> None:
    """Hold some controls and operate another meanwhile; let go in the order of touching."""
    need = needs[one.operated]
    hold_s = max(need.hold_s, *(needs[name].hold_s for name in one.held)) + spare_s
    pause_s = max(hold_s, need.pause_s + spare_s)
    for name in one.held:
        timeline.hold(name, after_s=hold_s)
    for turn in range(one.times):
        is_long = turn == one.times - 1 and _wants_long(plan, one)
        timeline.operate(one.operated, hold_s=need.long_s + spare_s if is_long else hold_s, after_s=pause_s)
    for name in one.held:
        timeline.release(name, after_s=max(hold_s, needs[name].pause_s + spare_s))


def _wants_long(plan: Plan, one: Combination) -> bool:
    """Tell whether an output of these controls has a timer, level or flashing that a short hold does not show."""
    return any(
        {*one.held, one.operated} & set(controls_of(output))
        and (output.cut_after_s is not None or output.flash_when is not None or output.night is not None)
        for output in plan.outputs.values()
    )


# Planned session: a plan → all that must be done so that a recording can prove its outputs.


SPARE_S = 0.3
"""Left at the end of a slot [s]."""
LONGEST_SLOT_S = 10.0
"""Controls that need longer slots, for a run-on, are drawn by themselves [s]."""
SPARE_QUIET_S = 5.0
"""The recorder runs for so much longer than the bus may stay awake [s]."""


def draw_planned_session(
    plan: Plan, *, slots: int | None = None, seed: int = 1, chance: float = CHANCE, places: int | None = None
) -> Session:
    """Draw a session that exercises all of a plan: rules, timers, levels, flashing, by day and night.

    Parameters
    ----------
    plan
        What the install is meant to do.
    slots
        Drawn slots, with the vehicle awake; None for as many as it takes.
    seed
        The same plan and seed give the same session.
    chance, places
        Wished chance of an error for each control among so many candidates; None for each control with each output.

    Raises
    ------
    UsageError
        If the slots are too few, or there is nothing to operate.
    """
    if places is None:
        places = max(1, len(plan.controls) * len(plan.outputs))
    return _Drawing(plan, slots, seed, chance, places).draw()


@dataclass
class _Drawing:
    """A session of a plan as it grows."""

    plan: Plan
    slots: int | None
    seed: int
    chance: float
    places: int

    def __post_init__(self) -> None:
        self.ignition = self.plan.bus.awake_while
        self.needs = {name: need_of(self.plan, name) for name in self.plan.controls}
        self.others = [name for name in self.plan.controls if name != self.ignition]
        self.timeline = SessionTimeline(Draws(self.seed, "waiting times"))
        self.tallies: list[Tally] = []
        self.fast = [name for name in self.others if self.slot_s([name]) <= LONGEST_SLOT_S]
        self.slow = [name for name in self.others if name not in self.fast]

    def draw(self) -> Session:
        """Add part after part."""
        if not self.plan.controls:
            raise UsageError(f"{self.plan.file}: the plan names no control, so there is nothing to operate.")
        size = self.size_of_fast()
        state = f"; {self.ignition} is off" if self.ignition else ""
        self.timeline.begin("Begin", f"The recorder is running. Touch nothing{state}.")
        self.timeline.wait(LEAD_IN_S)
        base = {}
        if self.ignition is not None:
            self.with_ignition_off()
            self.switch_on(self.ignition)
            base = {self.ignition: True}
        self.draw_fast(size)
        self.draw_slow()
        self.hold_long()
        self.combine(base)
        self.end()
        return self.session()

    def size_of_fast(self) -> Size | None:
        """Return how many slots the quick controls need; None where there are none."""
        if not self.fast:
            if self.slots is not None:
                raise UsageError("--slots: no control of this plan can be drawn into short slots. Leave it out.")
            return None
        least = max(self.needs[name].times for name in self.fast)
        return size_for(len(self.fast), self.slots, places=self.places, chance=self.chance, at_least=least)

    def shortest_s(self, name: str) -> float:
        """Return the shortest hold of a control [s]."""
        return self.needs[name].hold_s + HAND_S

    def slot_s(self, names: Sequence[str]) -> float:
        """Return the length of a slot that does for each of some controls, in halves of a second."""
        long_s = [
            READY_S[1] + self.shortest_s(name) + max(HOLD_STEPS_S) + self.needs[name].pause_s + HAND_S + SPARE_S
            for name in names
        ]
        return max([SLOT_S, *(-(-2 * each // 1) / 2 for each in long_s)])

    def add_draw(self, exercises: dict[str, int], rests: int, purpose: str) -> None:
        """Draw slots and add them."""
        labels = draw_labels(exercises, rests, Draws(self.seed, f"slots {purpose}"))
        shortest_s = {name: self.shortest_s(name) for name in exercises}
        add_slots(self.timeline, labels, shortest_s, length_s=self.slot_s(list(exercises)))

    def with_ignition_off(self) -> None:
        """Operate every other control while the vehicle is off, to see what answers then."""
        often = {name: self.needs[name].times if self.works_off_only(name) else 1 for name in self.others}
        for names, kind in ((self.fast, "quick"), (self.slow, "slow")):
            exercises = {name: often[name] for name in names}
            if not exercises:
                continue
            rests = rests_for(sum(exercises.values()))
            title = f"{sum(exercises.values()) + rests} drawn slots with {self.ignition} off"
            self.timeline.begin(title, f"{self.why()} Outputs that want {self.ignition} must stay off.")
            self.add_draw(exercises, rests, f"off {kind}")
        combined = combinations_while_off(self.plan, str(self.ignition))
        if combined:
            self.timeline.begin(f"Combinations with {self.ignition} off", "Hold the first while you operate the other.")
        for one in combined:
            add_combination(self.timeline, one, self.needs, self.plan, spare_s=HAND_S)

    def why(self) -> str:
        """Say how drawn slots are done: in full where they come for the first time."""
        return AGAIN_WHY if any(step.is_drawn for step in self.timeline.steps) else DRAWN_WHY

    def works_off_only(self, name: str) -> bool:
        """Tell whether an output follows a control only while the vehicle is off."""
        base = {str(self.ignition): True}
        rules = [output.when for output in self.plan.outputs.values() if name in output.when.controls]
        return any(sensitive_to(rule, name, base) is None for rule in rules)

    def switch_on(self, ignition: str) -> None:
        """Switch the vehicle on, as often as the plan wants to see it, the last time to stay."""
        need = self.needs[ignition]
        self.timeline.begin(f"Switch {ignition} on", "It stays on until the end of the sheet, unless told otherwise.")
        for _ in range(need.times - 1):
            self.timeline.operate(ignition, hold_s=self.shortest_s(ignition), after_s=need.pause_s + HAND_S)
        self.timeline.hold(ignition, after_s=HAND_S)
        self.timeline.wait(SETTLE_S)

    def draw_fast(self, size: Size | None) -> None:
        """Draw the controls that need but short slots."""
        if size is None:
            return
        rests = size.slots - len(self.fast) * size.exercises
        self.draw_on(self.fast, size.exercises, rests, size.misses, "quick")

    def draw_slow(self) -> None:
        """Draw those that need long slots, as few as the plan allows."""
        if not self.slow:
            return
        exercises = max(self.needs[name].times for name in self.slow)
        self.draw_on(self.slow, exercises, rests_for(exercises), 0, "slow")

    def draw_on(self, names: Sequence[str], exercises: int, rests: int, misses: int, kind: str) -> None:
        """Add the slots of some controls with the vehicle on, and what they are worth."""
        slots = len(names) * exercises + rests
        state = f" with {self.ignition} on" if self.ignition else ""
        why = self.why() if kind == "quick" else f"{self.why()} These slots are long: each run-on ends in its own."
        self.timeline.begin(f"{slots} drawn slots{state}", why)
        self.add_draw(dict.fromkeys(names, exercises), rests, f"on {kind}")
        chance = chance_if_all_answer([(slots, exercises)])
        self.tallies += [Tally(name, exercises, slots, chance, self.places, misses) for name in names]

    def hold_long(self) -> None:
        """Hold each control once for a long time: timers run to their end, flashing shows its rhythm."""
        if not self.others:
            return
        self.timeline.begin("One long hold of each", "Hold until told to let go: timers, levels and flashing show.")
        for name in self.others:
            need = self.needs[name]
            self.timeline.operate(name, hold_s=need.long_s + HAND_S, after_s=need.pause_s + HAND_S)

    def combine(self, base: dict[str, bool]) -> None:
        """Go through the combinations of rules, then hold what must be held together."""
        walks = wanted_walks(self.plan, base)
        for group in walks:
            add_walk(self.timeline, group, self.needs, spare_s=HAND_S)
        combinations = wanted_combinations(self.plan, base, walks)
        if combinations:
            why = "Keep holding what the sheet says while you operate the other: rules, night and flashing show."
            self.timeline.begin("Held together", why)
        for one in combinations:
            add_combination(self.timeline, one, self.needs, self.plan, spare_s=HAND_S)

    def end(self) -> None:
        """Wait for what runs as long as the ignition, switch it off and wait until the bus must be silent."""
        pause_s = max(need.pause_s for need in self.needs.values()) + HAND_S
        if self.ignition is None:
            self.timeline.begin("End", "Touch nothing more; then stop the recorder.")
            self.timeline.wait(max(pause_s, LEAD_IN_S))
            return
        still_s = self.timeline.held_since_s(self.ignition) + self.needs[self.ignition].long_s - self.timeline.now_s
        self.timeline.begin(f"Switch {self.ignition} off", "Touch nothing more until the end; then stop the recorder.")
        self.timeline.wait(still_s)
        quiet_s = self.plan.bus.quiet_after_s or 0.0
        self.timeline.release(self.ignition, after_s=HAND_S)
        self.timeline.wait(max(pause_s, quiet_s + SPARE_QUIET_S, SETTLE_S))

    def session(self) -> Session:
        """Return what has grown."""
        return Session(
            title=self.plan.title or self.plan.file,
            seed=self.seed,
            controls=tuple(control_note(self.plan, control) for control in self.plan.controls.values()),
            awake_while=self.ignition or "",
            parts=tuple(self.timeline.parts),
            steps=tuple(self.timeline.steps),
            tallies=tuple(self.tallies),
            wished_chance=self.chance,
            bit_rate=self.plan.bus.bit_rate,
            remarks=tuple(self.remarks()),
        )

    def remarks(self) -> list[str]:
        """Return what the session leaves out."""
        wide = [name for name, one in self.plan.outputs.items() if len(one.when.controls) > MOST_CONTROLS + 1]
        said = []
        if wide:
            said.append(
                f"{', '.join(wide)}: the rule has too many controls for every combination; each is operated where it "
                "changes the rule, and each pair once."
            )
        return said
