"""over-current: the current of an output passes its limit.

Looks for
    Current above ``peak_a`` at any time; current above ``continuous_a`` for longer than ``peak_s`` (for a second
    where the plan gives no peak time).
Why it matters
    The controller will cut the output off, at once or when it is hot; wire and fuse were chosen for less.
Evidence
    The highest current; log lines at which a limit was passed.
Cannot tell
    Inrush shorter than the message's interval, and whether the load, its wire or a short draws the current.
Next step
    Measure the load's current with a clamp; compare with its label and with the wire's fuse.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import MEASURE_LIVE, OVER_CURRENT, Finding, safety_caution

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs whose current passed a limit."""
    for name, own in evidence.outputs.items():
        if own.load is None or not (len(own.load.over_peak) or len(own.load.over_continuous)):
            continue
        output = evidence.plan.outputs[name]
        limits = [f"{output.continuous_a:g} A continuously"] if output.continuous_a is not None else []
        if output.peak_a is not None:
            limits.append(f"{output.peak_a:g} A" + (f" for {output.peak_s:g} s" if output.peak_s is not None else ""))
        yield Finding(
            check="over-current",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} drew up to {own.load.highest_a:.3g} A; its limit is {' or '.join(limits)}.",
            evidence=lines_of(own.load.over_peak, own.load.over_continuous),
            cannot_tell="Whether the load, its wire or a short draws it; and inrush shorter than one message interval.",
            next_step=f"Measure the current of {name} with a clamp meter and compare it with the load's label.",
            would_change=f"A recording in which {name} stays below {' and '.join(limits)}.",
            caution=safety_caution(output.safety, f"{OVER_CURRENT} {MEASURE_LIVE}"),
        )


CHECK = Check("over-current", find)
