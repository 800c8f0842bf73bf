"""wrong-run-on: an output goes off, but not when it should after its rule has ended.

Looks for
    Completed times from the end of the rule to the end of the output that lie outside run-on ± tolerance. For an
    output without a planned run-on: those longer than the answer time.
Why it matters
    Equal times are a timer that is set otherwise than planned; scattered times are a fault.
Evidence
    The measured times, each known to the interval between two messages; log lines of the edges.
Cannot tell
    Which of the two is right, the setting or the plan.
Next step
    Correct the time in the controller's configuration or in the plan, and let it run to the end once more.
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
    """Find outputs whose release or run-on is not as planned."""
    for name, own in evidence.outputs.items():
        timer = own.release
        if timer is None or not len(timer.wrong):
            continue
        output = evidence.plan.outputs[name]
        low, high = float(timer.shortest_s.min()), float(timer.longest_s.max())
        planned = f"{timer.planned_s:g} s" if timer.planned_s else f"at once (within {output.within_s:g} s)"
        even = "always nearly the same" if np.ptp(timer.longest_s) < EVEN_S else "scattered"
        kind = f", {even}" if timer.completed > 1 else ""
        yield Finding(
            check="wrong-run-on",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} went off {low:.1f} to {high:.1f} s after its rule{kind}; planned is {planned}.",
            evidence=lines_of(timer.wrong),
            cannot_tell="Whether the setting or the plan is right.",
            next_step=f"Correct the run-on of {name} in the controller's configuration; let it run to the end once.",
            would_change=f"One full run-on of {planned}.",
            caution=safety_caution(output.safety, ""),
        )


EVEN_S = 1.0
"""Times that differ by less than this are called nearly the same [s] (our choice)."""

CHECK = Check("wrong-run-on", find)
