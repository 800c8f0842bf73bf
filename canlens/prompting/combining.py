"""Combining: what a session holds together, so that rules of several controls, night and flashing are seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.prompting.gray_walk import WALKS, gray_walk, walked_groups
from canlens.rehearsal.needs import combinations_of, controls_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.plan import Plan
    from canlens.prompting.timeline import Timeline
    from canlens.rehearsal.needs import Combination, Need


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


def add_walk(timeline: Timeline, group: Sequence[str], needs: Mapping[str, Need], *, spare_s: float) -> None:
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
    timeline: Timeline, one: Combination, needs: Mapping[str, Need], plan: Plan, *, spare_s: float
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
