"""wrong-flashing: an output should flash and does not, or not at the planned rate.

Looks for
    Stretches in which rule and flash condition are both on, long enough for two flashes, whose frequency lies
    outside the planned one ± tolerance. Nothing is said where messages come too seldom to show a flash.
Why it matters
    A lamp that does not flash with the horn does half of its job; too fast may not be lawful: check the local code.
Evidence
    Planned and measured frequency; the log line at which each such stretch begins.
Cannot tell
    Whether the lamp itself can follow.
Next step
    Correct flashing in the controller's configuration, then hold the control for three seconds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import OutputCheck, Said, called

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that an output does not flash as planned."""
    seen_hz = float(np.median(found[0].least))
    seen = f"flashes at {seen_hz:.2g} Hz" if seen_hz else "does not flash"
    planned = f"planned is {output.flash_hz:g} Hz"
    return Said(
        claim=f"{called(output)} {seen} while '{output.flash_when}' is on; {planned}.",
        cannot_tell="Whether the lamp itself follows the command.",
        next_step=f"Correct the flashing of {output.name} in the controller's configuration.",
        would_change=f"Flashing at {output.flash_hz:g} ± {output.flash_tolerance_hz:g} Hz.",
    )


CHECK = OutputCheck("wrong-flashing", ("wrong-flashing",), say)
