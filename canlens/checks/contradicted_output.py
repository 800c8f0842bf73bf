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

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import MEASURE_LIVE, Finding, safety_caution
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that were seen otherwise than commanded."""
    for name, own in evidence.outputs.items():
        if not len(own.disagreed):
            continue
        output = evidence.plan.outputs[name]
        yield Finding(
            check="contradicted-output",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} was {times(len(own.disagreed))} seen otherwise than the bus says.",
            evidence=lines_of(own.disagreed),
            cannot_tell="Whether the wire, the load or the observation is wrong (lines are those of the observations).",
            next_step=f"Operate '{output.when}' again and watch; then measure at the load's own two pins.",
            would_change="Observations that agree with the command.",
            caution=safety_caution(output.safety, MEASURE_LIVE),
        )


CHECK = Check("contradicted-output", find)
