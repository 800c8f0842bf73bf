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

from canlens.checks.entry import OutputCheck, Said, called
from canlens.results.finding import MEASURE_LIVE
from canlens.wording import times

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that an output stayed on."""
    stayed = f"{called(output)} stayed on {times(sum(len(each.steps) for each in found))}"
    due = f"after {found[0].planned:g} s" if found[0].planned else "with its rule"
    return Said(
        claim=f"{stayed} although it should have gone off {due}.",
        cannot_tell="Whether a setting, another control or the switch itself holds it on.",
        next_step=f"Release every control, switch ignition off and watch {output.name}; if it stays on, pull its fuse.",
        would_change=f"{output.name} going off each time as planned.",
    )


CHECK = OutputCheck("stuck-output", ("stuck", "never-cut-off"), say, MEASURE_LIVE)
