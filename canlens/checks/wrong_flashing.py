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

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import Finding, safety_caution

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that do not flash as planned."""
    for name, own in evidence.outputs.items():
        if own.flash is None or not len(own.flash.wrong):
            continue
        output = evidence.plan.outputs[name]
        seen_hz = float(np.median(own.flash.frequency_hz))
        seen = f"flashes at {seen_hz:.2g} Hz" if seen_hz else "does not flash"
        yield Finding(
            check="wrong-flashing",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} {seen} while '{output.flash_when}' is on; planned is {output.flash_hz:g} Hz.",
            evidence=lines_of(own.flash.wrong),
            cannot_tell="Whether the lamp itself follows the command.",
            next_step=f"Correct the flashing of {name} in the controller's configuration.",
            would_change=f"Flashing at {output.flash_hz:g} ± {output.flash_tolerance_hz:g} Hz.",
            caution=safety_caution(output.safety, ""),
        )


CHECK = Check("wrong-flashing", find)
