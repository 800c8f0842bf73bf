"""contradicted-output: eye, ear or meter saw something else than the bus said.

Looks for
    Observations of an output (on or off) that the command on the bus contradicts for half a second around them.
Why it matters
    The chain is whole up to the command and broken behind it.
Evidence
    Lines of the observations' file and their times.
Cannot tell
    Whether the wire, the load or the eye was wrong.
Next step
    Operate the control again and watch; then measure at the load's own two pins.
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
    """Say that an output was seen otherwise than commanded."""
    return Said(
        claim=f"{called(output)} was {times(len(found[0].steps))} seen otherwise than the bus says.",
        cannot_tell="Whether the wire, the load or the observation is wrong (lines are those of the observations).",
        next_step=f"Operate '{output.when}' again and watch; then measure at the load's own two pins.",
        would_change="Observations that agree with the command.",
    )


CHECK = OutputCheck("contradicted-output", ("seen-otherwise",), say, MEASURE_LIVE)
