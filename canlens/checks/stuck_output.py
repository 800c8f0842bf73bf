"""stuck-output: an output stayed on although it had to be off.

Looks for
    Falling edges of an output's rule after which the output was still on long after answer time and run-on had
    passed; an output that was on from the start of the recording while its rule was off; a planned cut-off that
    never came.
Why it matters
    An output that does not go off drains the battery, overheats its load or shows a stop lamp that means nothing.
Evidence
    Log lines of the edges that were not followed.
Cannot tell
    Whether the output is held by a setting, by another control, or by a welded contact that the command does not
    know of.
Next step
    Switch the ignition off and wait; if the output stays on, pull its fuse and look for what holds it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import MEASURE_LIVE, Finding, safety_caution
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence, Timer


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that stayed on."""
    for name, own in evidence.outputs.items():
        overdue = [timer for timer in (own.release, own.cut_off) if timer is not None and len(timer.overdue)]
        if not overdue:
            continue
        output = evidence.plan.outputs[name]
        count = sum(len(timer.overdue) for timer in overdue)
        yield Finding(
            check="stuck-output",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} stayed on {times(count)} although it should have gone off{_after(overdue[0])}.",
            evidence=lines_of(*(timer.overdue for timer in overdue)),
            cannot_tell="Whether a setting, another control or the switch itself holds it on.",
            next_step=f"Release every control, switch ignition off and watch {name}; if it stays on, pull its fuse.",
            would_change=f"{name} going off each time as planned.",
            caution=safety_caution(output.safety, MEASURE_LIVE),
        )


def _after(timer: Timer) -> str:
    """Return the planned time in words."""
    return f" after {timer.planned_s:g} s" if timer.planned_s else " with its rule"


CHECK = Check("stuck-output", find)
