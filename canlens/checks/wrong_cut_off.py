"""wrong-cut-off: an output is cut off while its rule lasts, but not after the planned time.

Looks for
    Falls of an output while its rule is still on, at a time that lies outside cut-off ± tolerance.
Why it matters
    The cut-off protects battery and load; too early, the accessory seems faulty.
Evidence
    The measured times; log lines of the edges from which they count.
Cannot tell
    Whether the controller's timer or its protection (over-current, low supply) cut the output off.
Next step
    Compare the time in the controller's configuration; if it agrees, repeat with the load unplugged.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import OutputCheck, Said, called
from canlens.results.finding import WIRING

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that an output is cut off at another time than planned."""
    (timer,) = found
    low, high = timer.least.min(), timer.most.max()
    return Said(
        claim=f"{called(output)} was cut off after {low:.1f} to {high:.1f} s; planned is {timer.planned:g} s.",
        cannot_tell="Whether the timer or the controller's protection cut it off.",
        next_step=f"Compare the cut-off of {output.name} in the controller's setting; repeat with the load unplugged.",
        would_change=f"One cut-off after {timer.planned:g} s.",
    )


CHECK = OutputCheck("wrong-cut-off", ("wrong-cut-off",), say, WIRING)
