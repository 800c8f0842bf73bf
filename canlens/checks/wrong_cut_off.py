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

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import WIRING, Finding, safety_caution

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that are cut off at another time than planned."""
    for name, own in evidence.outputs.items():
        timer = own.cut_off
        if timer is None or not len(timer.wrong):
            continue
        output = evidence.plan.outputs[name]
        low, high = float(timer.shortest_s.min()), float(timer.longest_s.max())
        yield Finding(
            check="wrong-cut-off",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} was cut off after {low:.1f} to {high:.1f} s; planned is {timer.planned_s:g} s.",
            evidence=lines_of(timer.wrong),
            cannot_tell="Whether the timer or the controller's protection cut it off.",
            next_step=f"Compare the cut-off of {name} in the controller's setting; repeat with the load unplugged.",
            would_change=f"One cut-off after {timer.planned_s:g} s.",
            caution=safety_caution(output.safety, WIRING),
        )


CHECK = Check("wrong-cut-off", find)
