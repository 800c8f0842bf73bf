"""dead-load: an output is commanded on, but no current flows or there is no voltage.

Looks for
    Steady stretches of the command in which the reported current stays below a tenth of the accessory's label
    current (0.05 A without a label), or the reported voltage below 3 V.
Why it matters
    The controller did its part; what hangs on the output does not.
Evidence
    Log lines at which such stretches begin.
Cannot tell
    Whether the wire, the load or its ground is open; small LED lamps may draw less than the controller can sense.
Next step
    Measure the voltage at the load's own two pins while the output is on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import MEASURE_LIVE, Finding, safety_caution

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs without current or voltage."""
    for name, own in evidence.outputs.items():
        if own.load is None or not (len(own.load.no_current) or len(own.load.no_voltage)):
            continue
        output = evidence.plan.outputs[name]
        what = "there is no voltage" if len(own.load.no_voltage) else "no current flows"
        label = f" (its label says {output.load_a:g} A)" if output.load_a and not len(own.load.no_voltage) else ""
        yield Finding(
            check="dead-load",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} is commanded on, but {what}{label}.",
            evidence=lines_of(own.load.no_current, own.load.no_voltage),
            cannot_tell="Whether the wire, the load or its ground is open.",
            next_step=f"Measure the voltage at the load's two pins while {name} is on; then {_at(output.terminal)}.",
            would_change=f"Current flowing whenever {name} is commanded on.",
            caution=safety_caution(output.safety, MEASURE_LIVE),
        )


def _at(place: str) -> str:
    """Return where to measure next."""
    return f"at {place}" if place else "at the controller's terminal"


CHECK = Check("dead-load", find)
