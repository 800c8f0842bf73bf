"""Standing: a schedule in which nobody exercises anything; a few controls are operated now and then."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.rehearsal.needs import switched_on_by
from canlens.rehearsal.schedule import SLEEP_SHARE, Operation, Schedule

if TYPE_CHECKING:
    from canlens.plan import Plan
    from canlens.rehearsal.draws import Draws

OFF_SHARE = 0.4
"""When the ignition goes off, as a share of the recording's time."""
HOLD_S = (2.0, 9.0)
PAUSE_S = (3.0, 14.0)
USUAL_S = 40.0
"""Times for a recording of this length or longer; they shrink with a shorter one."""
OPERATED = 2
"""Outputs that are switched now and then."""


def draw_standing(plan: Plan, duration_s: float, draws: Draws, *, sleeps: bool) -> Schedule:
    """Draw what happens around a standing vehicle.

    Parameters
    ----------
    plan
        One whose bus is awake while a control is on.
    duration_s
        How long it is recorded [s].
    draws
        Random numbers.
    sleeps
        Whether the ignition goes off on the way.
    """
    ignition = plan.bus.awake_while
    off_s = duration_s * OFF_SHARE if sleeps else duration_s + 1.0
    operations = [Operation(ignition, 0.0, off_s)] if ignition is not None else []
    switched = [names for name in draws.shuffled(list(plan.outputs)) if (names := _switches_of(plan, name))]
    for names in switched[:OPERATED]:
        operations += _now_and_then(names, min(off_s, duration_s), draws)
    allowed_s = plan.bus.quiet_after_s or 0.5 * duration_s
    sleep_s = min(allowed_s * draws.uniform(*SLEEP_SHARE), 0.2 * duration_s)
    return Schedule(
        tuple(sorted(operations, key=lambda one: (one.start_s, one.end_s))),
        (),
        ((0.0, min(off_s + sleep_s, duration_s)),),
        duration_s,
        is_asleep_at_end=sleeps,
        spare_s=max(allowed_s - sleep_s, 0.0) if sleeps else 0.0,
    )


def _switches_of(plan: Plan, output: str) -> tuple[str, ...]:
    """Return the controls that together, with the ignition on, switch an output on; none if it needs none."""
    base = {} if plan.bus.awake_while is None else {plan.bus.awake_while: True}
    return switched_on_by(plan.outputs[output].when, base) or ()


def _now_and_then(controls: tuple[str, ...], end_s: float, draws: Draws) -> list[Operation]:
    """Operate controls together at drawn times."""
    operations: list[Operation] = []
    shrunk = min(1.0, end_s / USUAL_S)
    now = shrunk * draws.uniform(*PAUSE_S)
    while now < end_s - 1.0:
        stop_s = min(now + shrunk * draws.uniform(*HOLD_S), end_s)
        operations += [Operation(control, now, stop_s) for control in controls]
        now = stop_s + shrunk * draws.uniform(*PAUSE_S)
    return operations
