"""late-answer: an output followed its control, but later than planned.

Looks for
    Rises of an output after the answer time of its plan has passed, before the next exercise.
Why it matters
    A stop lamp or a horn that comes late is no use; a steady delay is a setting, a scattered one a busy bus or a
    weak supply.
Evidence
    Number of late answers, the shortest and longest delay, log lines of the edges.
Cannot tell
    Where the time is lost; the load may be later still than its command.
Next step
    Look for a delay in the controller's configuration; compare the delays with one another.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import OutputCheck, Said, called

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that an output answered too late."""
    (late,) = found
    low, high = late.least.min(), late.most.max()
    span = f"{high:.2f} s" if low == high else f"{low:.2f} to {high:.2f} s"
    came = f"came {len(late.steps)} of {late.due} times too late"
    return Said(
        claim=f"{called(output)} {came}: after {span}, planned {output.within_s:g} s.",
        cannot_tell="Where the time is lost, and whether the load itself is later still.",
        next_step=f"Look for a delay in the controller's setting for {output.name}; repeat '{output.when}' five times.",
        would_change=f"Every answer within {output.within_s:g} s, or a plan that allows {high:.1f} s.",
    )


CHECK = OutputCheck("late-answer", ("late",), say)
