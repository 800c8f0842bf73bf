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

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import Finding, safety_caution

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs whose level is not as planned."""
    for name, own in evidence.outputs.items():
        output = evidence.plan.outputs[name]
        for level, light in ((own.day, "day"), (own.night, "night")):
            if level is None or not len(level.wrong):
                continue
            unit = output.level.definition.unit if output.level else ""
            seen = f"{np.median(level.medians):.4g} {unit}".strip()
            wanted = f"{level.wanted:.4g} {unit}".strip()
            yield Finding(
                check="wrong-level",
                severity="failure",
                safety=output.safety is not None,
                subject=(name,),
                claim=f"{called(output)} stands at {seen} by {light}; planned is {wanted}.",
                evidence=lines_of(level.wrong),
                cannot_tell="How bright the lamp really is; the level is what the controller says.",
                next_step=f"Correct the level by {light} of {name} in the controller's configuration.",
                would_change=f"A level of {wanted} ± {output.level_tolerance:g} by {light}.",
                caution=safety_caution(output.safety, ""),
            )


CHECK = Check("wrong-level", find)
