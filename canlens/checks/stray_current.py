"""stray-current: current flows although the output is commanded off.

Looks for
    Steady stretches with the command off in which the reported current stays above a fifth of the accessory's label
    current (0.5 A without a label).
Why it matters
    The switch does not open, or the reading is wrong: either way the command alone proves nothing.
Evidence
    Log lines at which such stretches begin.
Cannot tell
    Whether the switch is stuck or the current sense is off.
Next step
    Measure the voltage at the output while it is commanded off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of, terminal
from canlens.results.finding import MEASURE_LIVE, Finding, safety_caution

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that draw current while off."""
    for name, own in evidence.outputs.items():
        if own.load is None or not len(own.load.current_when_off):
            continue
        output = evidence.plan.outputs[name]
        yield Finding(
            check="stray-current",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} draws current while it is commanded off.",
            evidence=lines_of(own.load.current_when_off),
            cannot_tell="Whether the switch is stuck or the current reading is wrong.",
            next_step=f"Measure the voltage {terminal(output)} while it is commanded off.",
            would_change="No current while the command is off.",
            caution=safety_caution(output.safety, MEASURE_LIVE),
        )


CHECK = Check("stray-current", find)
