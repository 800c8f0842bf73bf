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

from canlens.checks.entry import OutputCheck, Said, called, terminal
from canlens.results.finding import MEASURE_LIVE

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *_found: Deviation) -> Said:
    """Say that an output draws current while off."""
    return Said(
        claim=f"{called(output)} draws current while it is commanded off.",
        cannot_tell="Whether the switch is stuck or the current reading is wrong.",
        next_step=f"Measure the voltage {terminal(output)} while it is commanded off.",
        would_change="No current while the command is off.",
    )


CHECK = OutputCheck("stray-current", ("stray-current",), say, MEASURE_LIVE)
