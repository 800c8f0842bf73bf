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

from canlens.checks.entry import OutputCheck, Said, called
from canlens.results.finding import MEASURE_LIVE

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that there is no current or voltage."""
    is_fed = all(each.kind != "no-voltage" for each in found)
    what = "no current flows" if is_fed else "there is no voltage"
    label = f" (its label says {output.load_a:g} A)" if output.load_a and is_fed else ""
    place = f"at {output.terminal}" if output.terminal else "at the controller's terminal"
    return Said(
        claim=f"{called(output)} is commanded on, but {what}{label}.",
        cannot_tell="Whether the wire, the load or its ground is open.",
        next_step=f"Measure the voltage at the load's two pins while {output.name} is on; then {place}.",
        would_change=f"Current flowing whenever {output.name} is commanded on.",
    )


CHECK = OutputCheck("dead-load", ("no-current", "no-voltage"), say, MEASURE_LIVE)
