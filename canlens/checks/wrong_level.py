"""wrong-level: an output is brighter or darker than planned, by day or by night.

Looks for
    Steady stretches – rule and output on, light unchanged, not flashing – whose median level lies outside the
    planned level ± tolerance.
Why it matters
    A lamp that is not dimmed at night dazzles; one that is dimmed by day is not seen.
Evidence
    Planned and measured level; the log line at which each such stretch begins.
Cannot tell
    How bright the lamp is: the level is the controller's word.
Next step
    Correct the level in the controller's configuration; check that day and night are told apart by the right control.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import OutputCheck, Said, called

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that the level of an output is not as planned."""
    (level,) = found
    light = level.kind.rpartition("-")[2]
    unit = output.level.definition.unit if output.level else ""
    seen, wanted = (f"{value:.4g} {unit}".strip() for value in (np.median(level.least), level.planned))
    return Said(
        claim=f"{called(output)} stands at {seen} by {light}; planned is {wanted}.",
        cannot_tell="How bright the lamp really is; the level is what the controller says.",
        next_step=f"Correct the level by {light} of {output.name} in the controller's configuration.",
        would_change=f"A level of {wanted} ± {output.level_tolerance:g} by {light}.",
    )


CHECK = OutputCheck("wrong-level", ("wrong-level-by-day", "wrong-level-by-night"), say, one_each=True)
